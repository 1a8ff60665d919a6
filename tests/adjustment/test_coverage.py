"""Do the 95 % intervals hold the truth as often as they say?"""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.model import PLANE, POINT
from survey.adjustment.solver import solve
from survey.geometry import polygon_area_vector
from tests.adjustment.scene import porch

CORNERS = [(POINT, f"P{i}") for i in range(4)]
PORCH = (PLANE, "porch")
VISITS = 200
LEAST, MOST = 179, 198  # binomial, two-sided 99.9 %


def figures(state):
    """Eave length, pitch as rise over run, area; of the truth, what the corners really span."""
    corners = np.array([state[key] for key in CORNERS])
    normal = state[PORCH].normal
    return np.array(
        [
            np.linalg.norm(corners[1] - corners[0]),
            np.hypot(*normal[:2]) / normal[2],
            np.linalg.norm(polygon_area_vector(corners)),
        ]
    )


def held(first_seed, **kind):
    """In how many visits each figure's interval holds the truth."""
    inside = np.zeros(3, dtype=int)
    for seed in range(VISITS):
        rng = np.random.default_rng(first_seed + seed)
        scene = porch(rng, **kind)
        solution = solve(scene.network, scene.start(rng))
        derived = solution.derive(figures, [*CORNERS, PORCH])
        off = np.abs(derived.value - figures(scene.truth))
        inside += off <= derived.coverage_factor * derived.sd
    return inside


@pytest.mark.slow
@pytest.mark.parametrize(
    ("first_seed", "kind"),
    [
        (10_000, {"photos": 2, "points": 6, "targets": 1}),
        (20_000, {"photos": 3, "points": 8, "targets": 1, "tapes": 1, "rods": 4}),
        (30_000, {"photos": 3, "points": 6, "targets": 2, "slopes": 1}),
    ],
    ids=["two photos", "three photos, tape and rods", "two targets and a level"],
)
def test_intervals_hold_the_truth_as_often_as_they_say(first_seed, kind):
    inside = held(first_seed, **kind)
    assert np.all((inside >= LEAST) & (inside <= MOST)), inside


@pytest.mark.slow
def test_intervals_follow_a_hand_that_marks_twice_as_roughly():
    """All noise twice what is stated: the intervals widen by themselves, and still hold."""
    inside = held(40_000, photos=3, points=10, targets=1, tapes=2, rods=4, noise=2.0)
    assert np.all(inside >= LEAST), inside
