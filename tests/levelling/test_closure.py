"""Rod readings of a visit: reduction by set-up, loops that close or don't, what nothing checks."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from survey.findings import Severity
from survey.levelling import check_levels, reduce_readings
from survey.units import FOOT, INCH
from survey.visit import begin_visit, open_visit
from survey.visit.model import FixedPoint, Reading, RodReading, Visit

SD = INCH / 16


def rod(name: str, setup: str, point: str, value: float) -> RodReading:
    return RodReading(id=name, where=f"line {name}", setup=setup, point=point, value=value, sd=SD)


@pytest.fixture
def visit(tmp_path: Path) -> Visit:
    begin_visit(tmp_path / "visit")
    return open_visit(tmp_path / "visit")


def with_readings(visit: Visit, *readings: Reading) -> Visit:
    return replace(visit, readings=readings)


def test_full_page_reduces_like_the_book_when_given_as_rod_readings() -> None:
    """The same run as in test_page.py: a turning point is read from both set-ups.

    Source: solved exercise "Field notes for a differential leveling section"."""
    sights = [
        ("1", "S1", "BM A", 3.10), ("2", "S1", "TP1", 9.82),
        ("3", "S2", "TP1", 6.44), ("4", "S2", "TP2", 6.96),
        ("5", "S3", "TP2", 8.76), ("6", "S3", "TP3", 3.27),
        ("7", "S4", "TP3", 7.12), ("8", "S4", "BM B", 10.42),
    ]  # fmt: skip
    readings = [rod(name, setup, point, feet * FOOT) for name, setup, point, feet in sights]
    levels = reduce_readings(readings, [FixedPoint("BM A", 100.00 * FOOT)])
    printed = {"BM A": 100.00, "TP1": 93.28, "TP2": 92.76, "TP3": 98.25, "BM B": 94.95}
    for point, feet in printed.items():
        assert levels.elevations[point] / FOOT == pytest.approx(feet, abs=0.005 + 1e-9)
    assert levels.closures == ()

    closed = reduce_readings(
        readings, [FixedPoint("BM A", 100.00 * FOOT), FixedPoint("BM B", 94.91 * FOOT)]
    )
    (closure,) = closed.closures
    assert abs(closure.misclosure) / FOOT == pytest.approx(0.04, abs=0.005)
    assert closure.sd == pytest.approx(SD * math.sqrt(8), rel=1e-12)
    assert closed.unchecked == ()


def test_loop_back_to_the_first_point_shows_its_misclosure() -> None:
    """A read at 1.000 from S1, at 1.010 again at the end: 10 mm."""
    readings = [
        rod("1", "S1", "A", 1.000),
        rod("2", "S1", "B", 1.500),
        rod("3", "S1", "A", 1.010),
    ]
    levels = reduce_readings(readings)
    (closure,) = levels.closures
    assert closure.misclosure == pytest.approx(0.010, abs=1e-12)
    assert set(closure.readings) == {"1", "3"}
    assert closure.sd == pytest.approx(SD * math.sqrt(2))
    assert levels.unchecked == ("2",)


def test_misclosure_over_the_allowable_is_a_finding_with_its_readings(visit: Visit) -> None:
    tied = [
        rod("1", "S1", "A", 1.000),
        rod("2", "S1", "B", 1.500),
        rod("3", "S2", "A", 1.200),
    ]
    good = with_readings(visit, *tied, rod("4", "S2", "B", 1.703))
    assert "levelling-misclosure" not in {one.code for one in check_levels(good)}
    bad = with_readings(visit, *tied, rod("4", "S2", "B", 1.700 + INCH))
    (finding,) = [one for one in check_levels(bad) if one.code == "levelling-misclosure"]
    assert finding.severity is Severity.CHECK
    assert 'readings 1, 2, 3, 4 should close but miss by 1"' in finding.what
    assert finding.where == "line 4"


def test_set_ups_without_a_common_point_are_named(visit: Visit) -> None:
    apart = with_readings(
        visit, rod("1", "S1", "A", 1.0), rod("2", "S1", "B", 1.1), rod("3", "S2", "C", 1.0)
    )
    (finding,) = [one for one in check_levels(apart) if one.code == "set-up-not-tied"]
    assert "both S2 and S1" in finding.what


def test_set_up_of_which_nothing_is_read_twice_is_noted(visit: Visit) -> None:
    codes = {(one.code, one.where) for one in check_levels(visit)}
    assert codes == {("set-up-not-checked", "S1")}
    first = next(one for one in visit.readings if isinstance(one, RodReading))
    closed = with_readings(visit, *visit.readings, replace(first, id="again"))
    assert check_levels(closed) == ()


def test_visit_without_rod_readings_has_nothing_to_say(visit: Visit) -> None:
    assert check_levels(with_readings(visit)) == ()
