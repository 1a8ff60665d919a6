"""What one more reading would help, against really adding it."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.model import (
    CAMERA,
    LENS,
    LENS_MEAN,
    PLANE,
    POINT,
    SETUP,
    Network,
    PointInPhoto,
    Prior,
    RodHeight,
    SlopeOfPlane,
    TapeLength,
    TargetMount,
)
from survey.adjustment.next_best import Candidate, predicted_sds
from survey.adjustment.solver import solve
from tests.adjustment.scene import photograph, porch

CORNERS = [(POINT, f"P{i}") for i in range(4)]
PORCH = (PLANE, "porch")


def eave(state):
    return np.array([np.linalg.norm(state[CORNERS[0]] - state[CORNERS[1]])])


def pitch(state):
    normal = state[PORCH].normal
    return np.array([np.hypot(normal[0], normal[1]) / normal[2]])


FIGURES = [(eave, CORNERS[:2]), (pitch, [PORCH])]


def really_added(scene, state, candidate):
    """Adjust again, from the same state, with the candidate among the observations."""
    network = Network(
        observations=[*scene.network.observations, *candidate.observations],
        cameras={**scene.network.cameras, **candidate.cameras},
    )
    solution = solve(network, {**state, **candidate.state}, robust=False, variance_components=False)
    return [np.sqrt(solution.propagate(f, keys)[1][0, 0]) for f, keys in FIGURES]


@pytest.fixture(scope="module")
def visit():
    rng = np.random.default_rng(3)
    scene = porch(rng, photos=2, points=6, targets=1)
    start = scene.start(rng)
    return scene, solve(scene.network, start, robust=False, variance_components=False)


def candidates(scene, solution):
    """Readings with the values the adjusted state predicts, so that adding them moves nothing."""
    state = solution.state
    length = float(np.linalg.norm(state[CORNERS[0]] - state[CORNERS[2]]))
    normal = state[PORCH].normal
    fall = float(np.arctan2(np.hypot(normal[0], normal[1]), normal[2]))
    tape = Candidate(
        "tape from P0 to P2",
        (TapeLength(id="new tape", start="P0", end="P2", value=length, sd=0.005),),
    )
    level = Candidate(
        "level reading on porch",
        (SlopeOfPlane(id="new level", plane="porch", value=fall, sd=0.001),),
    )
    rods = Candidate(
        "rod on all four corners",
        tuple(
            RodHeight(
                id=f"new rod {k}",
                setup="new",
                point=key[1],
                value=float(5.0 - state[key][2]),
                sd=0.0016,
            )
            for k, key in enumerate(CORNERS)
        ),
        state={(SETUP, "new"): np.array([5.0])},
    )
    return [tape, level, rods, _one_more_photo(scene, state)]


def _one_more_photo(scene, state):
    further = {
        **state,
        (CAMERA, "IMG_9"): scene.truth[(CAMERA, "IMG_0")],
        (LENS, "IMG_9"): state[(LENS, "IMG_0")],
    }
    px, _ = photograph(further, "IMG_9", np.array([state[(POINT, f"P{k}")] for k in range(6)]))
    marks = [
        PointInPhoto(
            id=f"new {k}", photo="IMG_9", point=f"P{k}", px=(float(u), float(v)), sd_px=1.5
        )
        for k, (u, v) in enumerate(px)
    ]
    lens = Prior(
        id="new lens",
        key=(LENS, "IMG_9"),
        mean=further[(LENS, "IMG_9")] - state[(LENS_MEAN, "phone")],
        sd=np.array([3.0, 3.0, 3.0, 0.002, 0.001]),
        mean_of=(LENS_MEAN, "phone"),
    )
    return Candidate(
        "one more photo",
        (*marks, lens),
        state={key: further[key] for key in ((CAMERA, "IMG_9"), (LENS, "IMG_9"))},
        cameras={"IMG_9": scene.network.cameras["IMG_0"]},
    )


@pytest.mark.parametrize("which", range(4), ids=["tape", "level", "rods", "photo"])
def test_predicted_sds_are_those_of_really_adding_the_reading(visit, which):
    scene, solution = visit
    candidate = candidates(scene, solution)[which]
    predicted = predicted_sds(solution, [candidate], FIGURES)
    now = [np.sqrt(solution.propagate(f, keys)[1][0, 0]) for f, keys in FIGURES]
    np.testing.assert_allclose(predicted[0], now, rtol=1e-6)
    np.testing.assert_allclose(
        predicted[1], really_added(scene, solution.state, candidate), rtol=1e-3
    )
    assert np.all(predicted[1] <= predicted[0] * (1 + 1e-9))


def test_the_tape_helps_the_length_most_and_the_level_or_rods_the_pitch(visit):
    predicted = predicted_sds(visit[1], candidates(*visit), FIGURES)[1:]
    assert np.argmin(predicted[:, 0]) == 0
    assert np.argmin(predicted[:, 1]) in (1, 2)


def test_a_reading_that_makes_a_figure_estimable_gets_its_finite_sd():
    rng = np.random.default_rng(4)
    scene = porch(rng, photos=2, points=6, targets=1)
    observations = [o for o in scene.network.observations if not isinstance(o, TargetMount)]
    solution = solve(
        Network(observations=observations, cameras=scene.network.cameras),
        scene.start(rng),
        robust=False,
        variance_components=False,
    )
    predicted = predicted_sds(solution, candidates(scene, solution), FIGURES)
    assert np.isinf(predicted[0, 1])
    assert np.isinf(predicted[1, 1])  # a tape says nothing of gravity
    assert np.isfinite(predicted[3, 1])  # four rods do
    assert np.isinf(predicted[4, 1])  # one more photo does not
    assert np.all(np.isfinite(predicted[:, 0]))
