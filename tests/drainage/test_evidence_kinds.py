"""Tide lines, digital-level readings and steps: evidence other than a grid of rod readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.adjustment.network_marks import outline_points
from survey.drainage import derive_drainage
from survey.drainage.domain import build_domain, plane_frame
from survey.drainage.evidence import Soundings
from survey.drainage.particles import shapes_at
from survey.drainage.pond_edges import fit_ring
from survey.drainage.sampler import pose_question
from survey.drainage.slope_readings import add_slope_readings
from survey.drainage.tide_lines import TideLine, ring_sd, tide_lines_of
from survey.planes.model import MeasuredPoint
from survey.visit.model import OutlineMark, SlopeReading, Spot
from tests.drainage.roofs import (
    FOOT,
    INCH,
    dished,
    grid_places,
    plane_set,
    read_roof,
    shed_roof,
    visit,
)

FALL = 1 / 48
DISH = (10 * FOOT, 14 * FOOT, 3.5 * FOOT, 1.0 * INCH)


def ring_around(centre, radius, count=10):
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.asarray(centre) + radius * np.column_stack([np.cos(turn), np.sin(turn)])


def true_ring():
    """Edge of the dish's pond: q = 1 - s D / (4 d), shifted down-slope (closed form)."""
    x, y, radius, depth = DISH
    q = 1 - FALL * 2 * radius / (4 * depth)
    return ring_around((x, y - radius * (1 - q)), radius * q), depth * q**2


def judged(*, lines=(), extra=(), places=None, dish=DISH, surfaces=100, **options):
    plane, measured = shed_roof(fall=FALL)
    places = grid_places(spacing=6 * FOOT) if places is None else places
    if len(extra):
        places = np.vstack([places, extra])
    dishes = () if dish is None else (dish,)
    readings, covariance = read_roof(
        dished(FALL, dishes), places, INCH / 32, np.random.default_rng(3), fall=FALL
    )
    planes = plane_set(plane, measured, readings, covariance)
    options.setdefault("tide_lines", lines)
    return derive_drainage(planes, visit(), surfaces=surfaces, **options)[0]


def test_a_ring_shows_a_pond_that_a_6_ft_grid_can_not():
    ring, depth = true_ring()
    without = judged()
    line = TideLine("stain 1", "porch", ring)
    seen = judged(lines=(line,), extra=[ring.mean(axis=0)])
    assert all(s.probability < 0.9 for s in without.low_spots)
    (spot,) = [s for s in seen.low_spots if s.probability > 0.9]
    assert spot.depth.value == pytest.approx(depth, abs=0.08 * INCH)
    low, high = spot.depth_interval
    assert low <= depth <= high
    (fit,) = seen.tide_lines
    assert fit.agrees
    assert fit.level_above.value == pytest.approx(depth, abs=0.1 * INCH)


def test_a_ring_on_a_roof_read_flat_there_is_a_finding():
    """Readings every foot inside the ring show a plane: no water could have stood so."""
    ring, _ = true_ring()
    near = grid_places(8 * FOOT, 8 * FOOT, 1 * FOOT) + np.array([6 * FOOT, 10 * FOOT])
    seen = judged(lines=(TideLine("stain 1", "porch", ring),), extra=near, dish=None)
    assert [f.code for f in seen.findings] == ["tide-line-disagrees"]
    assert not seen.tide_lines[0].agrees


def test_ring_heights_are_less_sure_than_plan_error_times_the_roofs_slope():
    ring, _ = true_ring()
    line = TideLine("stain 1", "porch", ring, 0.1 * FOOT)
    assert ring_sd(line, FALL) > 2 * 0.1 * FOOT * FALL


def question_with_ring(places, sd, line, **options):
    n = len(places)
    heights = dished(FALL, (DISH,))(*places.T)
    soundings = Soundings(places, heights, np.eye(n) * sd**2)
    plane, measured = shed_roof(fall=FALL)
    domain = build_domain(plane, plane_set(plane, measured), visit(), cell=6 * INCH)
    return pose_question(soundings, domain.outline, tide_lines=(line,), **options)[0]


def fit_of(question, dishes):
    """How one ring fits guesses of one dish each, with the readings taken as plane and dish."""
    (ring,) = question.rings
    centre, radius, depth = dishes[:, :2], dishes[:, 2], dishes[:, 3]
    bell = np.zeros(len(dishes), dtype=bool)
    form = shapes_at(question.soundings.places, centre, radius, bell)
    residual = question.soundings.heights + depth[:, None] * form
    bowl = depth[:, None] * shapes_at(ring.places, centre, radius, bell)
    return fit_ring(ring, np.zeros(len(dishes), dtype=int), residual, bowl)


def test_the_level_of_a_ring_is_that_of_the_true_ponds_spill():
    """Level and spill from the closed form: the lowest point of the dish's rim on its plane."""
    ring, _ = true_ring()
    question = question_with_ring(
        grid_places(spacing=2 * FOOT),
        INCH / 64,
        TideLine("t", "porch", ring),
        open_sides=[True, False, False, False],
    )
    fit = fit_of(question, np.array([DISH]))
    spill = FALL * (DISH[1] - DISH[2])
    assert fit.level[0] == pytest.approx(spill, abs=0.03 * INCH)
    assert fit.level_sd[0] < 0.1 * INCH


def test_a_ring_does_not_favour_shallow_dishes():
    """Of the dishes whose full pond is this ring exactly, the ring alone prefers none by itself.

    For a ring of radius r on a fall s they are d = s R^2 / (2 (R - r)), centred R - r up-slope.
    Their walls at the ring differ threefold in slope, so that a density in height rather than in
    place would differ by 3 to the power of ten points.
    """
    ring, _ = true_ring()
    middle, r = ring.mean(axis=0), np.linalg.norm(ring - ring.mean(axis=0), axis=1).mean()
    radius = r * np.array([1.1, 1.2, 1.35, 1.6])
    depth = FALL * radius**2 / (2 * (radius - r))
    dishes = np.column_stack([np.full(4, middle[0]), middle[1] + radius - r, radius, depth])
    far = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 38.0], [0.0, 38.0], [10.0, 38.0], [0.0, 30.0]])
    question = question_with_ring(
        far * FOOT,
        INCH / 64,
        TideLine("t", "porch", ring),
        open_sides=[True, False, False, False],
    )
    assert np.ptp(fit_of(question, dishes).score) < 4.0


def test_a_ring_that_nothing_holds_fits_far_worse_than_one_over_a_dish():
    ring, _ = true_ring()
    question = question_with_ring(
        grid_places(spacing=4 * FOOT), INCH / 16, TideLine("t", "porch", ring)
    )
    dry = np.array(DISH)
    dry[3] = 0.0
    fit = fit_of(question, np.array([DISH, dry]))
    assert fit.score[0] > fit.score[1] + 20


def test_tide_lines_traced_in_photos_are_found_through_the_adjusted_points():
    plane, measured = shed_roof(fall=FALL)
    ring, _ = true_ring()
    mark = OutlineMark(
        "O1", "a.jpg", "stain 1", "tide line", "porch", tuple((0.0, 0.0) for _ in ring)
    )
    frame = plane_frame(plane)
    points = tuple(
        MeasuredPoint(
            name, frame.origin + u * frame.across + v * frame.upward, np.eye(3) * 1e-6, True
        )
        for name, (u, v) in zip(outline_points(mark), ring, strict=True)
    )
    planes = plane_set(plane, measured)
    planes = replace(planes, points=(*planes.points, *points))
    (line,) = tide_lines_of(plane, planes, replace(visit(), marks=(mark,)), frame)
    assert line.name == "stain 1"
    np.testing.assert_allclose(line.outline, ring, atol=1e-9)
    unplaced = replace(planes, points=planes.points[:-1])
    assert tide_lines_of(plane, unplaced, replace(visit(), marks=(mark,)), frame) == ()


def level_readings(surface, spots, sd=0.001):
    """Digital-level readings over 2 ft along the fall."""
    readings = []
    for i, (x, y) in enumerate(spots):
        rise = surface(np.array([x]), np.array([y + FOOT])) - surface(
            np.array([x]), np.array([y - FOOT])
        )
        angle = float(np.arctan(rise[0] / (2 * FOOT)))
        spot = Spot("porch", float(x), float(y * np.sqrt(1 + FALL**2)))
        readings.append(
            SlopeReading(f"S{i}", f"line {i}", "porch", angle, sd, direction="up", spot=spot)
        )
    return tuple(readings)


def test_a_level_reading_is_the_rise_over_the_levels_length():
    plane, measured = shed_roof(fall=FALL)
    planes = plane_set(plane, measured)
    flat = Soundings(np.zeros((0, 2)), np.zeros(0), np.zeros((0, 0)))
    readings = level_readings(lambda x, y: 0.03 * y, [(2.0, 4.0)])
    given = replace(visit(), readings=readings)
    soundings, count = add_slope_readings(flat, plane, planes, given, plane_frame(plane))
    assert count == 1
    assert soundings.heights[0] == pytest.approx(0.03)
    stretch = np.sqrt(1 + FALL**2)
    on_places = soundings.observe(0.03 * soundings.places[:, 1] / stretch)
    assert on_places[0] == pytest.approx(0.03, rel=1e-9)


def test_level_readings_alone_judge_slope_and_see_a_dish():
    plane, measured = shed_roof(fall=FALL)
    planes = plane_set(plane, measured)
    surface = dished(FALL, ((10 * FOOT, 14 * FOOT, 4 * FOOT, 1.25 * INCH),))
    spots = grid_places(18 * FOOT, 36 * FOOT, 2 * FOOT) + np.array([FOOT, 2 * FOOT])
    given = replace(visit(), readings=level_readings(surface, spots))
    (result,) = derive_drainage(planes, given, surfaces=100, minimum_slopes={"porch": 1 / 60})
    best = max(result.low_spots, key=lambda s: s.probability)
    assert best.probability > 0.5
    assert np.linalg.norm(best.deepest - [10 * FOOT, 13 * FOOT]) < 2 * FOOT
    assert 0.01 < result.slope_field.share_under.value < 0.3


def test_a_step_across_a_lap_is_not_a_pond_when_told():
    """A patch 3/8 in thick over the lower half holds water above it; the rest stays a plane."""
    plane, measured = shed_roof(fall=FALL)

    def surface(x, y):
        return FALL * y + np.where(y < 14.9 * FOOT, 0.375 * INCH, 0.0)

    rng = np.random.default_rng(3)
    readings, covariance = read_roof(surface, grid_places(), INCH / 32, rng, fall=FALL)
    planes = plane_set(plane, measured, readings, covariance)
    lap = np.array([[30 * FOOT, 14.9 * FOOT], [-10 * FOOT, 14.9 * FOOT]])
    (told,) = derive_drainage(planes, visit(), surfaces=60, breaks={"porch": (lap,)})
    held = [s for s in told.low_spots if s.probability > 0.5]
    assert len(held) == 1
    assert held[0].depth.value == pytest.approx(0.375 * INCH, abs=0.1 * INCH)
    assert held[0].area.value == pytest.approx(20 * FOOT * 1.5 * FOOT, rel=0.35)
