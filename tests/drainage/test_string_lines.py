"""Offsets from a taut string, steps, outlets in edges and traced curbs, from the visit's words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.adjustment.network_marks import outline_points, penetrations_of
from survey.drainage.domain import build_domain
from survey.drainage.evidence import Soundings
from survey.drainage.fittings import plane_frame, step_lines
from survey.drainage.remedies import derive_saddles
from survey.drainage.string_lines import add_string_offsets
from survey.planes.model import MeasuredPoint
from survey.visit.model import (
    EdgeKind,
    OutletKind,
    OutletSpec,
    OutlineMark,
    PenetrationSpec,
    StepSpec,
    StringReading,
    StringSpec,
)
from tests.drainage.roofs import FOOT, INCH, plane_set, shed_roof, visit

FALL = 1 / 48
NOTHING = Soundings(np.zeros((0, 2)), np.zeros(0), np.zeros((0, 0)))
STRING = StringSpec("L1", "porch", "A", "D", 2 * INCH, 1 * INCH, INCH / 16, INCH / 8, INCH / 32)


def offsets_over(surface, shares, length, string=STRING):
    """Offsets a person would read: from the sagging string down to a surface under A to D."""
    readings = []
    for k, t in enumerate(shares):
        at = (1 - t) * (surface(0) + string.start_height) + t * (surface(1) + string.end_height)
        at -= 4 * t * (1 - t) * string.sag
        value = at - surface(t)
        readings.append(StringReading(f"O{k}", "", "L1", t * length, value, INCH / 16))
    return tuple(readings)


def added(readings, string=STRING):
    plane, measured = shed_roof(fall=FALL)
    seen = replace(visit(), strings=(string,), readings=readings)
    planes = plane_set(plane, measured)
    return add_string_offsets(NOTHING, plane, planes, seen, plane_frame(plane))


def test_offsets_from_a_string_give_back_the_surface_between_its_ends():
    """On a plane the differences are 0; over a dip of 1/2 in the middle one is -1/2 in."""
    length = 40 * FOOT
    soundings, places, notes = added(offsets_over(lambda t: FALL * t * length, (0.25, 0.5), length))
    np.testing.assert_allclose(soundings.heights, 0.0, atol=1e-4)
    np.testing.assert_allclose(places[:, 1], [10 * FOOT, 20 * FOOT], rtol=1e-3)
    assert notes == ("2 offsets from 1 string were used",)
    dipped, _, _ = added(
        offsets_over(lambda t: FALL * t * length - (t == 0.5) * INCH / 2, (0.25, 0.5), length)
    )
    assert dipped.heights[1] == pytest.approx(-INCH / 2, abs=1e-4)
    # the observation is z(P) less its share of both ends, so that a tilted plane leaves it 0
    tilted = soundings.places @ np.array([0.01, 0.03]) + 7.0
    np.testing.assert_allclose(soundings.observe(tilted), 0.0, atol=1e-9)


def test_errors_of_a_string_are_shared_by_its_offsets():
    """By hand for t = 1/4 and 1/2: end heights 1/16 in each, sag 1/32 in, offsets 1/16 in."""
    soundings, _, _ = added(offsets_over(lambda t: 0.0, (0.25, 0.5), 40 * FOOT))
    end, sag, read = (INCH / 16) ** 2, (INCH / 32) ** 2, (INCH / 16) ** 2
    expected = [
        [read + end * (0.75**2 + 0.25**2) + sag * 0.75**2, end * (0.375 + 0.125) + sag * 0.75],
        [end * (0.375 + 0.125) + sag * 0.75, read + end * 0.5 + sag],
    ]
    np.testing.assert_allclose(soundings.covariance, expected, rtol=5e-3)


def test_an_offset_beyond_the_string_is_named_and_left_out():
    readings = offsets_over(lambda t: 0.0, (0.5, 1.2), 40 * FOOT)
    soundings, places, notes = added(readings)
    assert len(soundings.heights) == len(places) == 1
    assert notes[0].startswith("O1 not used: not between the ends of string 'L1'")


def test_a_step_is_placed_by_tape_or_by_points():
    plane, measured = shed_roof(fall=FALL)
    planes = plane_set(plane, measured)
    steps = (
        StepSpec("porch", along=(0.0, 20 * FOOT), up=(8 * FOOT, 8 * FOOT)),
        StepSpec("porch", "A", "C"),
        StepSpec("porch", "A", "nobody"),
        StepSpec("other", "A", "C"),
    )
    taped, diagonal = step_lines(plane, planes, replace(visit(), steps=steps))
    np.testing.assert_allclose(taped, np.array([[0, 8], [20, 8]]) * FOOT, atol=1e-9)
    np.testing.assert_allclose(diagonal, plane.outline_plane[[0, 2]], atol=1e-6)


@pytest.mark.parametrize(
    ("edge", "along", "at"), [("A-B", None, 10), ("A-B", 4, 4), ("B-A", 4, 16), ("B-A", None, 10)]
)
def test_a_scupper_sits_where_its_edge_says(edge, along, at):
    outlet = OutletSpec(
        "s", OutletKind.SCUPPER, edge=edge, along=None if along is None else along * FOOT, invert=0
    )
    plane, measured = shed_roof(fall=FALL, edges={"AB": dict(kind=EdgeKind.PARAPET)})
    domain = build_domain(plane, plane_set(plane, measured), visit((outlet,)), cell=6 * INCH)
    (found,) = [o for o in domain.outlets if o.name == "s"]
    np.testing.assert_allclose(found.at, [at * FOOT, 0.0], atol=1e-9)
    lifts = domain.lifts(unknown_open=True)
    number = domain.outlets.index(found)
    assert np.isfinite(lifts[domain.way_out == number]).all()
    assert (domain.way_out == number).sum() >= 1


def test_a_curb_traced_in_a_photo_has_its_width_from_there():
    """3 ft across the slope and 2 ft up it, none of it typed."""
    plane, measured = shed_roof(fall=FALL)
    frame = plane_frame(plane)
    corners = np.array([[8, 10], [11, 10], [11, 12], [8, 12]]) * FOOT
    mark = OutlineMark("m", "a.jpg", "unit 1", "penetration", "porch", ((0.0, 0.0),) * 4)
    points = tuple(
        MeasuredPoint(n, frame.origin + u * frame.across + v * frame.upward, np.eye(3) * 1e-8, True)
        for n, (u, v) in zip(outline_points(mark), corners, strict=True)
    )
    planes = plane_set(plane, measured)
    planes = replace(planes, points=(*planes.points, *points))
    told = PenetrationSpec("unit 1", "curb", at="M", saddle=False)
    for seen in (
        replace(visit(), marks=(mark,)),
        replace(visit(penetrations=(told,)), marks=(mark,)),
    ):
        domain = build_domain(plane, planes, seen, cell=6 * INCH)
        (saddle,) = derive_saddles(plane, domain, penetrations_of(seen))
        assert saddle.behind == "unit 1"
        assert saddle.width == pytest.approx(3 * FOOT, rel=1e-3)
