"""Usual slips on visits with the redundancy such visits have: named, and no wrong figure unsaid.

The whole study is `python -m tests.studies.slips`; here, visits of it that once went wrong, and a
few of every slip.
"""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.model import SlopeOfPlane, TapeLength
from survey.adjustment.outlines import crossing_sides
from survey.adjustment.slips import usual_slip
from tests.studies.slips import FOOT, ROWS, Verdict, judge_row

NAMES = [f"{row.slip}: {row.visit}" for row in ROWS]
BETTER = ("named", "rivals")


def judged(name: str, number: int) -> Verdict:
    verdict = judge_row((NAMES.index(name), number))
    assert verdict is not None
    return verdict


@pytest.mark.parametrize("number", [1, 5, 6])
def test_a_tape_ten_feet_off_does_not_fold_a_roof_laid_out_by_tape(number):
    """Visits in which the layout once came out another shape: a side 29 ft longer, or folded."""
    verdict = judged("tape 10 ft: deck", number)
    assert verdict.outcome == "named"
    assert not verdict.wrong
    assert any("ten feet" in words for words in verdict.told)


def test_opposite_sides_of_a_rectangle_are_both_asked_after():
    """One foot on either side bends the diagonals alike: no tape tells which, a slip names both."""
    verdict = judged("tape 1 ft: deck", 2)
    assert verdict.outcome == "rivals"
    assert not verdict.wrong
    (words,) = verdict.told
    assert words.count("one foot too much") == 2
    assert "H1-E1" not in words


def test_corners_exchanged_in_one_of_two_photos_are_named():
    """A visit in which the rays once ran off to 2.9 km, with a tight interval."""
    verdict = judged("marks exchanged: front", 5)
    assert verdict.outcome == "named"
    assert not verdict.wrong
    assert all("exchanged" in words for words in verdict.told)


def test_a_fault_that_does_not_show_is_not_blamed_for_a_rod():
    """A rod an inch off was once put down to a print 0.1 % (give or take 0.5 %) too large."""
    verdict = judged("rod 1 in: porch", 0)
    assert verdict.outcome == "rivals"
    assert not any("print-scale" in words or "edge-off" in words for words in verdict.told)


# Half an inch on both check lines is blamed on a tape: figures come out up to 8 half-widths off.
NOT_YET = {"check lines 1/2 in off: front": "the print's slip is taken for a tape's"}
SLIPS = [
    pytest.param(name, marks=pytest.mark.xfail(reason=NOT_YET[name], raises=AssertionError))
    if name in NOT_YET
    else name
    for name in NAMES
    if not name.startswith("none")
]


@pytest.mark.slow
@pytest.mark.parametrize("name", SLIPS)
def test_no_slip_leaves_a_wrong_figure_without_a_word(name):
    for number in range(100, 102):
        verdict = judge_row((NAMES.index(name), number))
        if verdict is not None and verdict.wrong:
            assert verdict.outcome in (*BETTER, "said unchecked"), (number, verdict)


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in NAMES if name.startswith("none")])
def test_a_sound_visit_is_left_in_peace(name):
    told = [judged(name, number) for number in range(100, 105)]
    assert not any(verdict.wrong for verdict in told)
    assert sum(bool(verdict.told) for verdict in told) <= 1


def test_a_common_slip_goes_before_a_rarer_one_that_fits_better():
    """24 ft booked for 23: an inch of noise away from a foot, nearer to nothing else usual."""
    tape = TapeLength(id="T", start="A", end="B", value=24 * FOOT, sd=0.005)
    slip = usual_slip(tape, 23 * FOOT + 0.004, 0.005)
    assert slip is not None and slip.common and slip.words == "one foot too much"
    rare = usual_slip(tape, 24 * FOOT - 1.0, 0.005)
    assert rare is not None and not rare.common and rare.words == "one metre too much"
    metric = usual_slip(tape, 24 * FOOT - 1.0, 0.005, "metric")
    assert metric is not None and metric.common


def test_a_pitch_in_twelve_booked_as_degrees_is_told():
    level = SlopeOfPlane(id="L", plane="porch", value=float(np.radians(2.0)), sd=0.001)
    slip = usual_slip(level, float(np.arctan(2 / 12)), 0.001)
    assert slip is not None and slip.words == "inches in twelve booked as degrees"


def test_an_outline_that_crosses_itself_is_found_and_a_sound_one_is_not():
    square = {"A": (0, 0, 0), "B": (4, 0, 0.1), "C": (4, 3, 0.5), "D": (0, 3, 0.4)}
    state = {("point", name): np.array(at, float) for name, at in square.items()}
    assert crossing_sides(state, ("A", "B", "C", "D")) == ()
    assert crossing_sides(state, ("A", "C", "B", "D")) == (("A", "C"), ("B", "D"))
    assert crossing_sides(state, ("A", "B", "C")) == ()
