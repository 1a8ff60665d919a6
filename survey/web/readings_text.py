"""Changing single rows in the text of readings.csv while every other line keeps its bytes."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass

from survey.errors import InputError
from survey.visit.readings_file import CSV_FILE
from survey.visit.sheet import COLUMNS, LONGEST_CELL, QUANTITIES, SEPARATORS

LETTERS = {"rod": "R", "tape": "T", "slope": "L"}
FORMULA = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
LINE = re.compile(r"[^\r\n]*(\r\n|\r|\n|$)")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the file: where it stands with its line end, and its cells (None: no row)."""

    start: int
    end: int
    cells: tuple[str, ...] | None


@dataclass(frozen=True, slots=True)
class Layout:
    """How a person's readings.csv is laid out."""

    separator: str
    ending: str
    header: Line
    columns: tuple[str, ...]  # names without their units, "" where not known
    rows: tuple[Line, ...]


def read_rows(text: str | None) -> list[dict[str, str]]:
    """Return the rows as a person typed them, by column name; "line" is the line's number."""
    if text is None:
        return []
    layout = _layout(text)
    rows = []
    for line in layout.rows:
        row = _cells_by_name(layout, line)
        if row.get("kind"):
            number = text.count("\n", 0, line.start) + 1
            rows.append({**row, "id": row.get("id") or f"{row['kind'].lower()} {number}",
                         "line": str(number)})  # fmt: skip
    return rows


def put_reading(text: str | None, reading: Mapping[str, str]) -> tuple[str, str]:
    """Return readings.csv with one reading added, or put in the place of the one with its id.

    Parameters
    ----------
    text : str or None
        What the file holds; None: it is not there and is begun.
    reading : mapping
        Cells by column name, as typed. Without an id it is given the next free one.

    Returns
    -------
    text, id : str

    Raises
    ------
    InputError
        For a column that readings don't have, or a cell that would not stay on its line.
    """
    _refuse_odd(reading)
    reading = {**reading, "note": _inert(reading["note"])} if "note" in reading else reading
    if text is None or not text.strip().strip("\ufeff"):
        text = ",".join(COLUMNS) + "\n"
    layout = _layout(text)
    there = read_rows(text)
    ident = reading.get("id") or _next_id(reading.get("kind", ""), {row["id"] for row in there})
    text, layout = _with_columns(text, layout, [key for key, cell in reading.items() if cell])
    old = next((row for row in there if row["id"] == ident), None)
    if old is None:
        row = _format(layout, {**reading, "id": ident}, ())
        gap = "" if not text or text.endswith(("\n", "\r")) else layout.ending
        return f"{text}{gap}{row}{layout.ending}", ident
    line = _line_of(layout, text, old)
    kept = _cells_by_name(layout, line)
    row = _format(layout, {**kept, **reading}, line.cells or ())
    end = text[line.start : line.end][len(text[line.start : line.end].rstrip("\r\n")) :]
    return text[: line.start] + row + end + text[line.end :], ident


def remove_reading(text: str | None, ident: str) -> str:
    """Return readings.csv without one reading's line.

    Raises
    ------
    InputError
        If there is none with that id.
    """
    if text is not None:
        layout = _layout(text)
        for row in read_rows(text):
            if row["id"] == ident:
                line = _line_of(layout, text, row)
                return text[: line.start] + text[line.end :]
    raise InputError(f"there is no reading {ident}", where=CSV_FILE, cure="load the page again")


def _refuse_odd(reading: Mapping[str, str]) -> None:
    for key, cell in reading.items():
        if key not in COLUMNS:
            raise InputError(
                f"readings have no column {key[:40]!r}",
                where=key[:40],
                cure=f"use {', '.join(COLUMNS)}",
            )
        if (
            not isinstance(cell, str)
            or len(cell) > LONGEST_CELL
            or not cell.replace("\t", " ").isprintable()
        ):
            raise InputError(
                f"the cell {key} does not fit on one line of text", where=key, cure="shorten it"
            )

        if key not in (*QUANTITIES, "note") and cell.startswith(FORMULA):
            raise InputError(
                f"{key} {cell[:40]!r} begins as a formula does in a spreadsheet",
                where=key,
                cure="begin it with a letter",
            )


def _inert(note: str) -> str:
    """Return a note that no spreadsheet takes for a formula."""
    return f"'{note}" if note.startswith(FORMULA) else note


def _layout(text: str) -> Layout:
    """Find separator, header, columns and rows, as the reader of the file does."""
    lines = [match for match in LINE.finditer(text) if match.end() > match.start()]
    first = next((m for m in lines if _is_row(m[0].lstrip("\ufeff"))), None)
    ending = lines[0][1] if lines and lines[0][1] else "\n"
    if first is None:
        raise InputError(
            "the table is empty", where=CSV_FILE, cure=f"begin with the header {','.join(COLUMNS)}"
        )
    declared = re.fullmatch(r"\ufeff?sep=(.)", first[0].strip())
    if declared:
        index = lines.index(first)
        first = next((m for m in lines[index + 1 :] if _is_row(m[0])), first)
        separator = declared[1]
    else:
        names = {mark: _names(first[0], mark) for mark in SEPARATORS}
        separator = max(SEPARATORS, key=lambda mark: sum(n in COLUMNS for n in names[mark]))
    header = Line(first.start(), first.end(), _split(first[0], separator))
    rows = tuple(
        Line(match.start(), match.end(), _split(match[0], separator))
        for match in lines[lines.index(first) + 1 :]
        if _is_row(match[0])
    )
    return Layout(separator, ending, header, tuple(_names(first[0], separator)), rows)


def _is_row(line: str) -> bool:
    stripped = line.strip().strip(',;\t"')
    return bool(stripped) and not line.lstrip().lstrip('"').startswith("#")


def _split(line: str, separator: str) -> tuple[str, ...]:
    return tuple(
        next(csv.reader(io.StringIO(line.rstrip("\r\n"), newline=""), delimiter=separator))
    )


def _names(line: str, separator: str) -> list[str]:
    """Return the column names of a header without their units."""
    cells = _split(line.lstrip("\ufeff"), separator)
    return [re.sub(r"\(.*\)", "", cell).strip().lower() for cell in cells]


def _cells_by_name(layout: Layout, line: Line) -> dict[str, str]:
    cells = line.cells or ()
    return {
        name: cells[index].strip() if index < len(cells) else ""
        for index, name in enumerate(layout.columns)
        if name in COLUMNS
    }


def _line_of(layout: Layout, text: str, row: Mapping[str, str]) -> Line:
    number = int(row["line"])
    return next(one for one in layout.rows if text.count("\n", 0, one.start) + 1 == number)


def _with_columns(text: str, layout: Layout, needed: list[str]) -> tuple[str, Layout]:
    """Add columns that a new reading needs to the header line; no other line changes."""
    missing = [name for name in needed if name not in layout.columns]
    if "id" not in layout.columns:
        missing.append("id")
    if not missing:
        return text, layout
    end = layout.header.end
    line = text[layout.header.start : end]
    body = line.rstrip("\r\n")
    longer = layout.separator.join([body, *missing]) + line[len(body) :]
    text = text[: layout.header.start] + longer + text[end:]
    return text, _layout(text)


def _format(layout: Layout, reading: Mapping[str, str], old: tuple[str, ...]) -> str:
    """Write a row; cells whose text did not change keep their old spelling."""
    kept = dict(zip(layout.columns, old, strict=False))
    cells = []
    for name in layout.columns:
        cell = reading.get(name, "").replace("\t", " ").strip()
        cells.append(kept[name] if kept.get(name, "").strip() == cell and name in kept else cell)
    while cells and not cells[-1] and len(cells) > max(len(old), 1):
        cells.pop()
    out = io.StringIO()
    csv.writer(out, delimiter=layout.separator, lineterminator="").writerow(cells)
    return out.getvalue()


def _next_id(kind: str, taken: set[str]) -> str:
    letter = LETTERS.get(kind.lower(), "X")
    number = 1
    while f"{letter}{number}" in taken:
        number += 1
    return f"{letter}{number}"
