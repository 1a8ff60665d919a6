"""A start that went astray is found out and put right."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment import build_network
from survey.adjustment.model import CAMERA, Pose
from survey.adjustment.starting import StartFinder
from survey.adjustment.starting_index import Index, Sightline, Site
from survey.adjustment.starting_polish import polish, score
from survey.adjustment.starting_rays import fit_to_rays
from survey.adjustment.starting_repair import (
    FITTING,
    better_start,
    lost_photos,
    misfit,
    repaired,
    unplaced_photos,
)
from survey.photo import read_photos
from survey.target import find_targets
from survey.visit import open_visit
from tests.sample.made import PORCH


@pytest.fixture(scope="module")
def network():
    visit = open_visit(PORCH)
    photos = read_photos(visit)
    sightings, _ = find_targets(visit, photos)
    return build_network(visit, photos, sightings)


def settle(network):
    finder = StartFinder(network)
    start = finder.find()
    return finder, better_start(network, finder, start, polish(network, start.state))[1]


@pytest.mark.parametrize("photo", ["left_side.jpg", "front_left.jpg", "ladder_right.jpg"])
def test_a_photo_carried_away_is_named_and_placed_anew(network, photo):
    finder, settled = settle(network)
    assert misfit(network, settled.state, settled.score) <= FITTING
    camera = settled.state[(CAMERA, photo)]
    assert isinstance(camera, Pose)
    away = Pose(camera.rotation, camera.translation + np.array([1.5, -1.0, 0.6]))
    astray = {**settled.state, (CAMERA, photo): away}
    assert lost_photos(network, astray)[0] == photo
    lost = polish(network, settled.state)
    lost = type(lost)(astray, score(network, astray))
    mended = repaired(network, finder, lost)
    assert mended.score < settled.score + 9.0


@pytest.mark.parametrize("photo", ["right_corner.jpg", "lawn_far.jpg"])
def test_a_photo_left_out_is_placed_once_the_rest_is_settled(network, photo):
    finder, settled = settle(network)
    without = {key: value for key, value in settled.state.items() if key != (CAMERA, photo)}
    assert unplaced_photos(finder, without) == [photo]
    left_out = type(settled)(without, score(network, without))
    assert left_out.score > settled.score + 9.0
    mended = repaired(network, finder, left_out)
    assert mended.score < settled.score + 9.0
    assert unplaced_photos(finder, mended.state) == []


def test_a_start_that_fits_loses_no_photo(network):
    _, settled = settle(network)
    assert lost_photos(network, settled.state) == []


def test_a_levelled_layout_is_placed_by_the_lines_of_sight_to_it():
    rng = np.random.default_rng(3)
    layout = np.array([[0, 0, 0.0], [6, 0, 0], [6, 4, 0.3], [0, 4, 0.3]])
    turn = np.radians(130.0)
    rotation = np.array(
        [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]]
    )
    truth = layout @ rotation.T + np.array([3.0, 12.0, 2.5])
    site = Site()
    site.cameras = {"a": Pose(np.eye(3), np.zeros(3)), "b": Pose(np.eye(3), np.array([5.0, 1, 1]))}
    sightlines = {}
    for name, place in zip("ABCD", truth, strict=True):
        lines = {}
        for photo in ("a", "b"):
            ray = place - site.cameras[photo].translation
            ray = ray / np.linalg.norm(ray) + 0.0005 * rng.standard_normal(3)
            lines[photo] = Sightline(ray / np.linalg.norm(ray), 0.0005)
        sightlines[name] = lines
    index = Index.__new__(Index)
    object.__setattr__(index, "sightlines", sightlines)
    found = fit_to_rays(index, site, list("ABCD"), layout, np.eye(3))
    assert np.abs(found - truth).max() < 0.05
    del sightlines["C"], sightlines["D"]
    assert len(fit_to_rays(index, site, list("AB"), layout[:2], np.eye(3))) == 0
