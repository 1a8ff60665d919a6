"""Files written by hand keep every byte that an action is not about."""

from __future__ import annotations

import json
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from survey.errors import InputError
from survey.web.changes import apply_change, find_change
from survey.web.marks_text import normal_mark, put_mark, put_points, remove_mark
from survey.web.readings_text import put_reading, read_rows, remove_reading
from survey.web.tables_text import (
    find_table,
    put_at_top,
    put_conditions,
    put_table,
    remove_table,
)

EXAMPLE = files("survey.visit").joinpath("example")
TOML = EXAMPLE.joinpath("visit.toml").read_text(encoding="utf-8")
CSV = EXAMPLE.joinpath("readings.csv").read_text(encoding="utf-8")
HERE = Path(".")


def mark(ident: str, x: float = 1.0) -> dict:
    return normal_mark(
        {"id": ident, "kind": "point", "photo": "a.jpg", "point": "A", "px": [x, 2.0]}
    )


def kept(old: str, new: str) -> list[str]:
    """Lines of the old text that the new one lacks, in order."""
    rest = new.splitlines()
    missing = []
    for line in old.splitlines():
        if line in rest:
            rest = rest[rest.index(line) + 1 :]
        else:
            missing.append(line)
    return missing


# --- marks.json ---------------------------------------------------------------------------------

HAND = [
    '{"marks":[{"id":"q","kind":"point","photo":"a.jpg","point":"A","px":[1,2]}],"format":1}',
    '{\n\t"format": 1,\n\t"marks": [\n\t\t{"id": "q", "kind": "point", "photo": "a.jpg",\n'
    '\t\t "point": "A", "px": [1, 2]}\n\t] , "points" : [ "A" ]\n}\n',
    '\ufeff{ "marks" : [ ] }',
    "{}",
    '{"format": 1}\n',
    '{"points": ["[", "}", "\\"]"], "marks": [\n]}',
]


@pytest.mark.parametrize("text", HAND)
def test_marks_come_and_go_without_a_trace_in_a_hand_written_file(text):
    plain = text.removeprefix("\ufeff")
    before = json.loads(plain).get("marks", [])
    one = put_mark(text, mark("m1"))
    two = put_mark(one, mark("m2", 5.5))
    ids = [entry["id"] for entry in json.loads(two.removeprefix("\ufeff"))["marks"]]
    assert ids == [entry["id"] for entry in before] + ["m1", "m2"]
    moved = put_mark(two, mark("m1", 9.25))
    assert json.loads(moved.removeprefix("\ufeff"))["marks"][len(before)]["px"] == [9.25, 2.0]
    assert len(moved) - len(two) == len("9.25") - len("1.0")
    back = remove_mark(remove_mark(moved, "m1"), "m2")
    assert json.loads(back.removeprefix("\ufeff"))["marks"] == before
    assert back.startswith(text[:1])
    if before:
        assert back == text


def test_a_file_of_our_own_stays_as_it_would_be_written_whole():
    from survey.visit.marks_file import format_marks, parse_marks

    text = None
    for number in range(5):
        text = put_mark(text, mark(f"m{number}", number + 0.5))
    text = put_points(remove_mark(text, "m2"), ["B", "A"])
    parsed = parse_marks(text, [])
    assert text == format_marks(parsed.marks, points=parsed.points).replace(
        '["A", "B"]', '["B", "A"]'
    )


def test_a_mark_that_is_wrong_is_refused_with_all_its_problems():
    with pytest.raises(InputError) as caught:
        normal_mark({"id": "m1", "kind": "point", "px": [1, "x"], "extra": 1})
    whats = " ".join(problem.what for problem in caught.value.problems)
    assert len(caught.value.problems) == 4
    assert "photo" in whats and "px" in whats and "extra" in whats
    assert all("mark 1" not in problem.where for problem in caught.value.problems)
    with pytest.raises(InputError, match="no mark m9"):
        remove_mark(put_mark(None, mark("m1")), "m9")


# --- visit.toml ---------------------------------------------------------------------------------


def test_a_key_put_into_a_table_changes_that_line_only():
    new = put_table(TOML, HERE, "edge", {"between": ["B", "A"], "offset": "4 in",
                                         "offset_from": "porch", "kind": "eave"})  # fmt: skip
    assert kept(TOML, new) == []
    edge = tomllib.loads(new)["edge"][0]
    assert edge["between"] == ["A", "B"] and edge["offset"] == "4 in"
    gone = put_table(new, HERE, "edge", {"between": ["A", "B"], "offset": None,
                                         "offset_from": None})  # fmt: skip
    assert gone == TOML


def test_a_table_is_added_below_its_kind_and_taken_away_with_no_comment_lost():
    wall = {"name": "wall", "kind": "wall", "outline": ["A", "B", "P"], "deck": {"kind": "osb"}}
    new = put_table(TOML, HERE, "plane", wall)
    assert kept(TOML, new) == []
    parsed = tomllib.loads(new)
    assert [plane["name"] for plane in parsed["plane"]] == ["porch", "wall"]
    assert parsed["plane"][1]["deck"] == {"kind": "osb"}
    assert new.index('name = "wall"') < new.index("[[edge]]")
    assert remove_table(new, "plane", {"name": "wall"}) == TOML
    without = remove_table(TOML, "edge", {"between": ["A", "D"]})
    comments = [line for line in TOML.splitlines() if line.startswith("#")]
    assert [line for line in without.splitlines() if line.startswith("#")] == comments
    assert len(tomllib.loads(without)["edge"]) == 3


def test_the_first_table_of_a_kind_goes_to_the_end_and_leaves_again():
    for text in ('name = "v"', 'name = "v"\n', 'name = "v"\r\n# last\r\n'):
        new = put_table(text, HERE, "target", {"name": "T1", "sheet": "letter-1"})
        assert tomllib.loads(new)["target"] == [{"name": "T1", "sheet": "letter-1"}]
        assert new.startswith(text.rstrip("\r\n"))
        assert ("\r\n" in new) == ("\r\n" in text)
        assert "target" not in tomllib.loads(remove_table(new, "target", {"name": "T1"}))


def test_keys_at_the_top_and_conditions_are_put_in_place():
    new = put_at_top(TOML, HERE, {"by": "A. Person", "plies": None, "notes": ["x"]})
    parsed = tomllib.loads(new)
    assert parsed["by"] == "A. Person" and "plies" not in parsed and parsed["notes"] == ["x"]
    assert [line for line in kept(TOML, new) if not line.startswith(("by", "plies", "notes"))] == []
    assert tomllib.loads(put_conditions('name = "v"\n', HERE, {"wind": "light"}))["conditions"] == {
        "wind": "light"
    }


def test_text_that_would_be_no_sound_visit_is_refused():
    for kind, values in (
        ("plane", {"name": "porch", "outline": ["A", "B"]}),
        ("edge", {"between": ["A", "B"], "kind": "cliff"}),
    ):
        with pytest.raises(InputError) as caught:
            put_table(TOML, HERE, kind, values)
        assert caught.value.where.startswith("visit.toml line")
    with pytest.raises(InputError, match="no target T9"):
        remove_table(TOML, "target", {"name": "T9"})


def test_names_that_toml_must_quote_survive():
    odd = 'a "b" \\ é #'
    new = put_table('name = "v"\n', HERE, "setup", {"name": odd, "instrument": "x = [1]"})
    assert tomllib.loads(new)["setup"] == [{"name": odd, "instrument": "x = [1]"}]
    assert find_table(tomllib.loads(new), "setup", {"name": odd}) == 0


# --- readings.csv -------------------------------------------------------------------------------

LAYOUTS = [
    CSV,
    CSV.replace("\n", "\r\n"),
    "\ufeff" + CSV,
    CSV.replace(",", ";"),
    CSV.rstrip("\n"),
    "sep=;\r\nkind;point;to;value;id\r\ntape;A;B;\"3 ft\";T1\r\n# end\r\n",
    'note,value (in),kind,point,to\nfirst,36,tape,A,B\n"x, y",40,tape,B,C\n',
]  # fmt: skip


@pytest.mark.parametrize("text", LAYOUTS)
def test_other_rows_keep_their_bytes(text):
    new, ident = put_reading(
        text, {"kind": "tape", "point": "A", "to": "D", "value": "12' 6-1/2\"", "note": "a, b"}
    )
    header_grew = [line for line in kept(text, new) if "kind" in line]
    assert kept(text, new) == header_grew  # only a header that lacked columns changed
    row = next(row for row in read_rows(new) if row["id"] == ident)
    assert (row["point"], row["to"], row["value"]) == ("A", "D", "12' 6-1/2\"")
    assert row["note"] == "a, b"
    changed, _ = put_reading(new, {"id": ident, "value": "12' 7\""})
    other = next(row for row in read_rows(changed) if row["id"] == ident)
    assert other["value"] == "12' 7\"" and other["note"] == "a, b"
    gone = remove_reading(changed, ident)
    if not header_grew:
        assert gone.rstrip("\r\n") == text.rstrip("\r\n")


def test_a_row_without_an_id_is_known_by_kind_and_line():
    text = "kind,point,to,value\ntape,A,B,3 ft\n"
    assert read_rows(text)[0]["id"] == "tape 2"
    new, ident = put_reading(text, {"id": "tape 2", "value": "4 ft"})
    assert ident == "tape 2" and read_rows(new)[0]["value"] == "4 ft" and len(read_rows(new)) == 1


def test_rows_that_are_comments_or_empty_are_no_readings():
    assert len(read_rows(CSV)) == sum(
        bool(line.split(",")[1]) for line in CSV.splitlines()[1:] if not line.startswith("#")
    )
    assert read_rows(None) == []


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\uff1d"])
def test_nothing_typed_becomes_a_formula_in_a_spreadsheet(sign):
    new, ident = put_reading(CSV, {"kind": "tape", "point": "A", "to": "B", "value": "3 ft",
                                   "note": f"{sign}HYPERLINK(1)"})  # fmt: skip
    row = next(line for line in new.splitlines() if line.startswith(ident))
    assert f",'{sign}" in row
    with pytest.raises(InputError, match="formula"):
        put_reading(CSV, {"kind": "tape", "point": f"{sign}A", "to": "B", "value": "3 ft"})


@pytest.mark.parametrize("cell", ["a\nb", "a\rb", "x" * 400, "a\x00", 5])
def test_cells_that_would_not_stay_in_their_row_are_refused(cell):
    with pytest.raises(InputError):
        put_reading(CSV, {"kind": "tape", "note": cell})
    with pytest.raises(InputError, match="no column"):
        put_reading(CSV, {"colour": "red"})


# --- changes ------------------------------------------------------------------------------------


def test_a_change_goes_forth_and_back_exactly():
    pairs = [(None, "new"), ("old", None), ("abc", "aXc"), ("", "x"), ("aaaa", "aaa"),
             ("éx", "éy"), ("abab", "ababab")]  # fmt: skip
    for old, new in pairs:
        change = find_change("f", old, new)
        assert change is not None
        assert apply_change(old, change, "it") == new
        assert apply_change(new, change.reversed(), "it") == old
    assert find_change("f", "same", "same") is None


def test_a_change_is_found_again_where_other_lines_were_edited():
    old = "".join(f"line {number}\n" for number in range(50))
    new = old.replace("line 25\n", "line 25 moved\n")
    change = find_change("f", old, new)
    edited = "# a person wrote this\n" + new.replace("line 3\n", "")
    back = apply_change(edited, change.reversed(), "it")
    assert back == "# a person wrote this\n" + old.replace("line 3\n", "")


def test_a_change_whose_place_was_edited_is_refused():
    change = find_change("f", "a\nb\nc\n", "a\nB\nc\n")
    for text in ("a\nbb\nc\n", None, ""):
        with pytest.raises(InputError, match="edited at the same place"):
            apply_change(text, change.reversed(), "it")
