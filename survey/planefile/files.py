"""Reading and writing NAME.planes.json."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from survey.errors import InputError, StorageError
from survey.planefile.model import FORMAT, SUFFIX, VERSION, PlaneFile
from survey.planefile.schema import find_problems
from survey.planefile.text import format_document
from survey.storage import write_atomically
from survey.visit.json_text import parse_strict_json

LARGEST_FILE = 64 * 2**20  # bytes; 100,000 observations take about 40 MB
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.I)  # names Windows keeps to itself


def write_plane_file(plane_file: PlaneFile, folder: Path) -> Path:
    """Write a plane file into a folder, whole or not at all.

    Parameters
    ----------
    plane_file : PlaneFile
        As `assemble` returns it.
    folder : Path
        The visit folder; it must exist.

    Returns
    -------
    Path
        NAME.planes.json, NAME made of the visit's name. Identical input gives identical bytes.

    Raises
    ------
    StorageError
        If it can't be written; what stood there before still stands.
    """
    path = Path(folder) / f"{file_stem(plane_file.name)}{SUFFIX}"
    problems = find_problems(plane_file.document, path.name)
    # A document that breaks its own schema is a fault of the program, not of the user.
    assert not problems, "\n".join(str(problem) for problem in problems)
    write_atomically(path, format_document(plane_file.document).encode("utf-8"))
    return path


def read_plane_file(path: Path) -> PlaneFile:
    """Read a plane file, strictly.

    Raises
    ------
    StorageError
        If it can't be opened.
    InputError
        If it is no plane file, is of a newer version, or departs from the format; all problems at
        once, each with the key it is at.
    """
    path = Path(path)
    document = parse_strict_json(
        _read_text(path), path.name, cure=f"check that it is a {SUFFIX} file, or measure again"
    )
    _check_version(document, path.name)
    problems = find_problems(document, path.name)
    if problems:
        raise InputError.of(problems)
    return PlaneFile(document)


def find_plane_file(path: Path) -> Path:
    """Return the plane file that a path names: itself, or the only one in a visit folder.

    Raises
    ------
    StorageError
        If it is a folder with no plane file in it, or with more than one.
    """
    path = Path(path)
    if not path.is_dir():
        return path
    found = sorted(path.glob(f"*{SUFFIX}"))
    if len(found) == 1:
        return found[0]
    if not found:
        raise StorageError(
            "there is no plane file in this folder",
            where=str(path),
            cure="run 'survey measure' on it first",
        )
    raise StorageError(
        f"there are {len(found)} plane files in this folder",
        where=str(path),
        cure="name one: " + ", ".join(each.name for each in found[:4]),
    )


def file_stem(name: str) -> str:
    """Return a visit's name as the start of a file name: letters, digits, hyphens."""
    stem = re.sub(r"[^\w.]+", "-", name, flags=re.UNICODE).strip("-._")[:80].strip("-._")
    return f"visit-{stem}".rstrip("-") if not stem or RESERVED.fullmatch(stem) else stem


def _read_text(path: Path) -> str:
    try:
        if path.is_dir():
            raise StorageError(
                f"{path.name} is a folder", where=str(path), cure=f"name its {SUFFIX} file"
            )
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError as error:
        raise StorageError(
            "there is no such file", where=str(path), cure="run 'survey measure' first"
        ) from error
    except PermissionError as error:
        raise StorageError(
            "it may not be read", where=str(path), cure="check its permissions"
        ) from error
    if len(data) > LARGEST_FILE:
        raise InputError(
            f"it is larger than {LARGEST_FILE // 2**20} MB, the most a plane file may be",
            where=path.name,
            cure="check that it is the right file",
        )
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            f"byte {error.start} is not UTF-8 text",
            where=path.name,
            cure="check that it is a plane file and was not changed by another program",
        ) from error


def _check_version(document: Any, file: str) -> None:
    """Refuse what is no plane file, and what a newer program wrote, by name."""
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise InputError(
            f'it is not a plane file (no "format": "{FORMAT}")',
            where=file,
            cure=f"name the {SUFFIX} file that 'survey measure' wrote",
        )
    version = document.get("version")
    if isinstance(version, int) and not isinstance(version, bool) and version > VERSION:
        raise InputError(
            f"it is in version {version} of the format, and this program reads up to {VERSION}",
            where=f"{file} version",
            cure="update this program",
        )
