"""Beginning a visit: the commented example folder, which measures as it stands."""

from __future__ import annotations

import contextlib
import json
from importlib.resources import files
from pathlib import Path

from survey.errors import InputError, StorageError
from survey.storage import write_atomically
from survey.visit.marks_file import MARKS_FILE
from survey.visit.readings_file import CSV_FILE
from survey.visit.tables import name_fault
from survey.visit.visit_file import VISIT_FILE

EXAMPLE_NAME = 'name = "example porch"'
EXAMPLE_FILES = (VISIT_FILE, CSV_FILE, MARKS_FILE, "photos/README.md")


def begin_visit(folder: str | Path) -> tuple[Path, ...]:
    """Write a commented example visit, named for its folder, into a new or empty folder.

    Parameters
    ----------
    folder : str or Path
        Folder to make; it must not exist, or be empty. Nothing is ever overwritten.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    InputError
        If something stands there already.
    StorageError
        If it can't be written; nothing is then left behind.
    """
    folder = Path(folder)
    made = _make_folder(folder)
    written: list[Path] = []
    try:
        (folder / "photos").mkdir()
        for name in EXAMPLE_FILES:
            template = files("survey.visit").joinpath("example", *name.split("/"))
            data = template.read_bytes()
            if name == VISIT_FILE:
                data = _named(data.decode(), folder).encode()
            write_atomically(folder / name, data)
            written.append(folder / name)
    except OSError as error:
        _take_back(folder, written, made)
        if isinstance(error, StorageError):
            raise
        raise _failure(folder, error) from error
    return tuple(written)


def _named(text: str, folder: Path) -> str:
    """Give the example visit the folder's name, if a visit can have it."""
    name = folder.absolute().name
    if name_fault(name):
        return text
    return text.replace(EXAMPLE_NAME, f"name = {json.dumps(name, ensure_ascii=False)}", 1)


def _make_folder(folder: Path) -> bool:
    """Make the folder; True if it was not there. Refuse one that holds anything."""
    try:
        if folder.exists():
            if not folder.is_dir():
                raise InputError(
                    f"{folder} is a file", where="visit folder", cure="name a new folder"
                )
            if any(folder.iterdir()):
                raise InputError(
                    f"{folder} is not empty, and nothing in it is overwritten",
                    where="visit folder",
                    cure="name a new folder",
                )
            return False
        folder.mkdir(parents=True)
        return True
    except OSError as error:
        raise _failure(folder, error) from error


def _take_back(folder: Path, written: list[Path], made: bool) -> None:
    """Remove what this call wrote, and nothing else."""
    for path in written:
        path.unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        (folder / "photos").rmdir()
        if made:
            folder.rmdir()


def _failure(folder: Path, error: OSError) -> StorageError:
    return StorageError(
        f"{folder} can't be made ({(error.strerror or type(error).__name__).lower()})",
        where="visit folder",
        cure="check the disk and the permissions of the folder around it",
    )
