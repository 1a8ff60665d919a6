"""The measurement that is named first, really taken: what it brings, and whether others do more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.adjustment import adjust, build_network
from survey.figures import Figure
from survey.planes import derive_planes, find_next_measurements
from survey.target.model import Sighting
from survey.visit.model import PointMark, SlopeReading, TapeReading
from survey.visit.reading_rows import SLOPE_SD, TAPE_SD, TAPE_SD_RATIO
from tests.scenes.houses import PORCH, porch_visit
from tests.scenes.making import Scene
from tests.scenes.world import stand


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
    elif what.startswith("take one more photo"):
        return photographed(scene, what, rng)
    else:
        point, photo = what.removeprefix("mark '").split("' in ")
        px = scene.cameras[photo].photograph(world.points[point])[0] + rng.normal(0, 1.0, 2)
        marks.append(PointMark("new", photo, point, (float(px[0]), float(px[1])), 1.0))
    return scene.with_visit(readings=tuple(readings), marks=tuple(marks))


def photographed(scene: Scene, what: str, rng: np.random.Generator) -> Scene:
    """Walk 40 degrees round the roof's middle, take a photo and mark its corners."""
    like = what.split(" than ")[1]
    old = scene.cameras[like]
    middle = np.mean([scene.world.points[name] for name in PORCH.outline], axis=0)
    turn = np.radians(-40.0 if "farther left" in what else 40.0)
    c, s = np.cos(turn), np.sin(turn)
    away = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ (old.position - middle)
    lens = {"focal": old.focal * (1 + 0.001 * rng.normal()), "centre": old.centre, "k1": old.k1}
    camera = stand(middle + away, middle, **lens)
    (photo,) = (p for p in scene.photos if p.name == like)
    marks = list(scene.visit.marks)
    for name in PORCH.outline:
        if camera.shows(scene.world.points[name], margin=0.0):
            px = camera.photograph(scene.world.points[name])[0] + rng.normal(0, 1.0, 2)
            marks.append(
                PointMark(f"new {name}", "new.jpg", name, (float(px[0]), float(px[1])), 1.0)
            )
    seen = list(scene.sightings)
    for name, board in scene.world.boards.items():
        if camera.shows(board.in_site()):
            px = camera.photograph(board.in_site())
            px = px + board.sd_px[:, None] * rng.standard_normal(px.shape)
            seen.append(Sighting("new.jpg", name, board.points, px, board.sd_px, 8.0, 1.5))
    taken_photo = replace(photo, name="new.jpg", sha256="new.jpg")
    more = replace(scene, photos=[*scene.photos, taken_photo], sightings=seen)
    return more.with_visit(marks=tuple(marks))


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


def test_one_more_photo_is_what_a_roof_in_one_photo_wants_most():
    scene = roof(0, photos=1)
    network, solution, _ = measured(scene)
    told = find_next_measurements(scene.visit, solution, network.cameras)
    assert told[0].what.startswith("take one more photo of porch from farther ")
    assert sum(one.what.startswith("take one more photo") for one in told) == 1


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_no_other_tape_or_level_narrows_that_figure_more(seed):
    """From three photos: every side, both diagonals and a level are really taken, one at a time."""
    scene = roof(seed, photos=3)
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
