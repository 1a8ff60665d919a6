"""Polygons traced in photos, carried onto their plane."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom

from survey.adjustment.adjust import adjust
from survey.adjustment.model import CAMERA, LENS, PLANE, POINT, Network, PlaneParameters, Pose
from survey.adjustment.network import build_network
from survey.figures import Figure, NotObserved
from survey.geometry.cameras import project, to_camera
from survey.photo.model import CameraPrior
from survey.planefile.traced import _area, _pressing_sd, trace_outlines
from survey.visit.model import OutlineMark, PlaneKind, PlaneSpec
from tests.planefile.made import MadeSolution
from tests.rules.made import a_visit
from tests.scenes.houses import front_visit

SQUARE = np.array([[4.0, 0.0, 1.0], [7.0, 0.0, 1.0], [7.0, 0.0, 3.0], [4.0, 0.0, 3.0]])  # 6 m2


def traced_front(seed: int):
    """Trace a square of 6 m2 on a gabled front, each corner 3 px off (1 sd)."""
    rng = np.random.default_rng(seed)
    scene = front_visit(rng, targets=2)
    pressed = scene.cameras["front-1.jpg"].photograph(SQUARE) + 3.0 * rng.standard_normal((4, 2))
    ring = tuple((float(u), float(v)) for u, v in pressed)
    mark = OutlineMark("O1", "front-1.jpg", "crack", "damage", "front", ring)
    visit = scene.with_visit(marks=(*scene.visit.marks, mark)).visit
    network = build_network(visit, scene.photos, scene.sightings)
    (traced,) = trace_outlines(visit, network, adjust(network))
    return traced


@pytest.mark.slow
def test_area_of_a_traced_square_is_held_by_its_interval():
    """Over 40 seeded visits, binomial bound of 99.9 %."""
    held = 0
    for seed in range(40):
        traced = traced_front(seed)
        assert isinstance(traced.area, Figure)
        held += abs(traced.area.value - 6.0) <= traced.area.half_width
        assert traced.area.half_width < 0.6
    assert held >= binom.ppf(0.001, 40, 0.95)


def test_one_traced_square_has_its_outline_area_and_source():
    traced = traced_front(1)
    assert isinstance(traced.area, Figure)
    assert abs(traced.area.value - 6.0) <= 3 * traced.area.half_width
    assert traced.area.observed_by[0] == "O1"
    sides = np.linalg.norm(traced.outline - np.roll(traced.outline, -1, axis=0), axis=1)
    assert np.allclose(sides, [3, 2, 3, 2], rtol=0.05)


PLAN = PlaneSpec("porch", PlaneKind.ROOF, ("A", "B", "C"))
KEYS = ((CAMERA, "a.jpg"), (LENS, "a.jpg"), (PLANE, "porch"), (POINT, "A"), (POINT, "B"))


def from_above(px, spec=PLAN, pose=None):
    """Trace px in a photo taken 5 m above a level plane, focal length 1000 px, centre (500, 400).

    A pixel at (500 + 1000 x / 5, 400 + 1000 y / 5) is x right and y down from the middle: at 200
    pixels a metre, areas and places are worked out on paper. The camera looks down with its x axis
    along the site's and its y axis against the site's y.
    """
    state = {
        KEYS[0]: pose or Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 5.0])),
        KEYS[1]: np.array([1000.0, 500.0, 400.0, 0.0, 0.0]),
        KEYS[2]: PlaneParameters(np.array([0.0, 0.0, 1.0]), 0.0),
        KEYS[3]: np.array([-1.0, -1.0, 0.0]),
        KEYS[4]: np.array([1.0, -1.0, 0.0]),
    }
    prior = CameraPrior((1000, 800), 1000.0, 10.0, (500.0, 400.0), 5.0)
    mark = OutlineMark("O1", "a.jpg", "hail", "damage", "porch", px)
    visit = a_visit(planes=(spec,), marks=(mark,))
    solution = MadeSolution(state=state)
    (traced,) = trace_outlines(visit, Network(cameras={"a.jpg": prior}), solution)
    return traced, state


def test_outline_from_straight_above_is_where_paper_says():
    """A square of 100 px from the middle: 0.5 m, its corner 1 m along and 1 m up from A."""
    traced, state = from_above(((500.0, 400.0), (600.0, 400.0), (600.0, 300.0), (500.0, 300.0)))
    assert np.allclose(traced.outline, [[1, 1], [1.5, 1], [1.5, 1.5], [1, 1.5]], atol=1e-9)
    assert math.isclose(traced.area.value, 0.25, abs_tol=1e-9)
    pose = state[KEYS[0]]
    corner = to_camera(np.array([[0.5, 0.5, 0.0]]), pose.rotation, pose.translation)
    assert np.allclose(project(corner, state[KEYS[1]], np.zeros(3)), [[600, 300]])


def test_pressing_of_a_square_spreads_its_area_as_paper_says():
    """Square of side s, each coordinate sd e: area sd = s e sqrt 2 (each of 8 gives s e / 2)."""
    side, sd = 100.0, 3.0
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]])
    spread = _pressing_sd(lambda px: _area(np.column_stack([px, np.ones(4)])), square, sd)
    assert math.isclose(spread, side * sd * math.sqrt(2), rel_tol=1e-9)


def test_plane_without_a_place_for_its_first_edge_still_gives_the_area():
    spec = PlaneSpec("porch", PlaneKind.ROOF, ("X", "Y", "A"))
    traced, _ = from_above(((500.0, 400.0), (600.0, 400.0), (600.0, 300.0), (500.0, 300.0)), spec)
    assert traced.outline is None
    assert math.isclose(traced.area.value, 0.25, abs_tol=1e-9)


def test_line_of_sight_that_misses_the_plane_has_no_area():
    level = Pose(np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]).T, np.array([0.0, -5.0, 1.6]))
    traced, _ = from_above(((500.0, 500.0), (600.0, 500.0), (600.0, 300.0)), pose=level)
    assert isinstance(traced.area, NotObserved)
    assert "does not meet the plane" in traced.area.why


def test_plane_or_photo_without_a_place_gives_no_outline():
    elsewhere = PlaneSpec("elsewhere", PlaneKind.ROOF, ("A", "B", "C"))
    traced, _ = from_above(((500.0, 400.0), (600.0, 400.0), (600.0, 300.0)), elsewhere)
    assert traced.outline is None
    assert "has no place" in traced.area.why
