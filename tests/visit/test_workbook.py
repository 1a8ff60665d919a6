"""readings.xlsx: the same readings as the CSV, and bombs refused before they unpack."""

from __future__ import annotations

import csv
import datetime
import io
import time
import tracemalloc
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from survey.errors import InputError
from survey.visit import open_visit
from survey.visit.workbook import (
    LARGEST_UNPACKED,
    MOST_CELLS,
    MOST_PARTS,
    read_workbook_rows,
)
from tests.visit.full_visit import READINGS, problems_of

NAME = "readings.xlsx"
ROWS = list(csv.reader(io.StringIO(READINGS)))


def workbook(rows: list[list[Any]], title: str = "readings", *others: str) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    for other in others:
        book.create_sheet(other)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def rewritten(data: bytes, part: str, change: Callable[[bytes], bytes]) -> bytes:
    """The same workbook with one part changed."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for info in old.infolist():
            content = old.read(info)
            new.writestr(info.filename, change(content) if info.filename == part else content)
    return stream.getvalue()


@pytest.fixture
def book_folder(folder: Path) -> Path:
    """The full visit without its readings, and without the point that only they told of."""
    (folder / "readings.csv").unlink()
    visit = folder / "visit.toml"
    visit.write_text(
        visit.read_text(encoding="utf-8").replace('at = "H1"', 'at = "A"'), encoding="utf-8"
    )
    return folder


def test_workbook_gives_the_same_readings_as_the_csv(folder: Path) -> None:
    from_csv = open_visit(folder).readings
    (folder / "readings.csv").unlink()
    (folder / NAME).write_bytes(workbook(ROWS))
    from_book = open_visit(folder).readings
    assert [replace(one, where="", id="") for one in from_book] == [
        replace(one, where="", id="") for one in from_csv
    ]
    assert from_book[0].where == "readings.xlsx row 2"


def test_numbers_stored_as_numbers_mean_what_the_sheet_shows(book_folder: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["kind", "setup", "point", "plane", "value (in)"])
    sheet.append(["rod", "S1", "A", None, 38.4375])
    sheet.append(["rod", "S1", "B", None, 38])
    sheet.append(["slope", None, None, "porch", 0.021])
    sheet["E4"].number_format = "0.0%"
    sheet.append(["rod", "S1", "A", None, 12.25])
    sheet["E5"].number_format = "# ?/?"
    book.save(book_folder / NAME)
    first, second, slope, third = open_visit(book_folder).readings
    assert first.value == pytest.approx(38.4375 * 0.0254)
    assert second.value == pytest.approx(38 * 0.0254)
    assert slope.value == pytest.approx(0.021, abs=1e-5)
    assert third.value == pytest.approx(12.25 * 0.0254)


@pytest.mark.parametrize(
    ("value", "what"),
    [
        (datetime.datetime(2026, 3, 4), "is a date or time"),
        (datetime.date(2026, 3, 4), "is a date or time"),
        (datetime.time(3, 12), "is a date or time"),
        (datetime.timedelta(hours=30), "is a date or time"),
        (True, "can't be read as a length"),
        ("#DIV/0!", "can't be read as a length"),
        (1e300, "can't be read as a length"),
        (-3, "is negative"),
        (None, "length is missing"),
    ],
)
def test_cell_that_is_no_reading_is_named(book_folder: Path, value: object, what: str) -> None:
    data = workbook([["kind", "setup", "point", "value (in)"], ["rod", "S1", "A", value]])
    (book_folder / NAME).write_bytes(data)
    where = "readings.xlsx row 2" if value is None else "readings.xlsx cell D2"
    assert any(what in one.what and one.where == where for one in problems_of(book_folder))


def test_formula_counts_by_its_stored_result_and_is_refused_without_one(
    book_folder: Path,
) -> None:
    header = ["kind", "setup", "point", "value (in)"]
    data = workbook([header, ["rod", "S1", "A", "=36+2"], ["rod", "S1", "B", 40]])
    (book_folder / NAME).write_bytes(data)
    (problem,) = [one for one in problems_of(book_folder) if "formula" in one.what]
    assert problem.where == "readings.xlsx cell D2"
    assert "=36+2 has no stored result" in problem.what

    def compute(content: bytes) -> bytes:
        assert b"<f>36+2</f><v></v>" in content or b"<f>36+2</f><v />" in content, content
        for empty in (b"<v></v>", b"<v />"):
            content = content.replace(b"<f>36+2</f>" + empty, b"<f>36+2</f><v>38</v>")
        return content

    (book_folder / NAME).write_bytes(rewritten(data, "xl/worksheets/sheet1.xml", compute))
    assert open_visit(book_folder).readings[0].value == pytest.approx(38 * 0.0254)


def test_sheet_called_readings_is_taken_out_of_several(book_folder: Path) -> None:
    (book_folder / NAME).write_bytes(workbook(ROWS, "Readings", "notes"))
    assert len(open_visit(book_folder).readings) == 10
    (book_folder / NAME).write_bytes(workbook(ROWS, "Tabelle1", "notes"))
    assert any("called readings" in one.what for one in problems_of(book_folder))
    (book_folder / NAME).write_bytes(workbook(ROWS, "Tabelle1"))
    assert len(open_visit(book_folder).readings) == 10


def refused(data: bytes) -> str:
    """The sentence that refuses the data, in under a second of processor time."""
    begin = time.process_time()
    with pytest.raises(InputError) as caught:
        read_workbook_rows(data, NAME)
    assert time.process_time() - begin < 1.0
    return str(caught.value)


SHEET = "xl/worksheets/sheet1.xml"
SMALL = workbook([["kind", "value"], ["rod", "1 m"]])


def with_sheet(rows: bytes) -> bytes:
    def change(_: bytes) -> bytes:
        return (
            b'<?xml version="1.0"?><worksheet xmlns='
            b'"http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
            + rows
            + b"</sheetData></worksheet>"
        )

    return rewritten(SMALL, SHEET, change)


def test_row_of_300_000_empty_cells_is_refused() -> None:
    data = with_sheet(b'<row r="1">' + b"<c/>" * 300_000 + b"</row>")
    assert len(data) < 20_000
    assert "times its size" in refused(data)


def test_cells_beyond_the_bound_are_refused_at_any_ratio() -> None:
    cells = b"".join(b'<c r="A%d"/>' % number for number in range(MOST_CELLS + 1))
    data = with_sheet(b'<row r="1">' + cells + b"</row>")
    assert "cells" in refused(data)
    tracemalloc.start()
    try:
        with pytest.raises(InputError) as refused_again:
            read_workbook_rows(data, NAME)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert "cells" in str(refused_again.value)
    assert peak < 100e6


def test_single_cell_in_the_farthest_corner_is_refused() -> None:
    data = with_sheet(b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>')
    assert len(data) < 10_000
    assert "20000 rows" in refused(data)


@pytest.mark.parametrize(
    "cells",
    [
        b'<c r="A1"><v>1</v></c><c r="XFD1"><v>1</v></c>',
        b'<c r="A1"><v>1</v></c>' + b"<c/>" * 64 + b"<c><v>1</v></c>",
    ],
)
def test_value_beyond_the_last_column_is_refused_not_lost(cells: bytes) -> None:
    assert "64 columns" in refused(with_sheet(b'<row r="1">' + cells + b"</row>"))


def test_empty_formatted_cells_far_out_do_no_harm() -> None:
    data = with_sheet(b'<row r="1"><c r="A1"><v>1</v></c><c r="XFD1" s="1"/></row>')
    assert read_workbook_rows(data, NAME) == [(1, ["1"])]


def test_hidden_namespace_prefix_does_not_hide_the_cells() -> None:
    def change(_: bytes) -> bytes:
        cells = b"".join(b'<x:c r="A%d"/>' % number for number in range(MOST_CELLS + 1))
        return (
            b'<x:worksheet xmlns:x="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
            b"<x:sheetData><x:row>" + cells + b"</x:row></x:sheetData></x:worksheet>"
        )

    assert "cells" in refused(rewritten(SMALL, SHEET, change))


@pytest.mark.parametrize("part", [SHEET, "xl/workbook.xml", "[Content_Types].xml"])
def test_entities_are_refused_in_every_part(part: str) -> None:
    def change(content: bytes) -> bytes:
        body = content[content.index(b"?>") + 2 :] if content.startswith(b"<?xml") else content
        laughs = b"".join(
            b'<!ENTITY l%d "%s">' % (n, (b"&l%d;" % (n - 1)) * 10 if n else b"lol")
            for n in range(10)
        )
        return b'<?xml version="1.0"?><!DOCTYPE w [' + laughs + b"]>" + body

    assert "entities" in refused(rewritten(SMALL, part, change))


def test_archive_that_unpacks_to_too_much_is_refused_unread() -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for number in range(6):
            archive.writestr(f"xl/{number}.xml", b"<a/>" + b" " * 10_000_000)
    assert LARGEST_UNPACKED < 60_000_000
    assert "unpacks to 60 MB" in refused(stream.getvalue())


def test_archive_of_too_many_parts_is_refused() -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for number in range(MOST_PARTS + 1):
            archive.writestr(f"{number}.xml", b"<a/>")
    assert "501 parts" in refused(stream.getvalue())


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"kind,value\n",
        SMALL[: len(SMALL) // 2],
        SMALL[:-10],
        b"PK\x03\x04" + bytes(100),
        rewritten(SMALL, SHEET, lambda content: content[: len(content) // 2]),
        rewritten(SMALL, "xl/workbook.xml", lambda _: b"<a/>"),
        rewritten(SMALL, "[Content_Types].xml", lambda _: b""),
        rewritten(SMALL, "xl/styles.xml", lambda content: content[:-30]),
    ],
    ids=range(9),
)
def test_damaged_workbook_is_refused_in_one_sentence(data: bytes) -> None:
    sentence = refused(data)
    assert sentence.startswith("readings.xlsx: ")
    assert "save it again" in sentence


def test_long_cell_is_named_by_its_cell() -> None:
    data = workbook([["kind", "value"], ["rod", "x" * 301]])
    assert "readings.xlsx cell B2: the cell has 301 characters" in refused(data)
