"""Pieces of a site are joined by all that ties them, and hard visits never start wrong."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment import build_network
from survey.adjustment.starting import StartFinder
from survey.adjustment.starting_growth import Branches
from survey.adjustment.starting_joins import align
from survey.adjustment.starting_poses import angle_between, three_point_poses
from survey.geometry import rotation_from_vector
from tests.scenes.far_and_near import KINDS, corner_house, front_and_side, judge_draw


def pieces_of(scene):
    network = build_network(scene.visit, scene.photos, scene.sightings)
    finder = StartFinder(network)
    return finder.index, [piece.site for piece in finder._pieces(Branches())]


def true_move(scene, piece, whole):
    """The move that carries a piece onto the whole, by the true stands of a photo of each."""
    moves = []
    for site in (piece, whole):
        photo, camera = next(iter(site.cameras.items()))
        true = scene.cameras[photo]
        rotation = true.axes @ camera.rotation.T
        moves.append((rotation, true.position - rotation @ camera.translation))
    (r_piece, t_piece), (r_whole, t_whole) = moves
    return r_whole.T @ r_piece, r_whole.T @ (t_piece - t_whole)


@pytest.mark.parametrize("seed", range(4))
def test_front_and_side_are_joined_by_a_corner_and_a_peak(seed):
    scene = front_and_side(np.random.default_rng([11, seed]), also=("P",))
    index, (whole, piece) = pieces_of(scene)
    move = align(index, piece, whole)[0]
    rotation, shift = true_move(scene, piece, whole)
    assert angle_between(move.rotation, rotation) < 0.05
    corner = piece.points["B"]
    gap = (move.rotation - rotation) @ corner + move.translation - shift
    assert np.linalg.norm(gap) < 0.3


def test_a_plumb_corner_alone_leaves_the_turn_between_two_walls_open():
    index, (whole, piece) = pieces_of(front_and_side(np.random.default_rng(5)))
    assert align(index, piece, whole) == []


def test_three_point_poses_hold_the_true_one():
    rng = np.random.default_rng(8)
    points = rng.uniform(-2, 2, (5, 3))
    rotation, shift = rotation_from_vector(np.array([0.2, -0.4, 0.1])), np.array([0.3, -0.2, 8.0])
    seen = points @ rotation.T + shift
    poses = three_point_poses(points, seen[:, :2] / seen[:, 2:])
    assert min(angle_between(pose.rotation, rotation) for pose in poses) < 1e-4
    line = np.outer(np.arange(4.0), np.ones(3))
    assert three_point_poses(line, np.zeros((4, 2))) == []


def test_the_corner_house_is_as_large_as_said():
    world = corner_house(np.random.default_rng(1)).world
    assert world.distance("A", "B") == pytest.approx(12.0, abs=0.05)
    assert world.distance("B", "C") == pytest.approx(9.0, abs=0.05)


@pytest.mark.parametrize("kind", list(KINDS)[:4])
def test_a_hard_visit_is_right_or_refused(kind):
    outcome = judge_draw(KINDS[kind](np.random.default_rng([77, list(KINDS).index(kind), 0])))
    assert outcome.verdict != "wrong"


@pytest.mark.slow
@pytest.mark.parametrize("kind", list(KINDS))
def test_no_draw_of_a_hard_visit_is_wrong_without_a_word(kind):
    for draw in range(5):
        rng = np.random.default_rng([77, list(KINDS).index(kind), draw])
        outcome = judge_draw(KINDS[kind](rng))
        assert outcome.verdict != "wrong" or outcome.told, (draw, outcome)
