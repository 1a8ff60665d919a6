"""The interval of a pitch: far from level, near it, and where one direction is known far better."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.adjust import adjust
from survey.adjustment.network import build_network
from survey.figures import Figure
from survey.planes import derive_planes
from survey.planes.pitch import pitch_interval
from tests.scenes.houses import arc, front_visit, porch_visit


@pytest.mark.parametrize("azimuth", np.radians([0.0, 17.13, 90.0, 201.4]))
@pytest.mark.parametrize("across", [1.0, 30.0])
def test_far_from_level_the_interval_is_196_sds_along_the_fall(azimuth, across):
    """On paper: one direction counts, so the half-width is 1.96 sd whatever the azimuth."""
    along = np.array([np.cos(azimuth), np.sin(azimuth)])
    side = np.array([-along[1], along[0]])
    sd = 0.0005
    covariance = sd**2 * (np.outer(along, along) + across**2 * np.outer(side, side))
    value, low, high = pitch_interval(0.167 * along, covariance)
    assert value == pytest.approx(0.167)
    assert value - low == pytest.approx(1.96 * sd, rel=1e-3)
    # Across, the rim of the ellipse bends away from level and lengthens a little.
    assert 1.95 * sd < high - value < 1.96 * sd + 0.5 * (2 * across * sd) ** 2 / 0.167


def test_a_precisely_known_fall_has_no_interval_of_nothing():
    """A steep roof known to 0.03 % of its fall in every direction of the compass."""
    for azimuth in np.linspace(0.0, 2 * np.pi, 97):
        gradient = 0.5 * np.array([np.cos(azimuth), np.sin(azimuth)])
        value, low, high = pitch_interval(gradient, 1.5e-4**2 * np.eye(2))
        assert high - value == pytest.approx(1.96 * 1.5e-4, rel=1e-3)
        assert value - low == pytest.approx(1.96 * 1.5e-4, rel=1e-3)


def test_near_level_the_interval_starts_at_level():
    _, low, high = pitch_interval(np.array([0.001, 0.0]), 0.001**2 * np.eye(2))
    assert low == 0.0
    assert high > 0.001 + 1.96 * 0.001


@pytest.mark.parametrize("true", [0.0, 1.0, 2.0, 6.0])
def test_near_level_the_interval_holds_the_pitch_as_often_as_it_says(true):
    """600 draws a case; falls of 0 to 6 sds. Chance alone gives 95 % within 2.9 % (99.9 %)."""
    rng = np.random.default_rng(4)
    held = 0
    for noise in rng.standard_normal((600, 2)):
        gradient = np.array([true, 0.0]) + noise
        _, low, high = pitch_interval(gradient, np.eye(2))
        held += low <= true <= high
    assert 0.92 < held / 600 < 0.985


@pytest.mark.parametrize("seed", range(4))
def test_every_pitch_has_an_interval_and_says_what_it_stands_on(seed):
    scene = porch_visit(np.random.default_rng(seed), photos=3, rods=True)
    solution = adjust(build_network(scene.visit, scene.photos, scene.sightings))
    (plane,) = derive_planes(solution, scene.visit).planes
    for figure in (plane.pitch, plane.fall_azimuth):
        assert isinstance(figure, Figure)
        assert figure.observed_by
    assert plane.pitch.half_width >= 1.95 * plane.pitch.sd
    assert any(source.startswith("rod") for source in plane.pitch.observed_by)


def test_a_wall_has_no_pitch():
    scene = front_visit(np.random.default_rng(1), stands=arc(2))
    solution = adjust(build_network(scene.visit, scene.photos, scene.sightings))
    (plane,) = derive_planes(solution, scene.visit).planes
    assert not isinstance(plane.pitch, Figure)
