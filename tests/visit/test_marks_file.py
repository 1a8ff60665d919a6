"""marks.json: what is written is read back equal; what is wrong is said with its mark."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from survey.errors import InputError, Problem, StorageError
from survey.visit import open_visit, write_marks
from survey.visit.marks_file import LARGEST_MARKS, MOST_MARKS, format_marks, parse_marks
from survey.visit.model import (
    OUTLINE_PURPOSES,
    EdgeMark,
    GravityMark,
    Mark,
    OutlineMark,
    PointMark,
)
from tests.visit.full_visit import MARKS, problems_of

STEADY = settings(deadline=None, derandomize=True)  # the same cases every time


Complaints = Callable[[str, str, str], tuple[Problem, ...]]

NAMES = st.text("abcABC 0123456789-_é'", min_size=1, max_size=12).map(str.strip).filter(bool)
PIXELS = st.tuples(st.floats(-1000, 50_000), st.floats(-1000, 50_000))
SD_PX = st.floats(0.01, 500)


@st.composite
def marks(draw: st.DrawFn) -> Mark:
    kind = draw(st.sampled_from(["point", "edge", "gravity", "outline"]))
    name, photo = draw(NAMES), draw(NAMES)
    if kind == "point":
        return PointMark(name, photo, draw(NAMES), draw(PIXELS), draw(SD_PX))
    ends = draw(st.tuples(PIXELS, PIXELS).filter(lambda pair: pair[0] != pair[1]))
    if kind == "edge":
        start, end = draw(st.tuples(NAMES, NAMES).filter(lambda pair: pair[0] != pair[1]))
        return EdgeMark(name, photo, start, end, ends, draw(SD_PX))
    if kind == "gravity":
        direction = draw(st.sampled_from(["plumb", "level"]))
        on = draw(NAMES.filter(lambda text: text.lower() != "unknown"))
        departure = draw(st.floats(0, 0.1))
        return GravityMark(name, photo, direction, ends, on, draw(SD_PX), departure)
    outline = tuple(draw(st.lists(PIXELS, min_size=3, max_size=9)))
    purpose = draw(st.sampled_from(OUTLINE_PURPOSES))
    return OutlineMark(name, photo, draw(NAMES), purpose, draw(NAMES), outline, draw(SD_PX))


@STEADY
@given(st.lists(marks(), max_size=6), st.lists(NAMES, max_size=4, unique=True))
def test_marks_written_are_read_back_equal_to_the_last_bit(
    written: list[Mark], points: list[str]
) -> None:
    problems: list[Problem] = []
    read = parse_marks(format_marks(written, points=points), problems)
    assert problems == []
    assert read.marks == tuple(written)
    assert read.points == tuple(sorted(points))


def test_writing_twice_gives_the_same_bytes(folder: Path) -> None:
    visit = open_visit(folder)
    write_marks(folder, visit.marks, points=visit.marked_points)
    first = (folder / "marks.json").read_bytes()
    again = open_visit(folder)
    assert again == visit
    write_marks(folder, again.marks, points=again.marked_points)
    assert (folder / "marks.json").read_bytes() == first
    assert json.loads(first)["format"] == 1


def test_failed_write_leaves_the_old_marks(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = (folder / "marks.json").read_bytes()

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(StorageError, match="no space left"):
        write_marks(folder, [])
    assert (folder / "marks.json").read_bytes() == before


def test_no_marks_file_means_no_marks(folder: Path) -> None:
    (folder / "marks.json").unlink()
    (folder / "visit.toml").write_text('name = "v"\n', encoding="utf-8")
    (folder / "readings.csv").unlink()
    assert open_visit(folder).marks == ()


FIELDS = [(index, key) for index, mark in enumerate(json.loads(MARKS)["marks"]) for key in mark]


@pytest.mark.parametrize(("index", "key"), FIELDS, ids=[f"{n + 1}-{k}" for n, k in FIELDS])
@pytest.mark.parametrize("value", [{"a": 1}, True, "\u0007", -1e9], ids=repr)
def test_every_field_with_an_unfit_value_is_named_with_its_mark(
    index: int, key: str, value: object
) -> None:
    document = json.loads(MARKS)
    document["marks"][index][key] = value
    problems: list[Problem] = []
    parse_marks(json.dumps(document), problems)
    assert any(
        one.where.startswith(f"marks.json mark {index + 1}") and key in str(one) for one in problems
    ), problems


@pytest.mark.parametrize(("index", "key"), FIELDS, ids=[f"{n + 1}-{k}" for n, k in FIELDS])
def test_every_misspelt_field_is_named_with_the_right_one(index: int, key: str) -> None:
    document = json.loads(MARKS)
    mark = document["marks"][index]
    mark[f"{key}x"] = mark.pop(key)
    problems: list[Problem] = []
    parse_marks(json.dumps(document), problems)
    if key == "kind":  # without its kind nothing else of a mark can be judged
        assert any("has no kind" in one.what for one in problems)
    else:
        assert any(f'no key "{key}x"' in one.what and key in one.cure for one in problems)


@pytest.mark.parametrize(
    ("old", "new", "where", "what", "cure"),
    [
        ('"format": 1', '"format": 2', "format", "newer", "update"),
        ('"kind": "point"', '"kind": "pint"', "mark 1 (m1), kind", '"pint"', '"point"?'),
        ('"photo": "a.jpg"', '"photo": "A.jpg"', "mark 1 (m1)", 'no photo "A.jpg"', '"a.jpg"?'),
        ('"photo": "a.jpg"', '"photo": "../a.jpg"', "mark 1 (m1)", "no photo", '"a.jpg"?'),
        ('"id": "m2"', '"id": "m1"', "mark 2 (m1)", "stands twice", "own id"),
        ("[10.5, 20.25]", "[10.5]", "mark 1 (m1), px", "not [x, y]", "top-left"),
        ("[10.5, 20.25]", "[10.5, 1e9]", "mark 1 (m1), px", "not [x, y]", "top-left"),
        ("[10.5, 20.25]", "[[1, 2], [3, 4]]", "mark 1 (m1), px", "not [x, y]", "top-left"),
        ("[[1, 2], [300, 4]]", "[[1, 2]]", "mark 3 (m3), px", "1 positions", ""),
        ("[[1, 2], [300, 4]]", "[[1, 2], [1, 2]]", "mark 3 (m3), px", "same pixel", "longer"),
        ('"end": "B"', '"end": "A"', "mark 3 (m3), end", "are both A", "two ends"),
        ('"direction": "plumb"', '"direction": "up"', "mark 4 (m4), direction", '"up"', "plumb"),
        ('"on": "wall",', "", "mark 5 (m5)", "runs along", "add"),
        ('"on": "wall"', '"on": "wal"', "mark 5 (m5)", '"wal"', '"wall"?'),
        ('"tide line"', '"tideline"', "mark 6 (m6), purpose", '"tideline"', '"tide line"?'),
        ('"plane": "porch"', '"plane": "prch"', "mark 6 (m6)", '"prch"', '"porch"?'),
        (", [5, 9]]", "]", "mark 6 (m6), px", "2 positions", ""),
        ('"sd_px": 1.0', '"sd_px": 0', "mark 1 (m1), sd_px", "is 0", ""),
        ('"point": "A"', '"point": "Q"', "mark 1 (m1)", '"Q" is named nowhere else', "points of"),
        ('"points": ["K1", "K2"]', '"points": "K1"', "points", "not a list", "write"),
        ('"points"', '"pionts"', "pionts", "no key", '"points"?'),
    ],
)  # fmt: skip
def test_wrong_mark_is_answered_with_place_reason_and_cure(
    complaints: Complaints, old: str, new: str, where: str, what: str, cure: str
) -> None:
    problems = complaints("marks.json", old, new)
    assert any(
        what in one.what and one.where == f"marks.json {where}" and cure in one.cure
        for one in problems
    ), "\n".join(map(str, problems))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "empty"),
        ("[]", "not an object"),
        ("7", "holds 7"),
        ('{"marks": 3}', "marks is 3"),
        ('{"marks": [3]}', "it is 3"),
        ('{"marks": [', "not valid JSON"),
        ('{"marks": [],}', "not valid JSON"),
        ('{"marks": [{"px": [NaN, 1]}]}', "NaN is no JSON number"),
        ('{"marks": [{"px": [-Infinity, 1]}]}', "-Infinity is no JSON number"),
        (
            '{"marks": [{"id": "a", "kind": "point", "px": [1e999, 1]}]}',
            "the number 1e999 is out of range",
        ),
        ('{"format": 1, "format": 1}', "stands twice"),
        ('{"marks": [{"id": "a", "id": "b"}]}', 'key "id" stands twice'),
        ("[" * 100_000, "deep, over 32"),
        ('{"a":' * 100_000, "deep, over 32"),
        ('{"format": ' + "9" * 5000 + "}", "too many digits"),
        ('{"format": ' + "9" * 40 + "}", "a number of over 15 digits"),
        ('{"points": ["\\ud800"]}', "control signs"),
        ("\ufeff{", "not valid JSON"),
        ("null", "holds null"),
    ],
)
def test_hostile_text_is_refused_in_one_sentence(text: str, what: str) -> None:
    problems: list[Problem] = []
    try:
        parse_marks(text, problems)
    except InputError as error:
        problems += error.problems
    assert any(what in one.what for one in problems), problems


def test_number_that_json_lacks_is_named_with_its_line() -> None:
    text = '{"format": 1,\n "points": ["NaN", "1e999"],\n "marks": [{"px": [NaN, 1]}]}'
    with pytest.raises(InputError) as caught:
        parse_marks(text, [])
    assert caught.value.where == "marks.json line 3"
    with pytest.raises(InputError) as caught:
        parse_marks(text.replace("NaN, 1", "1e999, 1"), [])
    assert caught.value.where == "marks.json line 3"


def test_bounds_of_size_and_number(folder: Path) -> None:
    (folder / "marks.json").write_text(" " * (LARGEST_MARKS + 1), encoding="utf-8")
    assert any("larger than 5 MB" in one.what for one in problems_of(folder))
    problems: list[Problem] = []
    parse_marks(f'{{"marks": [{"0," * MOST_MARKS}0]}}', problems)
    assert len(problems) == 1
    assert f"over {MOST_MARKS}" in problems[0].what


def test_folder_in_place_of_the_file_is_named(folder: Path) -> None:
    (folder / "marks.json").unlink()
    (folder / "marks.json").mkdir()
    assert any("no plain file" in one.what for one in problems_of(folder))
