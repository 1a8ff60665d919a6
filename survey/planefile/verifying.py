"""Whether photos and plane file are still what they were when the visit was measured."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from survey.errors import InputError, Problem
from survey.planefile.lines import counted
from survey.planefile.model import PlaneFile
from survey.planefile.text import is_untouched


def verify_plane_file(plane_file: PlaneFile, folder: Path) -> list[str]:
    """Compare a plane file with its own hash, and its photos with theirs.

    Parameters
    ----------
    plane_file : PlaneFile
    folder : Path
        The visit folder, with photos/ in it.

    Returns
    -------
    list of str
        What was compared and found the same, one line each.

    Raises
    ------
    InputError
        If anything differs or is missing; all of it at once.

    Notes
    -----
    A hash shows a change, not who made it: someone who changes a file can make its hash anew. Keep
    a copy of the plane file, or of its hash, where nobody else writes.
    """
    problems = find_differences(plane_file, folder)
    if problems:
        raise InputError.of(problems)
    count = len(_hashed(plane_file))
    return [
        f"plane file unchanged: content hash {plane_file.document['content_sha256']}",
        f"{counted(count, 'photo')} unchanged" if count else "no photos to compare",
    ]


def find_differences(plane_file: PlaneFile, folder: Path) -> list[Problem]:
    """Return everything in which plane file or photos differ from what was measured."""
    problems = []
    if not is_untouched(plane_file.document):
        problems.append(
            Problem(
                "the plane file was changed after it was written",
                "content_sha256",
                "measure the visit again, or take the copy you kept",
            )
        )
    for photo in _hashed(plane_file):
        problem = _photo_problem(photo["file"], photo["sha256"], Path(folder))
        if problem is not None:
            problems.append(problem)
    return problems


def _hashed(plane_file: PlaneFile) -> list[Mapping[str, Any]]:
    """Return the photos that could be read, and so have a hash, when the visit was measured."""
    return [photo for photo in plane_file.document["photos"] if photo["sha256"] is not None]


def _photo_problem(file: str, sha256: str, folder: Path) -> Problem | None:
    path = folder / file
    if not path.resolve().is_relative_to(folder.resolve()):
        return Problem("the photo leads out of the visit folder", file, "take the real file there")
    try:
        with path.open("rb") as stream:
            now = hashlib.file_digest(stream, "sha256").hexdigest()
    except FileNotFoundError:
        return Problem("the photo is missing", file, "put the original back")
    except OSError as error:
        reason = (error.strerror or type(error).__name__).lower()
        return Problem(f"the photo can't be read ({reason})", file, "check its permissions")
    if now != sha256:
        return Problem("the photo was changed since it was measured", file, "put the original back")
    return None
