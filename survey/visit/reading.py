"""Opening a visit folder: the three files and the photos, all problems at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from survey.errors import InputError, Problem, StorageError
from survey.visit.crosscheck import (
    check_calibrations,
    check_marks,
    check_names,
    check_photos,
    check_points,
    check_reading_ids,
)
from survey.visit.marks_file import Marks, read_marks
from survey.visit.model import Reading, Visit
from survey.visit.problems import shown
from survey.visit.readings_file import read_readings
from survey.visit.toml_text import TomlText
from survey.visit.visit_file import read_visit_file

PHOTOS = "photos"
MOST_PHOTOS = 2000
MOST_PROBLEMS = 100
NOT_PHOTOS = (".txt", ".md", ".json", ".toml", ".csv", ".xlsx", ".db", ".ini", ".partial")
Value = TypeVar("Value")


def open_visit(folder: str | Path) -> Visit:
    """Read a visit folder and check everything in it.

    Parameters
    ----------
    folder : str or Path
        Folder with visit.toml and, as far as there are any, marks.json, readings.csv (or
        readings.xlsx) and photos/. Nothing in it is changed.

    Returns
    -------
    Visit

    Raises
    ------
    InputError
        If anything is wrong: `problems` holds one for each place, over all files.
    StorageError
        If the system can't read a file.
    """
    folder = Path(folder)
    _refuse_missing(folder)
    problems: list[Problem] = []
    read = _collect(problems, lambda: read_visit_file(folder, problems))
    visit_is_sound = read is not None and not problems
    marks = _collect(problems, lambda: read_marks(folder, problems))
    readings = _collect(
        problems, lambda: read_readings(folder, read[0] if read else None, problems)
    )
    photos = _collect(problems, lambda: list_photos(folder))
    others_are_sound = visit_is_sound and not problems
    if read is not None and visit_is_sound:
        problems += _crosscheck(*read, marks or Marks(), readings or (), photos, others_are_sound)
    if problems or read is None:
        raise InputError.of(_bearable(problems))
    return replace(
        read[0],
        marks=marks.marks if marks else (),
        readings=readings or (),
        photo_paths=photos or (),
        marked_points=marks.points if marks else (),
    )


def _crosscheck(
    visit: Visit,
    source: TomlText,
    marks: Marks,
    readings: tuple[Reading, ...],
    photos: tuple[Path, ...] | None,
    others_are_sound: bool,
) -> list[Problem]:
    """Check names across files; points only when no mark or reading was set aside."""
    problems = check_names(visit, source) + check_calibrations(visit, source)
    problems += check_marks(visit, marks.marks)
    problems += [] if photos is None else check_photos(photos, marks.marks)
    problems += check_reading_ids(readings)
    if others_are_sound:
        problems += check_points(visit, source, marks.marks, marks.points, readings)
    return problems


def _bearable(problems: list[Problem]) -> list[Problem]:
    """Return the first problems only, and how many more there are, when nobody could read all."""
    more = len(problems) - MOST_PROBLEMS
    if more <= 0:
        return problems
    rest = Problem(f"there are {more} more problems", "visit folder", "mend these first")
    return [*problems[:MOST_PROBLEMS], rest]


def _refuse_missing(folder: Path) -> None:
    try:
        if folder.is_dir():
            return
        exists = folder.exists()
    except OSError as error:
        raise StorageError(
            f"{folder} can't be reached ({(error.strerror or '').lower()})",
            where=str(folder),
            cure="check the disk and the permissions",
        ) from error
    what = "is a file, not a visit folder" if exists else "does not exist"
    raise InputError(
        f"{folder} {what}", where="visit folder", cure="make one with: survey begin FOLDER"
    )


def _collect(problems: list[Problem], read: Callable[[], Value]) -> Value | None:
    """Run one reader; what makes its file unreadable joins the problems of the other files."""
    try:
        return read()
    except InputError as error:
        problems += error.problems
        return None


def list_photos(folder: Path) -> tuple[Path, ...]:
    """Return the photos of a visit, as `photo_files` does; no folder photos/ means none.

    Raises
    ------
    InputError
        If photos/ is a link, and as `photo_files` does.
    StorageError
        If the folder can't be listed.
    """
    photos = folder / PHOTOS
    if not photos.exists():
        return ()
    if photos.is_symlink():
        raise InputError(
            f"{PHOTOS} is a link, which leads out of the visit",
            where=PHOTOS,
            cure="copy the folder itself there",
        )
    return photo_files(photos)


def photo_files(folder: Path) -> tuple[Path, ...]:
    """Return the files in a folder by name, but for notes and hidden files; never opened here.

    Raises
    ------
    InputError
        For a link, which could lead elsewhere, a name with control signs, or more than
        `MOST_PHOTOS` files.
    StorageError
        If the folder can't be listed.
    """
    name = folder.name
    try:
        paths = sorted(path for path in folder.iterdir() if not path.name.startswith("."))
    except NotADirectoryError as error:
        raise InputError(
            f"{name} is a file, not a folder", where=name, cure="make it a folder"
        ) from error
    except OSError as error:
        raise StorageError(
            f"{name}/ can't be listed ({(error.strerror or type(error).__name__).lower()})",
            where=name,
            cure="check the disk and the folder's permissions",
        ) from error
    paths = [path for path in paths if path.suffix.lower() not in NOT_PHOTOS]
    problems = [
        Problem("it is a link", f"{name}/{path.name}", "copy the photo itself there")
        for path in paths
        if path.is_symlink()
    ]
    problems += [
        Problem(f"the photo's name {shown(path.name)} is no plain text", name, "rename the photo")
        for path in paths
        if not path.name.isprintable()
    ]
    if problems:
        raise InputError.of(problems)
    paths = [path for path in paths if path.is_file()]
    if len(paths) > MOST_PHOTOS:
        raise InputError(
            f"there are {len(paths)} photos, over {MOST_PHOTOS}",
            where=name,
            cure="put fewer there",
        )
    return tuple(paths)
