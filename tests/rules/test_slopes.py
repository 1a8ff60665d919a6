"""Pitch against minimum: the interval decides, not the number."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from survey.figures import Figure, NotObserved
from survey.rules import Verdict, judge, minimum_slopes
from survey.rules.slopes import Standing, compare, judge_coverings
from survey.visit.model import COVERING_FAMILIES, PlaneKind
from tests.rules.made import a_drainage, a_low_spot, a_plane, a_plane_set, a_visit, slope

QUARTER = 1 / 48


def verdicts(pitch, **of_visit):
    visit = a_visit(**of_visit)
    return {v.covering: v for v in judge_coverings(a_plane(visit, pitch), visit)}


def findings(visit, pitch, *spots):
    return judge(visit, a_plane_set(visit, pitch), (a_drainage(*spots),)).findings


@pytest.mark.parametrize(
    ("value", "half_width", "standing"),
    [
        (0.25, 0.0, Standing.ABOVE),
        (0.26, 0.01, Standing.ABOVE),
        (0.26, 0.011, Standing.STRADDLES),
        (0.24, 0.011, Standing.STRADDLES),
        (0.24, 0.009, Standing.BELOW),
        (0.2499, 0.0, Standing.BELOW),
    ],
)
def test_only_a_whole_interval_decides(value, half_width, standing):
    assert compare(slope(value, half_width), QUARTER) is standing


def test_two_percent_fails_a_quarter_in_twelve():
    """2.000 % is under 1/4:12, which is 2.083 %, though codes print "2 percent" beside it."""
    two_percent = Figure(0.02, 0.0001, "m/m")
    assert verdicts(two_percent, work="new")["modified-bitumen"].verdict is Verdict.FORBIDDEN
    assert verdicts(Figure(1 / 48, 0.0, "m/m"))["modified-bitumen"].verdict is Verdict.ALLOWED


@pytest.mark.parametrize("covering", COVERING_FAMILIES)
def test_a_pitch_of_exactly_the_minimum_is_allowed(covering):
    """Whatever the way the number came about: tan(atan(x)) may be a hair under x."""
    visit = a_visit(work="new")
    minimum = verdicts(slope(1.0), work="new")[covering].minimum
    for exact in (minimum, math.tan(math.atan(minimum)), 12 * minimum / 12):
        plane = a_plane(visit, Figure(exact, 0.0, "m/m"))
        found = {v.covering: v.verdict for v in judge_coverings(plane, visit)}
        assert found[covering] is Verdict.ALLOWED


def test_shakes_at_three_and_a_half_are_allowed_on_a_dwelling_only():
    """IRC R905.8.2 3:12, IBC 1507.9.2 4:12."""
    pitch = slope(3.5, 0.1)
    assert verdicts(pitch, building="dwelling")["wood-shakes"].verdict is Verdict.ALLOWED
    assert verdicts(pitch, building="other")["wood-shakes"].verdict is Verdict.FORBIDDEN


def test_standing_seam_goes_down_to_a_quarter_in_twelve():
    assert verdicts(slope(0.5), work="new")["standing-seam"].verdict is Verdict.ALLOWED


@pytest.mark.parametrize(
    ("rise", "half_width", "words"),
    [
        (2.0, 0.0, "two layers"),
        (3.99, 0.005, "two layers"),
        (4.0, 0.0, "one layer"),
        (6.0, 0.1, "one layer"),
        (4.0, 0.1, "two layers of underlayment unless a level reading shows 4:12"),
        (2.0, 0.1, "two layers"),  # doubtful, but whatever goes on has two
        (1.0, 0.1, ""),
    ],
)
def test_shingle_underlayment_is_single_from_exactly_four_in_twelve(rise, half_width, words):
    """Building department page on R905.2: 2:12 to under 4:12 double, 4:12 and up single."""
    text = verdicts(slope(rise, half_width))["asphalt-shingles"].underlayment
    assert text.startswith(words)
    assert bool(text) == bool(words)


def test_old_roof_under_a_design_minimum_is_not_refused():
    """IBC 2015 1511.1 exception 1: a re-roof need not meet 1/4:12 where drainage is positive."""
    pitch = slope(0.15, 0.02)
    for work in ("replacement", "re-cover", "inspection"):
        found = verdicts(pitch, work=work)["modified-bitumen"]
        assert found.verdict is Verdict.CHECK_DRAINAGE
        assert "48 hours" in found.sentence
    assert verdicts(pitch, work="new")["modified-bitumen"].verdict is Verdict.FORBIDDEN


def test_the_relief_speaks_of_a_quarter_in_twelve_only():
    pitch = slope(0.1, 0.005)
    found = verdicts(pitch, work="replacement")
    assert found["coal-tar-built-up"].verdict is Verdict.FORBIDDEN  # under 1/8:12
    assert found["asphalt-shingles"].verdict is Verdict.FORBIDDEN  # under 2:12
    assert found["metal-panels-lapped-with-sealant"].verdict is Verdict.FORBIDDEN  # under 1/2:12
    assert found["built-up"].verdict is Verdict.CHECK_DRAINAGE


def test_finding_on_an_old_roof_says_what_the_readings_show_of_drainage():
    visit = a_visit()
    pitch = slope(0.15, 0.02)
    (dry,) = [f for f in findings(visit, pitch) if f.code == "slope-under-design-minimum"]
    assert "no low spot is shown by 40 readings" in dry.what
    assert "which could have shown one of" in dry.what
    assert "48 hours" in dry.what + dry.cure
    wet = findings(visit, pitch, a_low_spot())
    (wet,) = [f for f in wet if f.code == "slope-under-design-minimum"]
    assert "standing water at low 1" in wet.what


def test_straddling_pitch_asks_for_a_level_reading_good_enough_to_settle_it():
    visit = a_visit(work="new")
    (found,) = [f for f in findings(visit, slope(0.30, 0.08)) if f.code == "slope-near-minimum"]
    assert found.rule == "irc-slope-modified-bitumen"
    assert "either side of 1/4:12" in found.what
    assert "digital-level reading" in found.cure
    assert "0.05 in 12" in found.cure


def test_pitch_too_close_for_a_level_is_to_be_taken_as_under():
    """A level good to 0.2 degrees is good to 0.042 in 12 (tan 0.2 degrees x 12)."""
    visit = a_visit(work="new")
    (found,) = [f for f in findings(visit, slope(0.255, 0.02)) if f.code == "slope-near-minimum"]
    assert "closer than a digital level can tell" in found.cure
    (found,) = [f for f in findings(visit, slope(0.30, 0.08)) if f.code == "slope-near-minimum"]
    assert "closer than" not in found.cure


def test_new_work_under_the_minimum_is_told_so():
    visit = a_visit(work="new")
    found = {f.code: f for f in findings(visit, slope(0.15, 0.02))}
    assert found["slope-under-minimum"].rule == "irc-slope-modified-bitumen"


def test_pitch_well_above_gives_no_finding():
    codes = {f.code for f in findings(a_visit(), slope(0.5))}
    assert not {code for code in codes if code.startswith("slope")}


def test_unobserved_pitch_judges_nothing_and_says_why():
    gap = NotObserved("nothing says which way is up", "take one slope reading on 'porch'")
    found = verdicts(gap)
    assert {v.verdict for v in found.values()} == {Verdict.NOT_OBSERVED}
    (finding,) = [f for f in findings(a_visit(), gap) if f.code == "pitch-not-observed"]
    assert "which way is up" in finding.what
    assert finding.cure == "take one slope reading on 'porch'"


def test_low_slope_is_never_said_without_its_limit():
    visit = a_visit()
    planes = a_plane_set(visit, slope(2.5, 0.1))
    (judged,) = judge(visit, planes, (a_drainage(),)).planes
    (note,) = [note for note in judged.notes if "low-slope" in note]
    assert "yes by OSHA (4:12 or less)" in note
    assert "yes by trade usage (3:12 or less)" in note
    assert "no by the IBC's wind-edge tests (under 2:12)" in note
    straddling = a_plane_set(visit, slope(3.05, 0.1))
    (judged,) = judge(visit, straddling, (a_drainage(),)).planes
    assert any("can't tell by trade usage (3:12 or less)" in note for note in judged.notes)


def test_note_on_old_roofs_comes_only_where_the_pitch_is_in_question():
    def notes(rise, work):
        visit = a_visit(work=work)
        (judged,) = judge(visit, a_plane_set(visit, slope(rise)), (a_drainage(),)).planes
        return " ".join(judged.notes)

    assert "positive drainage within 48 hours" in notes(0.15, "replacement")
    assert "positive drainage within 48 hours" in notes(0.25, "inspection")
    assert "positive drainage" not in notes(0.5, "replacement")
    assert "positive drainage" not in notes(0.15, "new")


def test_british_finished_fall_is_judged_and_design_falls_are_only_compared():
    visit = a_visit(units="metric")
    planes = a_plane_set(visit, Figure(1 / 60, 0.0002, "m/m"))
    (judged,) = judge(visit, planes, (a_drainage(),)).planes
    falls = {fall.rule: fall for fall in judged.falls}
    assert falls["uk-finished-fall"].verdict is Verdict.ALLOWED  # 1:60 is over 1:80
    assert falls["uk-design-fall"].verdict is Verdict.CHECK_DRAINAGE
    assert "asked of the design" in falls["uk-design-fall"].sentence
    assert "asked of the design" in falls["de-main-fall"].sentence


def test_minimum_slopes_follow_the_covering_of_each_plane():
    visit = a_visit(covering="slate")
    porch = visit.planes[0]
    wall = replace(porch, name="wall", kind=PlaneKind.WALL)
    plain = replace(porch, name="plain", covering=None)
    visit = replace(visit, planes=(porch, wall, plain))
    assert minimum_slopes(visit) == {"porch": 1 / 48, "plain": 1 / 3}
    unchosen = replace(visit, covering=None)
    assert minimum_slopes(unchosen) == {"porch": 1 / 48, "plain": None}


def test_an_inspection_is_judged_by_the_covering_that_lies_there():
    visit = a_visit(work="inspection")
    plain = replace(visit.planes[0], covering=None, existing_covering="asphalt-shingles")
    assert minimum_slopes(replace(visit, planes=(plain,))) == {"porch": 2 / 12}
    odd = replace(plain, existing_covering="other")
    assert minimum_slopes(replace(visit, planes=(odd,))) == {"porch": None}
