"""The measurement that is named first, really taken: what it brings, and whether others do more."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment import adjust, build_network
from survey.figures import Figure
from survey.planes import derive_planes, find_next_measurements
from survey.visit.model import PointMark, SlopeReading, TapeReading
from survey.visit.reading_rows import SLOPE_SD, TAPE_SD, TAPE_SD_RATIO
from tests.scenes.houses import PORCH, porch_visit
from tests.scenes.making import Scene


def measured(scene: Scene):
    network = build_network(scene.visit, scene.photos, scene.sightings)
    solution = adjust(network)
    return network, solution, derive_planes(solution, scene.visit)


def half_width(planes, figure: str) -> float:
    (plane,) = planes.planes
    if figure == "the pitch of porch":
        found = plane.pitch
    else:
        name = figure.removeprefix("the length of ")
        (found,) = (e.length for e in plane.edges if e.edge.name == name)
    assert isinstance(found, Figure)
    return found.half_width


def taken(scene: Scene, what: str, rng: np.random.Generator) -> Scene:
    """Do what was advised, with the noise that such a reading has."""
    world = scene.world
    readings, marks = list(scene.visit.readings), list(scene.visit.marks)
    if what.startswith("tape "):
        start, end = what.removeprefix("tape ").split(" to ")
        true = world.distance(start, end)
        sd = TAPE_SD + TAPE_SD_RATIO * true
        readings.append(TapeReading("new", "new", start, end, true + sd * rng.normal(), sd))
    elif what.startswith("read the slope"):
        true = float(np.arctan(world.pitch(PORCH.outline)))
        value = true + SLOPE_SD * rng.normal()
        readings.append(SlopeReading("new", "new", "porch", value, SLOPE_SD))
    else:
        point, photo = what.removeprefix("mark '").split("' in ")
        px = scene.cameras[photo].photograph(world.points[point])[0] + rng.normal(0, 1.0, 2)
        marks.append(PointMark("new", photo, point, (float(px[0]), float(px[1])), 1.0))
    return scene.with_visit(readings=tuple(readings), marks=tuple(marks))


def roof(seed: int, **kind: object) -> Scene:
    scene = porch_visit(np.random.default_rng([31, seed]), **kind)  # type: ignore[arg-type]
    corners = {m.point for m in scene.visit.marks if isinstance(m, PointMark)}
    return scene if corners == set(PORCH.outline) else roof(seed + 100, **kind)


@pytest.mark.parametrize("kind", [{"photos": 1}, {"photos": 3}], ids=["one photo", "three photos"])
@pytest.mark.parametrize("seed", range(2))
def test_advised_measurement_brings_about_what_was_foretold(seed, kind):
    scene = roof(seed, **kind)
    network, solution, planes = measured(scene)
    first = find_next_measurements(scene.visit, solution, network.cameras)[0]
    assert first.half_width_now == pytest.approx(half_width(planes, first.figure), rel=0.25)
    after = taken(scene, first.what, np.random.default_rng(seed))
    reached = half_width(measured(after)[2], first.figure)
    assert first.half_width_then == pytest.approx(reached, rel=0.3)
    assert reached < 0.9 * half_width(planes, first.figure)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_no_other_tape_or_level_narrows_that_figure_more(seed):
    """From one photo: every side, both diagonals and a level are really taken, one at a time."""
    scene = roof(seed, photos=1)
    network, solution, _ = measured(scene)
    first = find_next_measurements(scene.visit, solution, network.cameras)[0]
    ring = PORCH.outline
    pairs = [(ring[i], ring[(i + 1) % 4]) for i in range(4)] + [("E1", "H2"), ("E2", "H1")]
    tried = [f"tape {a} to {b}" for a, b in pairs] + ["read the slope of porch"]
    reached = {}
    for what in dict.fromkeys([first.what, *tried]):
        after = taken(scene, what, np.random.default_rng(seed))
        reached[what] = half_width(measured(after)[2], first.figure)
    assert reached[first.what] < 1.15 * min(reached.values()), reached
