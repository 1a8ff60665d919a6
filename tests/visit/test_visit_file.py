"""visit.toml: what is written is read; what is wrong is said with its line."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import cv2
import pytest

from survey.errors import InputError, Problem
from survey.target.sheets import NUMBERS, SIZES
from survey.visit import open_visit
from survey.visit.boards import DICTIONARY_SIZES, SHEET_NUMBERS, SHEET_SIZES
from survey.visit.crosscheck import check_names
from survey.visit.model import EdgeKind, ForeignBoard, OutletKind, SheetBoard
from survey.visit.toml_text import LONGEST_KEY, parse_toml
from survey.visit.visit_file import LARGEST_VISIT, parse_visit
from tests.visit.full_visit import VISIT, problems_of

Complaints = Callable[[str, str, str], tuple[Problem, ...]]
KEY_LINES = [
    (number, match[1])
    for number, row in enumerate(VISIT.splitlines(), start=1)
    if (match := re.match(r"([a-z_]+) = ", row))
]


def complaints_about(text: str) -> list[Problem]:
    """What is wrong with the text of a visit.toml alone."""
    problems: list[Problem] = []
    try:
        visit, source = parse_visit(text, Path(), problems)
    except InputError as error:
        return [*error.problems]
    return problems or check_names(visit, source)


def test_full_visit_is_read_in_si_units(folder: Path) -> None:
    visit = open_visit(folder)
    assert (visit.name, visit.date, visit.units) == ("full visit", "2026-05-04", "us")
    assert visit.conditions.temperature == pytest.approx(273.15 + (61 - 32) / 1.8)
    first, second, third = visit.targets
    assert first.board == SheetBoard("tabloid-1")
    assert first.across == pytest.approx(9.5 * 0.0254)
    assert (first.plumb, first.level, first.flat) == (True, True, False)
    assert (second.plumb, second.level, second.flat) == (False, False, True)
    assert second.board == ForeignBoard(
        kind="charuco", dictionary="DICT_5X5_100", marker=0.03, first_id=4, columns=7, rows=5,
        square=0.04, legacy_layout=True,
    )  # fmt: skip
    assert isinstance(third.board, ForeignBoard)
    assert third.board.gap == 0.015
    assert visit.planes[0].deck.thickness == pytest.approx(0.625 * 0.0254)
    assert [edge.name for edge in visit.edges] == ["eave", "C-E"]
    assert visit.edges[1].kind is EdgeKind.CORNER
    assert [outlet.kind for outlet in visit.outlets] == [
        OutletKind.DRAIN, OutletKind.SCUPPER, OutletKind.GUTTER,
    ]  # fmt: skip
    assert visit.outlets[0].invert == pytest.approx(-0.0127)
    assert visit.benchmarks[0].elevation == pytest.approx(30.48)
    assert visit.setups[0].rod_length == pytest.approx(16 * 0.3048)
    assert [path.name for path in visit.photo_paths] == ["a.jpg", "b.jpg"]
    assert visit.marked_points == ("K1", "K2")
    assert visit.notes == ("first note", "second note")


def test_opening_changes_nothing(folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    open_visit(folder)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


@pytest.mark.parametrize(("line", "key"), KEY_LINES, ids=[f"{n}-{k}" for n, k in KEY_LINES])
def test_every_key_with_a_value_of_the_wrong_type_is_named_with_its_line(
    line: int, key: str
) -> None:
    rows = VISIT.splitlines()
    rows[line - 1] = f"{key} = [[1]]"
    found = [
        one for one in complaints_about("\n".join(rows)) if one.where == f"visit.toml line {line}"
    ]
    assert any(key in one.what for one in found)


@pytest.mark.parametrize(("line", "key"), KEY_LINES, ids=[f"{n}-{k}" for n, k in KEY_LINES])
def test_every_misspelt_key_is_named_with_its_line_and_the_right_one(line: int, key: str) -> None:
    rows = VISIT.splitlines()
    rows[line - 1] = rows[line - 1].replace(key, f"{key}x", 1)
    (problem,) = [
        one for one in complaints_about("\n".join(rows)) if f'has no key "{key}x"' in one.what
    ]
    assert problem.where == f"visit.toml line {line}"
    assert problem.cure == f'did you mean "{key}"?'


@pytest.mark.parametrize(("line", "key"), KEY_LINES, ids=[f"{n}-{k}" for n, k in KEY_LINES])
def test_every_key_may_be_unknown_or_is_asked_for(line: int, key: str) -> None:
    """ "unknown" is a legal answer; where a thing can't do without it, the table is named."""
    rows = VISIT.splitlines()
    rows[line - 1] = f'{key} = "unknown"'
    problems = complaints_about("\n".join(rows))
    if problems:
        assert key in (
            "format", "name", "outline", "points", "between", "elevation", "sheet", "kind",
            "dictionary", "marker", "columns", "rows", "square", "gap", "along", "up", "plane",
            "at", "edge", "offset_from", "file", "first_id", "heights",
        ), problems  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "at", "what", "cure"),
    [
        ("format = 1", "format = 2", "format", "newer than this program", "update"),
        ('name = "full visit"\n', "", None, "has no name", "add name"),
        ("date = 2026-05-04", 'date = "May 4"', "date", "not a date", "2026-05-04"),
        ('units = "us"', 'units = "feet"', "units", '"feet" is not known', "us"),
        ('"modified-bitumen"', '"modified bitumen"', "cover", "not known", '"modified-bitumen"?'),
        ("plies = 2", "plies = 20", "plies", "is 20, not a whole number from 1 to 6", ""),
        ("plies = 2", "plies = true", "plies", "is true", ""),
        ('"61 F"', '"61"', "temperature", "temperature", "68 F"),
        ('"61 F"', '"610 F"', "temperature", "not between", "scale"),
        ('"9-1/2 in"', '"9.5"', "across", "bears no unit", "add ft, in"),
        ('"9-1/2 in"', "9.5", "across", "bears no unit", "add ft, in"),
        ('"9-1/2 in"', '"95 ft"', "across", "not between", "check the unit"),
        ('"9-1/2 in"', '"-9-1/2 in"', "across", "not between", "check the unit"),
        ('"tabloid-1"', '"Tabloid 1"', "sheet", "no sheet code", "tabloid-1"),
        ('"tabloid-1"', '"tabloid-17"', "sheet", "no sheet code", "did you mean"),
        ('"tabloid-1"', '"napkin"', "sheet", "no sheet code", "a number from 1 to 16"),
        ('sheet = "tabloid-1"\n', "", "[[target]]", "does not say what is printed", "sheet ="),
        ('"plumb and level"', '"plum"', "mounted", '"plum" is not known', '"plumb"?'),
        ('"DICT_5X5_100"', '"DICT_5x5_100"', "dictionary", "not known", '"DICT_5X5_100"?'),
        ("first_id = 4", "first_id = 90", "first_id", "markers 0 to 99", "first_id"),
        ('square = "40 mm"', 'square = "30 mm"', "square", "larger than its marker", "which"),
        ('square = "40 mm"\n', "", "[target.board]", "needs its square's side", "add square"),
        ('gap = "15 mm"\n', "", '[target.board]\nkind = "marker grid"', "needs the gap", "add gap"),
        ("columns = 7\nrows = 5\n", "", "[target.board]", "needs columns and rows", "add both"),
        ('marker = "30 mm"\n', "", "[target.board]", "no marker size", "black square"),
        ('dictionary = "DICT_5X5_100"\n', "", "[target.board]", "no dictionary", "add dictionary"),
        ('kind = "charuco"\n', "", "[target.board]", "board has no kind", "charuco"),
        ('["A", "B", "C", "D"]', '["A", "B"]', "outline", "2 names, but needs 3 or more", ""),
        ('["A", "B", "C", "D"]', '["A", "B", "C", "A"]', "outline", "A more than once", "once"),
        ('["A", "B", "C", "D"]', '"A, B, C, D"', "outline", "not a list of names", "outline ="),
        ('["A", "B", "C", "D"]', '["A", "B", "C", 4]', "outline", "is 4, not a name", ""),
        ('["A", "B", "C", "D"]', '["A", "B", "C", " D"]', "outline", "spaces around", ""),
        ('["C", "E"]', '["C", "F"]', 'between = ["C"', "not neighbours", "order"),
        ('between = ["A", "B"]', 'between = ["A", "Q"]', "between", 'a corner "Q"', ""),
        ('between = ["A", "B"]', 'between = ["A", "A"]', "between", "A twice", "two ends"),
        ('between = ["A", "B"]', 'between = ["A"]', "between", "but needs exactly 2", ""),
        ('between = ["C", "E"]', 'between = ["B", "A"]', 'between = ["B"', "eave already", "one"),
        ('meets = "gutter"', 'meets = "guter"', "meets", "not known", '"gutter"?'),
        ("drains = true", 'drains = "yes"', "drains", "not true or false", "unknown"),
        ('offset_from = "T1"\n', "", "offset =", "what it counts from", "offset_from"),
        ('offset_from = "T1"', 'offset_from = "T9"', "offset_from", '"T9"', "known here: T1"),
        ("level = true", "level = true\nplumb = true", "plumb =", "both level and plumb", "one"),
        ('at = "M"\n', "", "[[outlet]]", "where outlet drain 1 is", "add at"),
        ('"roof drain"', '"drain"', 'kind = "drain"', "not known", '"roof drain"?'),
        ('kind = "roof drain"\n', "", "[[outlet]]", "no kind", "scupper"),
        ('up = "6 in"\n', "", '[[outlet]]\nname = "scupper', "go together", "other one"),
        (
            'plane = "porch"\nalong = "11', 'along = "11', '[[outlet]]\nname = "scupper',
            "need the plane", "plane =",
        ),
        ('edge = "eave"', 'edge = "eaves"', "edge =", '"eaves"', '"eave"?'),
        ('plane = "wall"\n', 'plane = "walls"\n', "plane =", 'no plane "walls"', '"wall"?'),
        (
            'outline = ["K1", "K2", "K3"]\n', "", '[[penetration]]\nname = "chimney"',
            "where penetration chimney is", "add",
        ),
        ('elevation = "100.00 ft"\n', "", "[[benchmark]]", "no elevation", "add elevation"),
        ('"phone.camera.json"', '"other.json"', "file", "no file", "copy"),
        ('"phone.camera.json"', '"/etc/passwd"', "file", "outside the visit", "copy"),
        ('"phone.camera.json"', '"../a.json"', "file", "outside the visit", "copy"),
        ('"phone.camera.json"', '"C:\\\\a.json"', "file", "outside the visit", "copy"),
        ('file = "phone.camera.json"\n', "", "[[calibration]]", "has no file", "add file"),
        ('name = "T2"', 'name = "T1"\n# 2', 'name = "T1"\n# 2', '"T1" stands twice', "own name"),
        ('name = "T2"', 'name = "wall"', 'name = "wall"', "plane too", "another name"),
        ('name = "wall"', 'name = "porch"\n# 2', 'name = "porch"\n# 2', "stands twice", "own name"),
        ('name = "S2"', 'name = "S1"\n# 2', 'name = "S1"\n# 2', "stands twice", "own name"),
        ("[conditions]", "[condition]", "[condition]", "no key", '"conditions"?'),
        ("[[setup]]", "[[setups]]", "[[setups]]", "no key", '"setup"?'),
        ("[[benchmark]]", "[benchmark]", "[benchmark]", "single table", "[[benchmark]]"),
        ('place = "porch, east side"', 'place = "a\\tb"', "place", "holds a tab", "one line"),
        ('by = "J. Miller"', 'by = ""', "by", "is empty", "some words"),
        ('by = "J. Miller"', f'by = "{"x" * 300}"', "by", "over 200", "some words"),
        ('notes = ["first note", "second note"]', "notes = 3", "notes", "notes is 3", "notes ="),
        ('at = "H1"', 'at = "H2"', 'at = "H2"', '"H2" is named nowhere else', "points of"),
    ],
)  # fmt: skip
def test_wrong_value_is_answered_with_line_reason_and_cure(
    folder: Path, complaints: Complaints, old: str, new: str, at: str | None, what: str, cure: str
) -> None:
    problems = complaints("visit.toml", old, new)
    changed = (folder / "visit.toml").read_text(encoding="utf-8")
    where = "visit.toml"
    if at is not None:
        place = changed.index(f"\n{at}") if f"\n{at}" in changed else changed.index(at) - 1
        where += f" line {changed[: place + 1].count(chr(10)) + 1}"
    assert any(what in one.what and one.where == where and cure in one.cure for one in problems), (
        "\n".join([where, *map(str, problems)])
    )


@pytest.mark.parametrize(
    ("old", "new", "line", "cure"),
    [
        ('place = "porch, east side"', "place = porch", 4, "quotes"),
        ('across = "9-1/2 in"', 'across = "9-1/2""', 22, "write inches"),
        ('across = "9-1/2 in"', 'across = "9\' 1/2""', 22, "write inches"),
        ('across = "9-1/2 in"', "across = 9-1/2 in", 22, "quotes"),
        ('across = "9-1/2 in"', "across = 9.5 in", 22, "quotes"),
        ("plies = 2", "plies = 2\nplies = 3", 11, "keep one"),
        ('units = "us"', 'units = "us"\nunits = "us" # or "metric"', 7, "keep one"),
        ('thickness = "1/2 in"', 'thickness = { a = "x", b = 5/8 in, c = "y" }', 26, "quotes"),
        ("[conditions]", "[conditions", 13, ""),
        ('lens = "back camera"', 'lens = """back camera', 172, ""),
    ],
)
def test_broken_syntax_is_named_with_its_line(
    complaints: Complaints, old: str, new: str, line: int, cure: str
) -> None:
    (problem,) = complaints("visit.toml", old, new)
    assert "not valid TOML" in problem.what
    assert problem.where == f"visit.toml line {line}"
    assert cure in problem.cure


def test_all_problems_of_all_files_come_at_once(folder: Path) -> None:
    for name, old, new in (
        ("visit.toml", "plies = 2", "plies = 20"),
        ("visit.toml", 'units = "us"', 'units = "feet"'),
        ("marks.json", '"kind": "edge"', '"kind": "edgy"'),
        ("readings.csv", "38 7/16", "-38 7/16"),
    ):
        path = folder / name
        path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    wheres = {one.where for one in problems_of(folder)}
    assert wheres == {
        "visit.toml line 6",
        "visit.toml line 10",
        "marks.json mark 3 (m3), kind",
        "readings.csv line 5, value",
    }


def test_unreadable_visit_file_still_lets_the_others_speak(folder: Path) -> None:
    (folder / "visit.toml").write_text("name = ", encoding="utf-8")
    (folder / "readings.csv").write_text("kind,value\nrod,5\ntape,\n", encoding="utf-8")
    wheres = [one.where for one in problems_of(folder)]
    assert "visit.toml line 1" in wheres
    assert "readings.csv line 3, value" in wheres


def test_smallest_visit_needs_a_name_only(tmp_path: Path) -> None:
    (tmp_path / "visit.toml").write_text('name = "bare"\n', encoding="utf-8")
    visit = open_visit(tmp_path)
    assert (visit.units, visit.building, visit.work) == ("us", "dwelling", "inspection")
    assert visit.planes == visit.readings == visit.marks == visit.photo_paths == ()


def test_text_with_a_byte_order_mark_and_windows_line_ends_is_read(folder: Path) -> None:
    data = b"\xef\xbb\xbf" + VISIT.replace("\n", "\r\n").encode()
    (folder / "visit.toml").write_bytes(data)
    assert open_visit(folder).name == "full visit"
    (folder / "visit.toml").write_bytes(data.replace(b"plies = 2", b"plies = 20"))
    assert problems_of(folder)[0].where == "visit.toml line 10"


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "empty"),
        (b"  \n\n", "empty"),
        (b'name = "caf\xe9"\n', "not UTF-8"),
        (b'name = "a\0b"\n', "zero bytes"),
        (b"\xff\xfename", "not valid TOML"),
        (bytes(range(256)) * 4, "not UTF-8"),
        (b"x = " + b"[" * 40 + b"]" * 40, "nested deeper"),
        (b"x = " + b"[" * 100_000, "nested deeper"),
        (b"x = " + b"{a=" * 100_000, "nested deeper"),
        (b".".join([b"a"] * 17) + b" = 1", "dotted parts"),
        (b".".join([b"a"] * 200_000) + b" = 1", "dotted parts"),
        (b"[" + b".".join([b"a"] * 200_000) + b"]", "dotted parts"),
        (b"name = 1" + b"0" * 5000, "too large"),
        (b'name = "' + b"x" * LARGEST_VISIT + b'"', "larger than 1 MB"),
        (b"name = nan", "is nan"),
        (b"name = 1e999", "is inf"),
    ],
    ids=range(16),
)
def test_hostile_file_is_refused_in_one_sentence(folder: Path, data: bytes, what: str) -> None:
    (folder / "visit.toml").write_bytes(data)
    assert any(what in one.what and "visit.toml" in one.where for one in problems_of(folder))


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "1e999", "-1", "1_000", "0x10"])
def test_number_that_is_no_length_is_refused(complaints: Complaints, value: str) -> None:
    problems = complaints("visit.toml", 'thickness = "1/2 in"', f"thickness = {value}")
    assert any(one.where == "visit.toml line 26" for one in problems)


def test_keys_up_to_the_bound_are_read() -> None:
    key = ".".join("a" for _ in range(LONGEST_KEY))
    assert parse_toml(f"{key} = 1", "visit.toml").values


def test_line_of_a_key_is_found_behind_strings_and_comments_that_look_like_keys() -> None:
    text = '''a = """
b = 1
[c]
"""
# d = 1
d = "# not a comment"  # [e]
e = [ "]", # }
  "[x]" ]
"quoted key" = 1
[t]
f.g = { h = 1, i = "}" }
[[u]]
[[u]]
j = \'it\\\'
[u.v]
k = 1
'''
    source = parse_toml(text, "f")
    lines = {path: line for path, line in source.lines.items()}
    assert lines[("a",)] == 1
    assert lines[("d",)] == 6
    assert lines[("e",)] == 7
    assert lines[("quoted key",)] == 9
    assert lines[("t", "f", "g")] == 11
    assert lines[("u", 0)] == 12
    assert lines[("u", 1, "j")] == 14
    assert lines[("u", 1, "v", "k")] == 16
    assert ("b",) not in lines
    assert ("c",) not in lines
    assert source.where(("t", "f", "g", "h")) == "f line 11"


def test_sheet_codes_are_those_that_are_printed() -> None:
    assert SHEET_SIZES == tuple(SIZES)
    assert SHEET_NUMBERS == NUMBERS


@pytest.mark.parametrize("name", DICTIONARY_SIZES)
def test_dictionary_sizes_are_those_of_the_library(name: str) -> None:
    """Compared with OpenCV's own predefined dictionaries."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
    assert len(dictionary.bytesList) == DICTIONARY_SIZES[name]
