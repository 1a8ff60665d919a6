"""A readings table before anybody asks what it means: header, rows of text, places of cells."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from dataclasses import dataclass

from survey.errors import InputError, Problem
from survey.visit.problems import offer, shown

COLUMNS = (
    "id",
    "kind",
    "setup",
    "point",
    "to",
    "plane",
    "along",
    "up",
    "value",
    "sd",
    "note",
)
REQUIRED = ("kind", "value")
QUANTITIES = ("along", "up", "value", "sd")
UNITS = ("in", "ft", "m", "cm", "mm", "deg", "%", ":12")
MOST_ROWS = 20_000
MOST_COLUMNS = 64
LONGEST_CELL = 300
SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the table: its name, and the unit that its header gives bare numbers."""

    name: str
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its line in the file and the text of its cells, by column name."""

    line: int
    cells: dict[str, str]
    places: dict[str, str]  # where each cell stands, "readings.csv line 14, value"
    place: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """A readings table: the units its header declares, and its rows."""

    units: dict[str, str]
    rows: tuple[Row, ...]


RawRow = tuple[int, list[str]]  # line or row number, cells
Place = Callable[[int, int | None, str], str]  # (line, column index, column name) -> place


def read_csv_rows(text: str, name: str) -> list[RawRow]:
    """Split CSV text into rows; the separator is the one under which the header makes sense.

    Raises
    ------
    InputError
        For a quote that never closes, or more rows, columns or characters than a person writes.
    """
    lines = text.splitlines()
    declared = re.fullmatch(r"sep=(.)", lines[0].strip()) if lines else None
    separator = declared[1] if declared else _separator(lines)
    rows: list[RawRow] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    start = 1
    try:
        for cells in reader:
            line, start = start, reader.line_num + 1
            if (declared and line == 1) or not any(cell.strip() for cell in cells):
                continue
            if cells[0].lstrip().startswith("#"):
                continue
            _refuse_odd_row(cells, line, name)
            if len(rows) >= MOST_ROWS:
                raise InputError(
                    f"there are more than {MOST_ROWS} rows", where=name, cure="split the visit"
                )
            rows.append((line, cells))
    except csv.Error as error:
        raise InputError(
            f"a cell can't be read ({error})",
            where=f"{name} line {start}",
            cure='look for a " that opens a cell and is never closed',
        ) from error
    return rows


def _separator(lines: list[str]) -> str:
    """Return comma, semicolon or tab: the one that finds most known columns in the header."""
    header = next((row for row in lines if row.strip() and not row.lstrip().startswith("#")), "")

    def known(separator: str) -> int:
        names = (_column_name(cell.strip(' "'))[0] for cell in header[:10_000].split(separator))
        return sum(name in COLUMNS for name in names)

    return max(SEPARATORS, key=known)


def _refuse_odd_row(cells: list[str], line: int, name: str) -> None:
    if any("\n" in cell or "\r" in cell for cell in cells):
        raise InputError(
            'a cell starts with a " that is closed lines later, or never',
            where=f"{name} line {line}",
            cure='write inches as in, or double the mark inside quotes: "6 1/2"""',
        )
    if len(cells) > MOST_COLUMNS:
        raise InputError(
            f"the row has {len(cells)} columns, over {MOST_COLUMNS}",
            where=f"{name} line {line}",
            cure="keep the columns of the example",
        )
    longest = max(cells, key=len)
    if len(longest) > LONGEST_CELL:
        raise InputError(
            f"a cell has {len(longest)} characters, over {LONGEST_CELL}",
            where=f"{name} line {line}",
            cure='shorten it, or look for a " that is never closed',
        )


def make_sheet(raw: list[RawRow], name: str, place: Place, problems: list[Problem]) -> Sheet:
    """Name the columns by the header row; what is wrong with it is added to `problems`."""
    if not raw:
        raise InputError(
            "the table is empty", where=name, cure=f"begin with the header {','.join(COLUMNS)}"
        )
    header_line, header = raw[0]
    columns: list[Column | None] = []
    for index, cell in enumerate(header):
        where = place(header_line, index, "")
        columns.append(_column(cell, where, columns, problems))
    names = [column.name for column in columns if column]
    for required in REQUIRED:
        if required not in names:
            problems.append(
                Problem(
                    f"the header has no column {required}",
                    place(header_line, None, ""),
                    f"begin with the header {','.join(COLUMNS)}",
                )
            )
    units = {column.name: column.unit for column in columns if column and column.unit}
    if any(required not in names for required in REQUIRED):
        return Sheet(units, ())
    return Sheet(
        units, tuple(_row(line, cells, columns, place, problems) for line, cells in raw[1:])
    )


def _column_name(cell: str) -> tuple[str, str | None]:
    """Take a header cell like "value (in)" apart: its name and its unit."""
    match = re.fullmatch(r"([^()]*)\(([^()]*)\)", cell.strip().lower())
    return (match[1].strip(), match[2].strip()) if match else (cell.strip().lower(), None)


def _column(
    cell: str, where: str, before: list[Column | None], problems: list[Problem]
) -> Column | None:
    name, unit = _column_name(cell)
    if not name:
        return None
    if name not in COLUMNS:
        problems.append(
            Problem(f"there is no column {shown(cell)}", where, offer(name, COLUMNS, "column"))
        )
        return None
    if any(column and column.name == name for column in before):
        problems.append(Problem(f"column {name} stands twice", where, "keep one of the two"))
        return None
    if unit is not None and (unit not in UNITS or name not in QUANTITIES):
        cure = f"units are {', '.join(UNITS)}" if name in QUANTITIES else "leave the unit out"
        problems.append(Problem(f"column {name} can't have the unit {shown(unit)}", where, cure))
        return Column(name)
    return Column(name, unit)


def _row(
    line: int,
    cells: list[str],
    columns: list[Column | None],
    place: Place,
    problems: list[Problem],
) -> Row:
    found: dict[str, str] = {}
    places: dict[str, str] = {}
    for index, cell in enumerate(cells):
        text = tidy_cell(cell)
        column = columns[index] if index < len(columns) else None
        if column is None:
            if text and (index >= len(columns) or not columns[index]):
                problems.append(
                    Problem(
                        f"{shown(text)} stands in a column without a known name",
                        place(line, index, ""),
                        "move it, or put a cell that holds a comma between quotes",
                    )
                )
            continue
        found[column.name] = text
        places[column.name] = place(line, index, column.name)
    return Row(line, found, places, place(line, None, ""))


def tidy_cell(cell: str) -> str:
    """Trim a cell, and drop the apostrophe that spreadsheets put before text that is a number."""
    text = cell.replace("\u00a0", " ").strip()
    return text[1:] if re.match(r"'[0-9.+-]", text) else text
