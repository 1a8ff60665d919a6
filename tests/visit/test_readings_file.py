"""readings.csv: read as a roofer types it; what is wrong is said with its line and column."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from survey.errors import InputError, Problem
from survey.units import INCH
from survey.visit import open_visit
from survey.visit.model import Reading, RodReading, SlopeReading, Spot, TapeReading, Visit
from survey.visit.reading import MOST_PROBLEMS
from survey.visit.readings_file import parse_readings_text
from survey.visit.sheet import LONGEST_CELL, MOST_COLUMNS, MOST_ROWS
from tests.visit.full_visit import READINGS, problems_of

Complaints = Callable[[str, str, str], tuple[Problem, ...]]
HEADER = READINGS.splitlines()[0]


@pytest.fixture
def visit(folder: Path) -> Visit:
    return open_visit(folder)


def read(text: str, visit: Visit | None) -> tuple[tuple[Reading, ...], list[Problem]]:
    problems: list[Problem] = []
    try:
        return parse_readings_text(text, visit, problems), problems
    except InputError as error:
        return (), [*problems, *error.problems]


def test_each_kind_of_reading_is_read_in_si_units(visit: Visit) -> None:
    tape, fall, along, rod, *_ = visit.readings
    assert tape == TapeReading(
        "T1", "readings.csv line 2", "A", "B", pytest.approx(144.25 * INCH), INCH / 4
    )
    assert isinstance(fall, SlopeReading)
    assert (fall.direction, fall.start, fall.end) == ("fall", None, None)
    assert fall.value == pytest.approx(math.radians(1.8))
    assert fall.spot == Spot("porch", pytest.approx(3 * 0.3048), pytest.approx(4 * 0.3048))
    assert isinstance(along, SlopeReading)
    assert (along.start, along.end) == ("A", "D")
    assert along.value == pytest.approx(-math.atan(0.021))
    assert rod == RodReading(
        "R1", "readings.csv line 5", "S1", "A", pytest.approx((38 + 7 / 16) * INCH), INCH / 16
    )


def test_reading_without_id_is_named_after_its_kind_and_line(visit: Visit) -> None:
    assert visit.readings[4].id == "rod 6"


def test_spot_without_point_makes_a_point_of_the_reading_s_id(visit: Visit) -> None:
    spot, named, _ = visit.readings[-3:]
    assert isinstance(spot, RodReading)
    assert isinstance(named, RodReading)
    assert (spot.point, named.point) == ("G1", "H1")
    assert spot.spot == Spot("porch", pytest.approx(2 * 0.3048), 0.0)


def test_default_standard_deviations_are_the_documented_ones(visit: Visit) -> None:
    """Rod 1/16 in; tape 1/8 in + 0.05 % of the length; digital level 0.15 deg."""
    (rod, tape, slope), problems = read(
        "id,kind,setup,point,to,plane,value\nr,rod,S2,A,,,1 m\nt,tape,,A,B,,10 m\n"
        "s,slope,,,,porch,2 %\n",
        visit,
    )
    assert problems == []
    assert rod.sd == INCH / 16
    assert tape.sd == pytest.approx(INCH / 8 + 0.005)
    assert slope.sd == pytest.approx(math.radians(0.15))


def test_only_set_up_and_only_plane_need_not_be_named(tmp_path: Path) -> None:
    (tmp_path / "visit.toml").write_text(
        'name = "v"\n[[plane]]\nname = "p"\noutline = ["A", "B", "C"]\n[[setup]]\nname = "S"\n',
        encoding="utf-8",
    )
    (tmp_path / "readings.csv").write_text(
        "kind,along,up,value\nrod,0,2 ft,3 ft\nslope,,,2 %\n", encoding="utf-8"
    )
    rod, slope = open_visit(tmp_path).readings
    assert isinstance(rod, RodReading)
    assert isinstance(slope, SlopeReading)
    assert (rod.setup, rod.spot and rod.spot.plane, slope.plane) == ("S", "p", "p")


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_every_dialect_of_a_spreadsheet_gives_the_same_readings(
    folder: Path, visit: Visit, separator: str, newline: str, encoding: str
) -> None:
    text = READINGS.replace(",", separator).replace("\n", newline)
    (folder / "readings.csv").write_bytes(text.encode(encoding))
    assert open_visit(folder).readings == visit.readings


def test_separator_declared_on_the_first_line_is_taken(visit: Visit) -> None:
    readings, problems = read("sep=;\n" + READINGS.replace(",", ";"), visit)
    assert problems == []
    assert [one.id for one in readings] != []
    assert readings[0].where == "readings.csv line 3"


def test_comments_blank_rows_and_blank_columns_are_passed_over(visit: Visit) -> None:
    rows = READINGS.splitlines()
    text = "\n".join(
        ["# top", "", rows[0] + ",,", "#,,,", ",,,", *[row + ",," for row in rows[1:]]]
    )
    readings, problems = read(text, visit)
    assert problems == []
    assert readings[0].id == "T1"
    assert readings[0].where == "readings.csv line 6"


def test_apostrophe_of_a_spreadsheet_s_text_cell_is_dropped(visit: Visit) -> None:
    readings, problems = read(f"{HEADER}\nT9,tape,,A,B,,,,'12-6 1/2,,\n", visit)
    assert problems == []
    assert readings[0].value == pytest.approx(150.5 * INCH)


def test_inch_marks_in_cells_are_read_with_and_without_csv_quotes(visit: Visit) -> None:
    for cell in ("""12' 6-1/2\"""", '''"12' 6-1/2"""''', "12′ 6½″", '''"12' 6-1/2"'''):
        readings, problems = read(f"{HEADER}\nT9,tape,,A,B,,,,{cell},,\n", visit)
        assert problems == [], cell
        assert readings[0].value == pytest.approx(150.5 * INCH), cell


def test_unit_in_the_header_counts_for_bare_numbers_of_lengths_only(visit: Visit) -> None:
    header = "id,kind,setup,point,plane,value (ft)"
    readings, problems = read(f"{header}\n1,rod,S2,A,,3.21\n2,rod,S2,A,,38 in\n", visit)
    assert problems == []
    assert readings[0].value == pytest.approx(3.21 * 0.3048)
    assert readings[1].value == pytest.approx(38 * INCH)
    _, problems = read(f"{header}\n3,slope,,,porch,1.8\n", visit)
    assert "bears no unit" in problems[0].what


@pytest.mark.parametrize(("unit", "gradient"), [("deg", math.tan(math.radians(1.5))),
                                                ("%", 0.015), (":12", 0.125)])  # fmt: skip
def test_unit_in_the_header_counts_for_slopes(visit: Visit, unit: str, gradient: float) -> None:
    readings, problems = read(f"kind,plane,value ({unit})\nslope,porch,1.5\n", visit)
    assert problems == []
    assert math.tan(readings[0].value) == pytest.approx(gradient)


@pytest.mark.parametrize(
    ("old", "new", "where", "what", "cure"),
    [
        ("38 7/16", "-38 7/16", "line 5, value", "is negative", "sign"),
        ("38 7/16", "16 ft 3 in", "line 5, value", "longer than the 16' 0\" rod", "decimal point"),
        ("38 7/16", "52 ft 3 in", "line 5, value", "longer than any rod", "decimal point"),
        ("38 7/16", "384 7/16", "line 5, value", "longer than any rod", "decimal point"),
        ("38 7/16", "38-7/16-3", "line 5, value", "form is not known", "write it like"),
        ("38 7/16", "", "line 5, value", "length is missing", "write it like"),
        ("38 7/16", "4-Mar", "line 5, value", "is a date or time", "format the column as text"),
        ("38 7/16", "Mar-04", "line 5, value", "is a date or time", "format the column as text"),
        ("38 7/16", "3/4/2026", "line 5, value", "is a date or time", "format the column as text"),
        ("38 7/16", "2026-03-04", "line 5, value", "is a date or time", "as text"),
        ("1.8 deg", "03:12:00", "line 3, value", "is a date or time", "as text"),
        ("38 7/16", "#REF!", "line 5, value", "form is not known", "write it like"),
        ("38 7/16", "1_0", "line 5, value", "underscore", "write it like"),
        ("38 7/16", "３８", "line 5, value", "digits other than", "plain digits"),
        ("38 7/16", " nan ", "line 5, value", "no length", "write it like"),
        ("38 7/16,1/16 in", "38 7/16,1/16", "line 5, sd", "bears no unit", "column sd (in)"),
        ("12 ft 0-1/4 in", "1200 ft", "line 2, value", "longer than any tape", "decimal point"),
        ("12 ft 0-1/4 in", "0", "line 2, value", "under", "sign"),
        ("12 ft 0-1/4 in", "12-0", "line 2, value", "feet and inches or a range", "mark feet"),
        ("1.8 deg", "1.8", "line 3, value", "bears no unit", "write it like"),
        ("1.8 deg", "80 deg", "line 3, value", "not between -75 and 75 deg", "decimal point"),
        ("1.8 deg", "1.8 in", "line 3, value", "without a run", "write it like"),
        ("0.1 deg", "0 deg", "line 3, sd", "not between", "decimal"),
        ("T1,tape", "T1,tap", "line 2, kind", '"tap" is not known', '"tape"?'),
        ("T1,tape", "T1,", "line 2, kind", "no kind", "known here: rod, slope, string, tape"),
        ("tape,,A,B", "tape,,A,", "line 2, to", "is empty", "both ends"),
        ("tape,,A,B", "tape,,,B", "line 2, point", "is empty", "both ends"),
        ("tape,,A,B", "tape,,A,A", "line 2, to", 'are both "A"', "two points"),
        ("tape,,A,B", "tape,S1,A,B", "line 2, setup", "tape reading has no setup", "leave"),
        ("slope,,,,porch", "slope,,,,prch", "line 3, plane", '"prch"', '"porch"?'),
        ("slope,,,,porch", "slope,,,,", "line 3, plane", "names no plane", "known here"),
        ("slope,,A,D,", "slope,,A,,", "line 4, to", "needs point and to", "steepest fall"),
        ("slope,,A,D,", "slope,,A,A,", "line 4, to", 'are both "A"', "two points"),
        ("R1,rod,S1", "R1,rod,S7", "line 5, setup", '"S7" is not in visit.toml', "S1"),
        ("R1,rod,S1", "R1,rod,", "line 5, setup", "names no set-up", "S1, S2"),
        ("R1,rod,S1,A,", "R1,rod,S1,A,B", "line 5, to", "rod reading has no to", "leave"),
        ("R1,rod,S1,A", "R1,rod,S1,", "line 5, point", "where the rod stood", "along and up"),
        ("R1,rod,S1,A,,,", "R1,rod,S1,A,,porch,", "line 5, plane", "without along and up", "leave"),
        ("porch,2,0", "porch,2,", "line 9, up", "go together", "other one"),
        ("porch,2,0", "porch,,0", "line 9, along", "go together", "other one"),
        ("porch,2,0", "porch,2 m 3,0", "line 9, along", "form is not known", "write it like"),
        ("porch,2,0", "porch,2000,0", "line 9, along", "longer than any tape", "decimal"),
        ("porch,2,0", ",2,0", "line 9, plane", "names no plane", "known here"),
        ("R4,rod,S2,TP1", "R4,rod,S2,TP2", "line 7", '"TP1" is named nowhere else', "points of"),
        ("R4,rod,S2,TP1", "R4,rod,S2,TP2", "line 8", '"TP2" is named nowhere else', "points of"),
        ("G1,rod", "A,rod", "line 9, id", 'named "A" after its id', "under point"),
        ("G1,rod", "R1,rod", "line 9", 'id "R1" stands in readings.csv line 5', "own id"),
        (",,,,12 ft 0", ",,,,,,,12 ft 0", "line 2", "column without a known name", "quotes"),
        ("setup,point", "setups,point", "line 1", 'no column "setups"', '"setup"?'),
        ("to,plane", "plane,plane", "line 1", "stands twice", "keep one"),
        ("value (in)", "value (inch)", "line 1", "can't have the unit", "units are in"),
        ("point,to", "point (in),to", "line 1", "can't have the unit", "leave the unit out"),
        ("value (in)", "amount", "line 1", "no column value", "begin with"),
    ],
)  # fmt: skip
def test_wrong_reading_is_answered_with_place_reason_and_cure(
    complaints: Complaints, old: str, new: str, where: str, what: str, cure: str
) -> None:
    problems = complaints("readings.csv", old, new)
    assert any(
        what in one.what and one.where == f"readings.csv {where}" and cure in one.cure
        for one in problems
    ), "\n".join(map(str, problems))


CELLS = [
    (line, column, name)
    for line, row in enumerate(READINGS.splitlines()[1:], start=2)
    for column, (cell, name) in enumerate(zip(row.split(","), HEADER.split(","), strict=True))
    if cell and not name.startswith("note")
]


@pytest.mark.parametrize(("line", "column", "name"), CELLS, ids=[f"{c[0]}-{c[2]}" for c in CELLS])
def test_every_cell_that_is_broken_is_named_with_its_line(
    visit: Visit, line: int, column: int, name: str
) -> None:
    """A control sign fits nowhere: not in a name, a kind or a quantity."""
    rows = [row.split(",") for row in READINGS.splitlines()]
    rows[line - 1][column] = "x\u0007?"
    readings, problems = read("\n".join(map(",".join, rows)), visit)
    assert any(
        one.where == f"readings.csv line {line}, {name.split(' ')[0]}" for one in problems
    ), problems
    assert len(readings) == len(rows) - 2


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "empty"),
        ("# only a comment\n", "empty"),
        ("hello\n", "no column kind"),
        ("kind,value\nrod,\"5' 6\nrod,3 ft\n", "closed lines later"),
        ('kind,value\nrod,"3 ft\n' * 5, "closed lines later"),
        ('kind,value\nrod,"' + "x" * 200_000, "can't be read"),
        ("kind,value\nrod," + "x" * (LONGEST_CELL + 1), "over 300"),
        ("kind,value\n" + "," * MOST_COLUMNS + "1\n", "over 64"),
        ("kind,value\n" + "tape,1 m\n" * (MOST_ROWS + 1), "more than 20000 rows"),
        ("kind;value\nrod;3,5 m\n", "comma"),
    ],
    ids=range(10),
)
def test_hostile_text_is_refused_in_one_sentence(visit: Visit, text: str, what: str) -> None:
    _, problems = read(text, visit)
    assert any(what in one.what for one in problems), problems[:3]


def test_bytes_that_are_no_text_are_named_with_their_line(folder: Path) -> None:
    (folder / "readings.csv").write_bytes(b"kind,value\nrod,12\xbd in\n")
    problem = problems_of(folder)[0]
    assert problem.where == "readings.csv line 2"
    assert "0xbd" in problem.what
    assert "CSV UTF-8" in problem.cure
    (folder / "readings.csv").write_bytes("kind,value\nrod,12 in\n".encode("utf-16-le"))
    assert "zero bytes" in problems_of(folder)[0].what


def test_other_spreadsheet_formats_are_named(folder: Path) -> None:
    (folder / "readings.csv").rename(folder / "readings.ods")
    problems = problems_of(folder)
    assert any("save it as readings.xlsx" in one.cure for one in problems)


def test_more_problems_than_anybody_reads_are_counted(folder: Path) -> None:
    (folder / "readings.csv").write_text("kind,value\n" + "tape,1 m\n" * 400, encoding="utf-8")
    problems = problems_of(folder)
    assert len(problems) == MOST_PROBLEMS + 1
    assert problems[-1].what == f"there are {800 - MOST_PROBLEMS} more problems"


def test_two_readings_files_are_refused(folder: Path) -> None:
    (folder / "readings.xlsx").write_bytes(b"")
    assert any("both" in one.what for one in problems_of(folder))
