"""readings.csv or readings.xlsx: rod, tape and slope readings, one a row."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from survey.errors import InputError, Problem
from survey.visit.files import read_bytes, read_text
from survey.visit.model import (
    Reading,
    RodReading,
    SlopeReading,
    TapeReading,
    Visit,
)
from survey.visit.reading_rows import Names, RowReader
from survey.visit.sheet import Sheet, make_sheet, read_csv_rows
from survey.visit.workbook import cell_place, read_workbook_rows

CSV_FILE = "readings.csv"
WORKBOOK_FILE = "readings.xlsx"
LARGEST_READINGS = 5_000_000  # bytes


def read_readings(
    folder: Path, visit: Visit | None, problems: list[Problem]
) -> tuple[Reading, ...]:
    """Read the readings of a visit folder; no file means no readings.

    What is wrong inside is added to `problems`; a file that can't be read at all raises
    `InputError`, or `StorageError` when the system fails.
    """
    csv_path, book_path = folder / CSV_FILE, folder / WORKBOOK_FILE
    others = sorted(
        path.name
        for path in folder.glob("readings.*")
        if path.suffix.lower() in (".xls", ".ods", ".numbers", ".tsv", ".txt", ".xlsm")
    )
    if csv_path.exists() and book_path.exists():
        raise InputError(
            f"there are both {CSV_FILE} and {WORKBOOK_FILE}",
            where=WORKBOOK_FILE,
            cure="keep the one that holds the readings",
        )
    if csv_path.exists():
        text = read_text(csv_path, LARGEST_READINGS)
        return parse_readings_text(text, visit, problems)
    if book_path.exists():
        raw = read_workbook_rows(read_bytes(book_path, LARGEST_READINGS), WORKBOOK_FILE)
        sheet = make_sheet(
            raw,
            WORKBOOK_FILE,
            lambda line, index, _: cell_place(WORKBOOK_FILE, line, index),
            problems,
        )
        return parse_sheet(sheet, Names.of(visit), problems)
    if others:
        raise InputError(
            "readings are read from .csv and .xlsx only",
            where=others[0],
            cure=f"save it as {WORKBOOK_FILE} or {CSV_FILE}",
        )
    return ()


def parse_readings_text(
    text: str, visit: Visit | None, problems: list[Problem]
) -> tuple[Reading, ...]:
    """Turn the text of readings.csv into readings."""

    def place(line: int, index: int | None, column: str) -> str:
        return f"{CSV_FILE} line {line}" + (f", {column}" if column else "")

    sheet = make_sheet(read_csv_rows(text, CSV_FILE), CSV_FILE, place, problems)
    return parse_sheet(sheet, Names.of(visit), problems)


def parse_sheet(sheet: Sheet, names: Names, problems: list[Problem]) -> tuple[Reading, ...]:
    """Turn the rows of a table into readings; rows that can't be one become problems."""
    readings = []
    for row in sheet.rows:
        if not any(text for name, text in row.cells.items() if name != "note"):
            continue
        reading = RowReader(row, sheet.units, names, problems).read()
        if reading is not None:
            readings.append(reading)
    return tuple(readings)


def points_of(readings: Sequence[Reading]) -> list[tuple[str, str]]:
    """Return (point, place) of every point that a reading names."""
    named: list[tuple[str, str]] = []
    for reading in readings:
        match reading:
            case RodReading():
                named.append((reading.point, reading.where))
            case TapeReading() | SlopeReading():
                named += [(name, reading.where) for name in (reading.start, reading.end) if name]
    return named
