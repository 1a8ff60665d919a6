"""readings.xlsx: rows of text out of a workbook, with bounds that hold before it is parsed."""

from __future__ import annotations

import datetime
import io
import re
import zipfile
import zlib
from typing import Any

import openpyxl
import openpyxl.xml
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse
from openpyxl.utils import get_column_letter

from survey.errors import InputError
from survey.visit.sheet import LONGEST_CELL, MOST_COLUMNS, MOST_ROWS, RawRow

LARGEST_UNPACKED = 50_000_000  # bytes, all parts together
HIGHEST_RATIO = 100  # unpacked over packed bytes; real workbooks stay under 40
FREE_OF_RATIO = 1_000_000  # unpacked bytes under which the ratio doesn't matter
MOST_PARTS = 500
MOST_CELLS = 100_000


def read_workbook_rows(data: bytes, name: str) -> list[RawRow]:
    """Return the rows of the sheet named "readings", or of the only one.

    A formula gives the value its program stored. A cell shown as percent gives a percent; dates
    and times come as ISO text, for the reading itself to refuse.

    Raises
    ------
    InputError
        If it is no workbook, or exceeds a bound, or is built to harm.
    """
    _check_archive(data, name)
    assert openpyxl.xml.DEFUSEDXML, "defusedxml must be installed beside openpyxl"
    try:
        rows, has_formula = _rows(data, name, data_only=True), _has_formula(data, name)
        if has_formula:
            _refuse_uncomputed(data, rows, name)
    except InputError:
        raise
    except Exception as error:  # openpyxl raises whatever its parsing runs into
        raise InputError(
            f"the workbook can't be read ({type(error).__name__})",
            where=name,
            cure="save it again as .xlsx, or as CSV UTF-8",
        ) from error
    return [(number, cells) for number, cells in rows if any(cell.strip() for cell in cells)]


def cell_place(name: str, line: int, index: int | None) -> str:
    """Name a cell or a row of the workbook."""
    return (
        f"{name} row {line}"
        if index is None
        else f"{name} cell {get_column_letter(index + 1)}{line}"
    )


def _check_archive(data: bytes, name: str) -> None:
    """Refuse what would unpack to more than a person's readings, before unpacking it."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        parts = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError) as error:
        raise InputError(
            "the file is no .xlsx workbook, or is cut short",
            where=name,
            cure="save it again as .xlsx, or as CSV UTF-8",
        ) from error
    unpacked = sum(part.file_size for part in parts)
    packed = max(sum(part.compress_size for part in parts), 1)
    if len(parts) > MOST_PARTS or unpacked > LARGEST_UNPACKED:
        raise InputError(
            f"the workbook unpacks to {unpacked / 1e6:.0f} MB in {len(parts)} parts, over "
            f"{LARGEST_UNPACKED / 1e6:.0f} MB or {MOST_PARTS}",
            where=name,
            cure="keep only the readings in it",
        )
    if unpacked > FREE_OF_RATIO and unpacked > HIGHEST_RATIO * packed:
        raise InputError(
            f"the workbook unpacks to {unpacked / packed:.0f} times its size, over {HIGHEST_RATIO}",
            where=name,
            cure="keep only the readings in it, and save it again",
        )
    for part in parts:
        if part.filename.lower().endswith((".xml", ".rels")):
            _check_part(archive, part, name)


def _check_part(archive: zipfile.ZipFile, part: zipfile.ZipInfo, name: str) -> None:
    """Count the cells, rows and columns of one XML part, and refuse entities."""
    cells = column = 0
    try:
        with archive.open(part) as stream:
            for _, element in iterparse(stream, forbid_dtd=True):
                tag = element.tag.rsplit("}", 1)[-1]
                if tag == "c":
                    cells += 1
                    column = _column_of(element.get("r", "")) or column + 1
                    if cells > MOST_CELLS or (len(element) and column > MOST_COLUMNS):
                        raise _too_large(name)
                elif tag == "row":
                    number = element.get("r", "")
                    if number.isdecimal() and int(number[:9]) > MOST_ROWS:
                        raise _too_large(name)
                    column = 0
                    element.clear()
    except DefusedXmlException as error:
        raise InputError(
            "the workbook defines XML entities, which no spreadsheet writes",
            where=name,
            cure="save it again from a spreadsheet",
        ) from error
    except InputError:
        raise
    except (SyntaxError, zipfile.BadZipFile, zlib.error, EOFError, ValueError, OSError,
            RuntimeError, NotImplementedError, LookupError) as error:  # fmt: skip
        raise InputError(
            f"part {part.filename[:80]} of the workbook is damaged",
            where=name,
            cure="save it again as .xlsx, or as CSV UTF-8",
        ) from error


def _column_of(reference: str) -> int:
    """Return the column number in a cell's reference ("B7": 2); 0 if it has none."""
    letters = re.match(r"[A-Z]{1,3}", reference)
    number = 0
    for letter in letters[0] if letters else "":
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def _too_large(name: str) -> InputError:
    return InputError(
        f"a sheet has more than {MOST_CELLS} cells, {MOST_ROWS} rows or {MOST_COLUMNS} columns",
        where=name,
        cure="delete everything under and beside the readings",
    )


def _open(data: bytes, *, data_only: bool) -> Any:
    return openpyxl.load_workbook(
        io.BytesIO(data), read_only=True, data_only=data_only, keep_links=False
    )


def _sheet(book: Any, name: str) -> Any:
    """Return the sheet called "readings", or the only one."""
    sheets = book.worksheets
    for sheet in sheets:
        if sheet.title.strip().lower() == "readings":
            return sheet
    if len(sheets) == 1:
        return sheets[0]
    if not sheets:
        raise InputError("the workbook has no sheet", where=name, cure="save it again as .xlsx")
    titles = ", ".join(sheet.title[:30] for sheet in sheets[:8])
    raise InputError(
        f"none of its sheets ({titles}) is called readings",
        where=name,
        cure='name the sheet with the readings "readings"',
    )


def _cells(data: bytes, name: str, *, data_only: bool) -> list[tuple[int, list[Any]]]:
    """Return the cells of the readings sheet as openpyxl gives them, within bounds."""
    book = _open(data, data_only=data_only)
    try:
        sheet = _sheet(book, name)
        sheet.reset_dimensions()
        rows = []
        for number, cells in enumerate(
            sheet.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS + 1), start=1
        ):
            if number > MOST_ROWS or (len(cells) > MOST_COLUMNS and cells[-1].value is not None):
                raise _too_large(name)
            if any(cell.value is not None for cell in cells):
                rows.append((number, list(cells)))
        return rows
    finally:
        book.close()


def _rows(data: bytes, name: str, *, data_only: bool) -> list[RawRow]:
    rows: list[RawRow] = []
    for number, cells in _cells(data, name, data_only=data_only):
        texts = [
            cell_text(cell.value, getattr(cell, "number_format", None) or "") for cell in cells
        ]
        while texts and not texts[-1]:
            texts.pop()
        for index, text in enumerate(texts):
            if len(text) > LONGEST_CELL:
                raise InputError(
                    f"the cell has {len(text)} characters, over {LONGEST_CELL}",
                    where=cell_place(name, number, index),
                    cure="shorten it",
                )
        if texts and not texts[0].lstrip().startswith("#"):
            rows.append((number, texts))
    return rows


def _has_formula(data: bytes, name: str) -> bool:
    return any(
        cell.data_type == "f"
        for _, cells in _cells(data, name, data_only=False)
        for cell in cells
        if cell.value is not None
    )


def _refuse_uncomputed(data: bytes, rows: list[RawRow], name: str) -> None:
    """Refuse a formula that no spreadsheet has computed, which would read as an empty cell."""
    computed = dict(rows)
    for number, cells in _cells(data, name, data_only=False):
        for index, cell in enumerate(cells):
            if cell.value is None or cell.data_type != "f":
                continue
            texts = computed.get(number, [])
            if index >= len(texts) or not texts[index]:
                raise InputError(
                    f"the formula {str(cell.value)[:40]} has no stored result",
                    where=cell_place(name, number, index),
                    cure="open it in a spreadsheet and save it, or type the number",
                )


def cell_text(value: Any, number_format: str) -> str:
    """Return a cell's value as a person would have typed it.

    A spreadsheet keeps a percent as a fraction of one, so its format decides the text.
    """
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case int() | float() if "%" in re.sub(r'"[^"]*"|\\.', "", number_format):
            return f"{value * 100:.12g} %"
        case int():
            return str(value) if abs(value) < 10**15 else "a number of over 15 digits"
        case float():
            return f"{value:.12g}" if abs(value) < 1e15 else "a number of over 15 digits"
        case datetime.datetime() | datetime.date() | datetime.time():
            return value.isoformat()
        case datetime.timedelta():
            return f"{value} (a time)"
        case _:
            return str(value)
