"""Penetrations wide enough to need a saddle: over 30 in across the slope (IRC R903.2.2)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.figures import NotObserved
from survey.findings import Severity
from survey.planes.model import MeasuredPoint
from survey.rules import judge
from survey.visit.model import PenetrationSpec
from tests.rules.made import a_curb, a_drainage, a_plane_set, a_visit, slope

INCH = 0.0254


def saddles(visit, pitch=None, points=()):
    planes = a_plane_set(visit, pitch or slope(0.5))
    planes = replace(planes, points=(*planes.points, *points))
    return {f.code: f for f in judge(visit, planes, (a_drainage(),)).findings}


def marked_curb(width, depth, sd=0.002, turn=0.0):
    """Return a curb by four measured corners, its width turned by `turn` off the eave."""
    c, s = np.cos(turn), np.sin(turn)
    corners = np.array([[0, 0], [width, 0], [width, depth], [0, depth]]) @ [[c, s], [-s, c]]
    points = tuple(
        MeasuredPoint(
            f"K{i}", np.array([2 + x, 1 + y, (1 + y) / 24]), np.eye(3) * sd**2, True, (f"M{i}",)
        )
        for i, (x, y) in enumerate(corners)
    )
    names = tuple(point.name for point in points)
    return PenetrationSpec("curb 1", "curb", plane="porch", outline=names), points


@pytest.mark.parametrize(("inches", "needed"), [(29.9, False), (30.0, False), (30.1, True)])
def test_curb_over_30_inches_needs_a_saddle_and_one_of_30_does_not(inches, needed):
    visit = a_visit(penetrations=(a_curb(width=inches * INCH, saddle=False),))
    assert ("saddle-needed" in saddles(visit)) is needed


def test_curb_with_a_saddle_is_no_finding():
    assert "saddle-needed" not in saddles(a_visit(penetrations=(a_curb(saddle=True),)))


def test_unit_skylight_is_excepted_when_flashed_to_its_instructions():
    visit = a_visit(penetrations=(a_curb(kind="skylight"),))
    finding = saddles(visit)["saddle-needed"]
    assert finding.severity is Severity.NOTE
    assert "flashed to its instructions" in finding.what


def test_rule_is_said_to_be_written_for_dwellings():
    visit = a_visit(penetrations=(a_curb(),), building="other")
    assert "written for dwellings" in saddles(visit)["saddle-needed"].what


def test_measured_width_carries_its_interval():
    curb, points = marked_curb(31 * INCH, 0.5, sd=0.002)
    finding = saddles(a_visit(penetrations=(curb,)), points=points)["saddle-needed"]
    assert "2' 7\" ± " in finding.what
    assert "written down" not in finding.what


def test_width_that_straddles_is_to_be_taped():
    curb, points = marked_curb(30.2 * INCH, 0.5, sd=0.01)
    finding = saddles(a_visit(penetrations=(curb,)), points=points)["saddle-width-near-limit"]
    assert "tape it" in finding.cure


def test_width_counts_square_to_the_slope_not_along_the_longest_side():
    """A curb 20 in wide and 40 in long up the slope needs none; turned a right angle it does."""
    curb, points = marked_curb(20 * INCH, 40 * INCH)
    assert "saddle-needed" not in saddles(a_visit(penetrations=(curb,)), points=points)
    curb, points = marked_curb(20 * INCH, 40 * INCH, turn=np.pi / 2)
    assert "saddle-needed" in saddles(a_visit(penetrations=(curb,)), points=points)


def test_width_stays_measured_where_the_fall_is_not():
    curb, points = marked_curb(40 * INCH, 0.5)
    gap = NotObserved("no level", "take one")
    assert "saddle-needed" in saddles(a_visit(penetrations=(curb,)), gap, points)


def test_unmeasured_width_is_asked_for():
    visit = a_visit(penetrations=(a_curb(width=None),))
    assert "tape it across" in saddles(visit)["penetration-width-not-known"].cure


def test_penetration_on_another_plane_is_not_judged_here():
    visit = a_visit(penetrations=(a_curb(plane="elsewhere"),))
    assert "saddle-needed" not in saddles(visit)
