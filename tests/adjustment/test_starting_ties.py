"""A loose piece is put where all that ties it to the rest agrees, not where a corner leaves it."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from survey.adjustment.model import PlaneParameters, Pose
from survey.adjustment.starting_index import Index, Sightline, Site
from survey.adjustment.starting_ties import joined_by_ties

# Corners of a house and its porch, metres; a photo from a ladder sees A, B and C, and a board that
# lies on the porch; only A's distance is known from that photo alone.
PLACES = {
    "A": np.array([0.0, 0.0, 2.6]),
    "B": np.array([6.0, 2.8, 2.7]),
    "C": np.array([2.5, 2.8, 0.1]),
    "D": np.array([8.0, 2.8, 4.8]),
}
FALL = np.array([0.0, -0.04, 1.0]) / np.hypot(0.04, 1.0)
CAMERA = Pose(
    np.array([[1.0, 0.0, 0.0], [0.0, -0.3, -0.9539392], [0.0, 0.9539392, -0.3]]).T,
    np.array([3.0, -3.0, 4.0]),
)


def whole() -> Site:
    site = Site(points=dict(PLACES), up=np.array([0.0, 0.0, 1.0]))
    site.planes = {"porch": PlaneParameters(FALL, -float(FALL @ PLACES["A"]))}
    return site


def loose(rng: np.random.Generator) -> tuple[Site, Site]:
    """The piece as it truly lies, and the same in a frame of its own whose up is 12 degrees out."""
    truth = Site(points={"A": PLACES["A"]})
    truth.cameras = {"ladder": CAMERA}
    truth.planes = {"porch": whole().planes["porch"]}
    turn = Rotation.from_euler("zxy", [140.0, 8.0, -9.0], degrees=True).as_matrix()
    piece = truth.moved(turn, rng.normal(0, 5, 3))
    piece.up = np.array([0.0, 0.0, 1.0])
    piece.points["A"] = piece.points["A"] + rng.normal(0, 0.01, 3)
    return truth, piece


def index_of(seen: dict[str, np.ndarray], rng: np.random.Generator) -> Index:
    lines = {}
    for name, place in seen.items():
        ray = CAMERA.rotation.T @ (place - CAMERA.translation)
        ray = ray / ray[2] + np.array([*rng.normal(0, 0.001, 2), 0.0])
        lines[name] = {"ladder": Sightline(ray / np.linalg.norm(ray), 0.0005)}
    index = Index.__new__(Index)
    index.sightlines = lines
    index.kinds = defaultdict(list)
    return index


def departure(found: Site, truth: Site) -> tuple[float, float]:
    """How far the photo's place is off, metres, and its turn, degrees."""
    here, there = found.cameras["ladder"], truth.cameras["ladder"]
    turn = Rotation.from_matrix(here.rotation @ there.rotation.T).magnitude()
    return float(np.linalg.norm(here.translation - there.translation)), float(np.degrees(turn))


@pytest.mark.parametrize("seed", range(4))
def test_lines_of_sight_and_a_common_plane_place_a_piece_that_shares_one_corner(seed):
    rng = np.random.default_rng(seed)
    truth, piece = loose(rng)
    index = index_of({name: PLACES[name] for name in "ABCD"}, rng)
    found = joined_by_ties(index, piece, whole())
    assert found is not None
    away, turned = departure(found, truth)
    assert away < 0.1
    assert turned < 2.0


def test_one_wrong_mark_does_not_lead_the_piece_astray():
    rng = np.random.default_rng(11)
    truth, piece = loose(rng)
    seen = {name: PLACES[name] for name in "ABC"}
    seen["D"] = PLACES["D"] + np.array([0.0, 0.0, -1.5])
    found = joined_by_ties(index_of(seen, rng), piece, whole())
    assert found is not None
    away, turned = departure(found, truth)
    assert away < 0.2
    assert turned < 4.0


def test_one_shared_corner_alone_places_nothing():
    rng = np.random.default_rng(5)
    _, piece = loose(rng)
    piece.planes = {}
    assert joined_by_ties(index_of({}, rng), piece, whole()) is None


def test_a_piece_that_fits_nowhere_is_left():
    rng = np.random.default_rng(6)
    _, piece = loose(rng)
    seen = dict(zip("ABCD", rng.uniform(0, 6, (4, 3)), strict=True))
    assert joined_by_ties(index_of(seen, rng), piece, whole()) is None
