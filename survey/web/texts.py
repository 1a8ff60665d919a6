"""The three files of a visit as exact text, and whether a visit would open with them."""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from survey.errors import InputError, Problem
from survey.storage import write_atomically
from survey.visit.crosscheck import (
    check_calibrations,
    check_marks,
    check_names,
    check_photos,
    check_points,
    check_reading_ids,
)
from survey.visit.files import read_bytes
from survey.visit.marks_file import LARGEST_MARKS, MARKS_FILE, Marks, parse_marks
from survey.visit.model import Reading, Visit
from survey.visit.reading import list_photos
from survey.visit.readings_file import (
    CSV_FILE,
    LARGEST_READINGS,
    WORKBOOK_FILE,
    parse_readings_text,
    read_readings,
)
from survey.visit.toml_text import TomlText
from survey.visit.visit_file import LARGEST_VISIT, VISIT_FILE, parse_visit

FILES = {VISIT_FILE: LARGEST_VISIT, MARKS_FILE: LARGEST_MARKS, CSV_FILE: LARGEST_READINGS}
BOM = codecs.BOM_UTF8.decode()
Texts = Mapping[str, str | None]  # by file name; None: there is no such file


def read_texts(folder: Path) -> dict[str, str | None]:
    """Read the three files exactly: line ends and a leading UTF-8 mark stay in the text.

    Raises
    ------
    InputError
        If one is no UTF-8 text, larger than a visit's may be, or no plain file.
    StorageError
        If the system can't read one.
    """
    return {name: _read(folder / name, most) for name, most in FILES.items()}


def _read(path: Path, most: int) -> str | None:
    if path.is_symlink():
        raise InputError(
            "it is a link, so the page does not write to it",
            where=path.name,
            cure="put the file itself there",
        )
    if not path.exists():
        return None
    data = read_bytes(path, most)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            "it is not UTF-8 text, so the page can't add to it without changing the rest",
            where=path.name,
            cure='save it as UTF-8 ("CSV UTF-8")',
        ) from error


def write_text(folder: Path, name: str, text: str | None) -> None:
    """Write one file whole or not at all; None removes it.

    Raises
    ------
    StorageError
        If it can't be written; what stood there before still stands.
    """
    assert name in FILES, name
    if text is None:
        (folder / name).unlink(missing_ok=True)
        return
    write_atomically(folder / name, text.encode("utf-8"))


def hash_text(text: str | None) -> str | None:
    """SHA-256 of a file's bytes; None: there is no such file."""
    return None if text is None else hashlib.sha256(text.encode("utf-8")).hexdigest()


def without_mark(text: str) -> str:
    """Return text without a leading byte order mark, as the readers see it."""
    return text.removeprefix(BOM)


def open_texts(folder: Path, texts: Texts) -> Visit:
    """Open a visit as if its three files held these texts.

    The same checks in the same order as `survey.open_visit`, with what did not change since the
    last call taken from memory.

    Raises
    ------
    InputError
        If the visit would not open, with all problems.
    StorageError
        If photos/ can't be listed.
    """
    problems: list[Problem] = []
    visit, source, found = _visit(folder, texts[VISIT_FILE])
    problems += found
    sound = not problems
    marks, found = _marks(texts[MARKS_FILE])
    problems += found
    readings, found = _readings(folder, texts, visit)
    problems += found
    photos = list_photos(folder)
    if sound:
        complete = not problems
        problems += check_names(visit, source) + check_calibrations(visit, source)
        problems += check_marks(visit, marks.marks)
        problems += check_photos(photos, marks.marks)
        problems += check_reading_ids(readings)
        if complete:
            problems += check_points(visit, source, marks.marks, marks.points, readings)
    if problems:
        raise InputError.of(problems)
    return replace(
        visit,
        marks=marks.marks,
        readings=readings,
        photo_paths=photos,
        marked_points=marks.points,
    )


@lru_cache(maxsize=8)
def _visit(folder: Path, text: str | None) -> tuple[Visit, TomlText, list[Problem]]:
    if text is None:
        raise InputError(
            f"there is no {VISIT_FILE}", where=VISIT_FILE, cure="put it back, or begin a visit"
        )
    problems: list[Problem] = []
    visit, source = parse_visit(without_mark(text), folder, problems)
    return visit, source, problems


@lru_cache(maxsize=8)
def _marks(text: str | None) -> tuple[Marks, list[Problem]]:
    problems: list[Problem] = []
    if text is None:
        return Marks(), problems
    return parse_marks(without_mark(text), problems), problems


def _readings(
    folder: Path, texts: Texts, visit: Visit
) -> tuple[tuple[Reading, ...], list[Problem]]:
    text = texts[CSV_FILE]
    if text is None and (folder / CSV_FILE).exists():
        return (), []  # it stands there still, and is about to be taken away
    if text is None or (folder / WORKBOOK_FILE).exists():
        # A workbook is read from the folder, and so is the sentence about two files.
        problems: list[Problem] = []
        return read_readings(folder, visit, problems), problems
    return _parsed_readings(text, _Leaning(visit))


class _Leaning:
    """A visit, equal to another as far as readings lean on it: its set-ups and planes' names."""

    def __init__(self, visit: Visit) -> None:
        self.visit = visit
        self._key = (visit.setups, tuple(plane.name for plane in visit.planes))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Leaning) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)


@lru_cache(maxsize=8)
def _parsed_readings(text: str, on: _Leaning) -> tuple[tuple[Reading, ...], list[Problem]]:
    problems: list[Problem] = []
    return parse_readings_text(without_mark(text), on.visit, problems), problems
