"""How far a board may lean against the plane it lies on, as the visit tells it."""

from __future__ import annotations

import numpy as np

from survey.adjustment.adjust import adjust
from survey.adjustment.model import TargetOnPlane
from survey.adjustment.network import build_network
from survey.planes import derive_planes
from tests.scenes.houses import porch_visit


def measured(mount: float):
    scene = porch_visit(np.random.default_rng(3), photos=1, mount=mount)
    network = build_network(scene.visit, scene.photos, scene.sightings)
    (laid,) = [each for each in network.observations if isinstance(each, TargetOnPlane)]
    (plane,) = derive_planes(adjust(network), scene.visit).planes
    return laid.tilt_sd, plane.area, scene.world.area(scene.visit.planes[0].outline)


def test_a_board_bedded_true_gives_the_area_three_times_as_well():
    """From one photo at a grazing angle the board's lean is most of what is not known."""
    tilt_sd, area, truth = measured(float(np.radians(0.1)))
    loose_sd, loose_area, loose_truth = measured(float(np.radians(0.5)))
    assert np.isclose(tilt_sd, np.radians(0.1)) and np.isclose(loose_sd, np.radians(0.5))
    assert area.half_width / truth < 0.03 < 0.05 < loose_area.half_width / loose_truth
    assert abs(area.value - truth) < 2 * area.half_width
    assert abs(loose_area.value - loose_truth) < 2 * loose_area.half_width
