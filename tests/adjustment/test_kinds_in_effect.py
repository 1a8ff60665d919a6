"""Every kind of observation reaches the adjustment from a visit and sharpens what it is about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.adjustment.adjust import adjust
from survey.adjustment.model import POINT, EdgeAngle, SameElevation
from survey.adjustment.network import build_network
from survey.figures import Figure, NotObserved
from survey.planes import derive_planes
from survey.visit.model import Edge, EdgeKind, PlaneKind, PlaneSpec, PointMark
from tests.scenes.houses import (
    DEPARTURE,
    FLATNESS,
    FRONT,
    FRONT_EDGES,
    SQUARE_10,
    WALL_AXES,
    Fault,
    Stand,
    arc,
    deck_visit,
    front_visit,
    hung,
    porch_visit,
    take,
)
from tests.scenes.making import Scene, VisitMaker
from tests.scenes.world import TrueBoard, World, frame_board
from tests.studies.accuracy_rows import all_in_the_picture


def solved(scene: Scene):
    return adjust(build_network(scene.visit, scene.photos, scene.sightings))


def distance(a: str, b: str):
    return lambda state: np.array([np.linalg.norm(state[(POINT, b)] - state[(POINT, a)])])


def length(solution, a: str, b: str) -> tuple[float, float]:
    derived = solution.derive(distance(a, b), [(POINT, a), (POINT, b)])
    return float(derived.value[0]), float(derived.sd[0])


# --- edges whose ends are hidden ---------------------------------------------------------------


def without_point(scene: Scene, point: str, *photos: str) -> Scene:
    """A bush hides a corner in some photos (all, if none is named)."""
    marks = tuple(
        m
        for m in scene.visit.marks
        if not (isinstance(m, PointMark) and m.point == point and (not photos or m.photo in photos))
    )
    return scene.with_visit(marks=marks)


def test_two_stretches_of_edges_fix_a_corner_that_no_photo_shows():
    """The ridge end P is hidden everywhere; stretches of both rakes meet in it."""
    rng = np.random.default_rng(5)
    scene = front_visit(rng, stands=arc(3))
    hidden = without_point(scene, "P")
    maker = VisitMaker(scene.world, rng)
    maker.cameras = dict(scene.cameras)
    for photo in scene.cameras:
        maker.mark_edge(photo, "A", "P", (0.1, 0.6))
        maker.mark_edge(photo, "B", "P", (0.2, 0.7))
    seen = hidden.with_visit(marks=(*hidden.visit.marks, *maker.marks))
    value, sd = length(solved(seen), "A", "P")
    assert abs(value - scene.world.distance("A", "P")) < 3.5 * sd
    assert sd < 0.03
    nothing = derive_planes(solved(hidden), hidden.visit)
    (rake,) = (e.length for p in nothing.planes for e in p.edges if e.edge.name == "left rake")
    assert isinstance(rake, NotObserved)


def test_stretches_of_an_edge_sharpen_what_its_ends_give():
    scene = front_visit(np.random.default_rng(6), stands=arc(2))
    maker = VisitMaker(scene.world, np.random.default_rng(7))
    maker.cameras = dict(scene.cameras)
    for photo in scene.cameras:
        for share in ((0.1, 0.5), (0.5, 0.9), (0.2, 0.8)):
            maker.mark_edge(photo, "A", "P", share)
    more = scene.with_visit(marks=(*scene.visit.marks, *maker.marks))

    def rise(state):
        step = state[(POINT, "P")] - state[(POINT, "A")]
        return np.array([step[2] / np.hypot(step[0], step[1])])

    keys = [(POINT, "A"), (POINT, "P")]
    plain, sharper = (solved(s).derive(rise, keys).sd[0] for s in (scene, more))
    assert sharper < 0.97 * plain


# --- square and parallel, off unless asked ------------------------------------------------------


def with_edges(scene: Scene, **told: str) -> Scene:
    edges = tuple(replace(e, **told) if e.name == "porch eave" else e for e in scene.visit.edges)
    return scene.with_visit(edges=edges)


def test_no_edge_is_presumed_square_or_parallel():
    scene = porch_visit(np.random.default_rng(8), photos=2)
    network = build_network(scene.visit, scene.photos, scene.sightings)
    assert not any(isinstance(o, EdgeAngle) for o in network.observations)


def test_a_square_corner_that_was_declared_braces_taped_sides():
    """Four taped sides are a hinge, their diagonal next to free; a corner said square fixes it."""
    scene = deck_visit(np.random.default_rng(9), diagonals=False, grid=False)
    assert length(solved(scene), "E1", "H2")[1] > 0.5
    braced = solved(with_edges(scene, square_to="E2-H2"))
    value, sd = length(braced, "E1", "H2")
    assert 0.01 < sd < 0.08  # 10 mm per m over a side of 3.7 m
    assert abs(value - scene.world.distance("E1", "H2")) < 3.5 * sd


def test_parallel_sides_that_were_declared_sharpen_one_photo():
    scene = porch_visit(np.random.default_rng(10), photos=1)
    told = with_edges(scene, parallel_to="porch head")
    plain, sharper = (length(solved(s), "E2", "H2")[1] for s in (scene, told))
    assert sharper < 0.97 * plain


def test_a_corner_declared_square_that_is_not_is_named():
    scene = deck_visit(np.random.default_rng(11), grid=False)
    # Half a metre out of square, as taped.
    world = scene.world
    for name in ("H1", "H2"):
        world.points[name] = world.points[name] + np.array([0.5, 0.0, 0.0])
    maker = VisitMaker(world, np.random.default_rng(12))
    pairs = (("E1", "E2"), ("E2", "H2"), ("H2", "H1"), ("H1", "E1"), ("E1", "H2"), ("E2", "H1"))
    for a, b in (*pairs, *pairs):
        maker.tape(a, b)
    maker.readings = [
        replace(r, id=f"{r.id} {i}", where=f"{r.where} {i}") for i, r in enumerate(maker.readings)
    ]
    rods = [r for r in scene.visit.readings if not hasattr(r, "start")]
    wrong = with_edges(scene.with_visit(readings=(*rods, *maker.readings)), square_to="E2-H2")
    said = [f for f in solved(wrong).findings if "square to" in f.where]
    assert said and "does not hold" in said[0].what


# --- tide lines -------------------------------------------------------------------------------


def test_a_tide_line_is_one_elevation_and_gives_gravity_to_a_roof_without_any():
    """Three photos of a roof whose board tells nothing of plumb: a stain ring tells what is level.

    The ring is the trace of one elevation on the roof, a level line along the eave; with the roof's
    own plane it fixes one of both tilts, so the eave's slope becomes known and the pitch does not.
    """
    rng = np.random.default_rng(13)
    scene = porch_visit(rng, photos=3, plumb=False)
    ring = np.array([[1.0, -2.5, 0], [2.5, -2.5, 0], [4.0, -2.5, 0], [5.0, -2.5, 0]])
    e1, e2, h1 = (scene.world.points[n] for n in ("E1", "E2", "H1"))
    normal = np.cross(e2 - e1, h1 - e1)
    for point in ring:  # where the plane has that elevation
        point[2] = e1[2] + 0.25
        point[1] = e1[1] - (normal[0] * (point[0] - e1[0]) + normal[2] * 0.25) / normal[1]
    maker = VisitMaker(scene.world, rng)
    maker.cameras = dict(scene.cameras)
    for photo in scene.cameras:
        maker.trace(photo, "ring", "tide line", "porch", ring)
    told = scene.with_visit(marks=(*scene.visit.marks, *maker.marks))
    network = build_network(told.visit, told.photos, told.sightings)
    assert sum(isinstance(o, SameElevation) for o in network.observations) == 12
    solution = adjust(network)
    keys = [(POINT, "E1"), (POINT, "E2")]

    def fall(state):
        return np.array([state[(POINT, "E2")][2] - state[(POINT, "E1")][2]])

    assert not solved(scene).is_estimable(fall, keys)
    derived = solution.derive(fall, keys)
    true = float(e2[2] - e1[2])
    assert abs(derived.value[0] - true) < 3.5 * derived.sd[0]
    assert derived.sd[0] < 0.08


# --- targets that were moved, photos without any -------------------------------------------------


@pytest.mark.parametrize("seed", [0, *(pytest.param(i, marks=pytest.mark.slow) for i in (1, 2))])
def test_a_target_moved_between_photos_is_named_and_bends_nothing(seed):
    scene = front_visit(
        np.random.default_rng([14, seed]), stands=arc(4), targets=2, fault=Fault(moved=0.3)
    )
    solution = solved(scene)
    assert any(f.code == "target-moved" and "T1" in f.where for f in solution.findings)
    value, sd = length(solution, "A", "B")
    assert abs(value - scene.world.distance("A", "B")) < 3.5 * sd


@pytest.mark.parametrize("seed", [0, *(pytest.param(i, marks=pytest.mark.slow) for i in (1, 2))])
def test_a_photo_without_targets_joins_through_the_corners_it_shares(seed):
    """Two photos show the board, two only the house: all four are used, and they sharpen it."""
    scene = front_visit(np.random.default_rng([15, seed]), stands=arc(4, radius=13.0))
    blind = {"front-2.jpg", "front-4.jpg"}
    some = replace(scene, sightings=[s for s in scene.sightings if s.photo not in blind])
    joined = solved(some)
    assert all(("camera", photo.name) in joined.state for photo in some.photos)
    fewer = some.with_visit(marks=tuple(m for m in some.visit.marks if m.photo not in blind))
    value, sd = length(joined, "A", "B")
    assert abs(value - scene.world.distance("A", "B")) < 3.5 * sd
    assert sd < length(solved(fewer), "A", "B")[1]


# --- from the ground ----------------------------------------------------------------------------


def two_elevations(rng: np.random.Generator, *, targets: tuple[str, ...] = ("front", "side")):
    """The front (y = 0) and the right side (x = 12) of a house, one corner in common."""
    world = World()
    at = {"G1": (0, 0, 0.3), "G2": (12, 0, 0.3), "A": (0, 0, 2.7), "B": (12, 0, 2.7)}
    at |= {"P": (6, 0, 4.7), "G3": (12, 8, 0.3), "C": (12, 8, 2.7)}
    for name, place in at.items():
        off = FLATNESS * rng.standard_normal(3) * [0.5, 1, 0]
        world.points[name] = np.array(place, float) + off
    maker = VisitMaker(world, rng)
    side_axes = np.array([[0.0, 1, 0], [0, 0, 1], [1, 0, 0]]).T
    points, sd_px = frame_board(0.4)
    for name, centre, axes in (
        ("front", (10.0, 0.0, 1.6), WALL_AXES),
        ("side", (12.0, 2.0, 1.6), side_axes),
    ):
        if name in targets:
            board = TrueBoard(points, sd_px, 0.4, np.array(centre), hung(axes, rng))
            maker.put_up(f"T {name}", board, plane=name, plumb=True, level=True)
    stands = {
        "front.jpg": Stand((6, -11, 1.6), (6, 0, 2.4)),
        "corner.jpg": Stand((21, -10, 1.6), (10.5, 1.5, 2.2)),
        "corner2.jpg": Stand((18, -13, 1.6), (9.5, 1.5, 2.2)),
        "side.jpg": Stand((22, 4, 1.6), (12, 4, 2.2)),
    }
    for photo, place in stands.items():
        take(maker, photo, place)
        shown = {"front.jpg": ("G1", "G2", "A", "B", "P"), "side.jpg": ("G2", "G3", "B", "C")}
        names = shown.get(photo, ("G1", "A", "P", "G2", "B", "G3", "C"))
        maker.mark_points(photo, names)
        for a, b in (("G2", "B"), ("G1", "A"), ("G3", "C")):
            if a in names:
                lean = world.points[a] + (world.points[b] - world.points[a]) * 0.9
                lean[:2] += 2.0 * DEPARTURE * rng.standard_normal(2)
                maker.mark_gravity(photo, "plumb", (world.points[a], lean), None, a)
    side = PlaneSpec("side", PlaneKind.WALL, ("G2", "G3", "C", "B"))
    flush = dict(offset=0.0, offset_sd=FLATNESS)
    edges = (
        Edge("front eave", "A", "B", EdgeKind.EAVE, offset_from="front", **flush),
        Edge("rake", "A", "P", EdgeKind.RAKE, offset_from="front", **flush),
        Edge("side eave", "B", "C", EdgeKind.EAVE, offset_from="side", **flush),
    )
    return maker.finish([FRONT, side], edges)


def test_front_and_side_that_share_a_corner_join_into_one_roof():
    """Diagonal over the corner, from the front's far eave to the side's: nobody photographed it."""
    off = []
    for seed in range(3):
        scene = two_elevations(np.random.default_rng([16, seed]))
        solution = solved(scene)
        assert not [f for f in solution.findings if f.severity != "note"]
        value, sd = length(solution, "A", "C")
        off.append((value - scene.world.distance("A", "C")) / sd)
        assert sd < 0.012 * 14.4
    assert max(map(abs, off)) < 3.5


def test_pitch_from_the_lawn_is_that_of_the_marked_rake():
    """4 in 12 read off the gable from one photo: within 0.15 in 12, and inside its interval."""
    for seed in range(3):
        scene = front_visit(np.random.default_rng([17, seed]), stands=(SQUARE_10,), length=11.0)
        planes = derive_planes(solved(scene), scene.visit)
        (rake,) = (e.slope for p in planes.planes for e in p.edges if e.edge.name == "left rake")
        assert isinstance(rake, Figure)
        true = scene.world.slope("A", "P")
        assert abs(rake.value - true) < 1.5 * rake.half_width
        assert 12 * rake.half_width < 0.12


def overhanging(rng: np.random.Generator, stands, *, declared: bool) -> Scene:
    """Eave and rakes 0.4 m before the wall."""
    scene = front_visit(rng, stands=stands, fault=Fault(overhang=0.4))
    while not all_in_the_picture(scene):
        scene = front_visit(rng, stands=stands, fault=Fault(overhang=0.4))
    if declared:
        edges = tuple(
            replace(e, offset=0.4, offset_from="front") if e.offset_sd == FLATNESS else e
            for e in FRONT_EDGES
        )
        scene = scene.with_visit(edges=edges)
    return scene


def test_an_undeclared_overhang_is_a_finding_with_the_size_of_its_effect():
    """From one photo at 10 m: 1 % long for every 0.1 m, so 4 % for 0.4 m, two of the 0.2 m sds."""
    scene = overhanging(np.random.default_rng(18), (SQUARE_10,), declared=False)
    solution = solved(scene)
    asked = [f for f in solution.findings if f.code == "overhang-not-declared"]
    assert {f.where for f in asked} == {"eave line", "left rake", "right rake"}
    (eave,) = (f for f in asked if f.where == "eave line")
    assert 'for every 4"' in eave.what
    away = -float(scene.cameras["front-1.jpg"].position[1])
    share = float(eave.what.split("read ")[1].split("%")[0])
    assert abs(share - 100 * 0.1016 / (away - 0.1016)) < 0.08
    value, sd = length(solution, "A", "B")
    assert abs(value - scene.world.distance("A", "B")) < 1.5 * 1.96 * sd
    assert sd > 0.015 * 12


def test_an_undeclared_overhang_that_three_photos_show_is_found_with_its_size():
    scene = overhanging(np.random.default_rng(19), arc(3), declared=False)
    solution = solved(scene)
    (eave,) = (f for f in solution.findings if f.where == "eave line")
    assert eave.code == "overhang-found"
    assert "before front" in eave.what and "long" in eave.what
    share = float(eave.what.split("would read ")[1].split("%")[0])
    assert 3.0 < share < 5.5  # 0.4 m at about 10 m
    value, sd = length(solution, "A", "B")
    assert abs(value - scene.world.distance("A", "B")) < 3.5 * sd


def test_a_declared_overhang_is_taken_off_from_one_photo():
    for seed in range(2):
        scene = overhanging(np.random.default_rng([20, seed]), (SQUARE_10,), declared=True)
        solution = solved(scene)
        assert not [f for f in solution.findings if f.code.startswith("overhang")]
        value, sd = length(solution, "A", "B")
        true = scene.world.distance("A", "B")
        assert abs(value - true) < 3.5 * sd and sd < 0.012 * true
