"""Visits that are hard to start: few targets, far targets, photos that share little.

Each kind is drawn at random and says nothing of which of its draws can be measured: a draw must end
right, or refused with what would settle it, never wrong without a word.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from survey.adjustment import adjust, build_network
from survey.errors import NotEnoughObserved
from survey.figures import Figure
from survey.findings import Severity
from survey.planes import derive_planes
from survey.visit.model import Edge, EdgeKind, PlaneKind, PlaneSpec
from tests.scenes.houses import (
    DEPARTURE,
    FLATNESS,
    FRONT,
    FRONT_EDGES,
    MOUNT,
    PORCH,
    PORCH_EDGES,
    WALL_AXES,
    Fault,
    Stand,
    arc,
    board_of,
    front_points,
    front_visit,
    hung,
    mark_front_lines,
    porch_board,
    porch_visit,
    porch_world,
    take,
)
from tests.scenes.making import Scene, VisitMaker
from tests.scenes.world import TrueBoard

SIDE_AXES = np.array([[0, 1.0, 0], [0, 0, 1], [1, 0, 0]]).T  # of a wall seen from the right
DEPTH = 9.0  # metres of the side wall
SIDE = PlaneSpec("side", PlaneKind.WALL, ("G2", "G3", "C", "B"))
SIDE_EDGES = (
    Edge("side eave", "B", "C", EdgeKind.EAVE, offset=0.0, offset_sd=FLATNESS, offset_from="side"),
    Edge("rear corner", "G3", "C", EdgeKind.CORNER),
)
WRONG = 3.0  # half-widths off the truth from which a figure counts as wrong


def board(
    rng: np.random.Generator,
    at: tuple[float, float, float],
    axes: np.ndarray = WALL_AXES,
    *,
    side: float = 0.4,
    kind: str = "frame",
) -> TrueBoard:
    points, sd_px = board_of(side, kind)
    scale = 1 + 0.02 * rng.standard_normal(2)
    return TrueBoard(
        points,
        sd_px,
        side,
        np.array(at),
        hung(axes, rng, MOUNT),
        (float(scale[0]), float(scale[1])),
    )


def corner_house(rng: np.random.Generator) -> VisitMaker:
    """A gabled front and its right-hand side, 12 by 9 m."""
    world = front_points(rng, 12.0, 2.7, 4.0)
    world.points["G3"] = np.array([12 + FLATNESS * rng.standard_normal(), DEPTH, 0.3])
    level = DEPARTURE * rng.standard_normal() * DEPTH
    world.points["C"] = np.array([12 + FLATNESS * rng.standard_normal(), DEPTH, 2.7 + level])
    return VisitMaker(world, rng)


def mark_side_lines(maker: VisitMaker, photo: str) -> None:
    at = maker.world.points
    maker.mark_gravity(photo, "plumb", (at["G2"], at["B"]), "right corner", "side left")
    maker.mark_gravity(photo, "plumb", (at["G3"], at["C"]), "rear corner", "side right")
    maker.mark_gravity(photo, "level", (at["B"], at["C"]), "side eave", "side eave")


def front_and_side(rng: np.random.Generator, *, also: tuple[str, ...] = ()) -> Scene:
    """One photo of the front and one of the side, each with its own target, one shared corner.

    The corner is plumb, so that nothing tells the angle between both walls unless the photo of the
    side shows points of the front `also`.
    """
    maker = corner_house(rng)
    maker.put_up("T1", board(rng, (4.0, 0, 1.6)), plane="front", plumb=True, level=True)
    side = board(rng, (12.0, 4.0, 1.6), SIDE_AXES)
    maker.put_up("T2", side, plane="side", plumb=True, level=True)
    take(maker, "front.jpg", Stand((6.5, -10.5, 1.6), (6.3, 0, 2.3)))
    take(maker, "side.jpg", Stand((21.5, 4.5, 1.6), (12, 4.5, 2.0)))
    maker.mark_points("front.jpg", FRONT.outline)
    maker.mark_points("side.jpg", (*SIDE.outline, *also))
    mark_front_lines(maker, "front.jpg")
    mark_side_lines(maker, "side.jpg")
    return maker.finish([FRONT, SIDE], (*FRONT_EDGES, *SIDE_EDGES))


def one_target_many_photos(rng: np.random.Generator) -> Scene:
    """Four photos round a corner, of which the first alone shows the target."""
    maker = corner_house(rng)
    maker.put_up("T1", board(rng, (9.5, 0, 1.6)), plane="front", plumb=True, level=True)
    stands = (
        Stand((6.0, -10.5, 1.6), (6.3, 0, 2.2)),
        Stand((12.5, -11.0, 1.6), (8.5, 0, 2.2)),
        Stand((20.0, -8.5, 1.6), (12.0, 2.0, 2.0)),
        Stand((22.0, -2.0, 1.6), (12.0, 4.0, 2.0)),
    )
    for number, stand in enumerate(stands, 1):
        name = f"round-{number}.jpg"
        take(maker, name, stand)
        if number > 1:
            maker.sightings[:] = [s for s in maker.sightings if s.photo != name]
        names = dict.fromkeys((*FRONT.outline, *SIDE.outline))
        maker.mark_points(name, [n for n in names if number > 1 or n in FRONT.outline])
        if rng.uniform() < 0.5:
            mark_front_lines(maker, name)
    return maker.finish([FRONT, SIDE], (*FRONT_EDGES, *SIDE_EDGES))


def chain(rng: np.random.Generator) -> Scene:
    """Five photos along a 30 m front; each shows its own board and the next."""
    world = front_points(rng, 30.0, 2.7, 2.0)
    maker = VisitMaker(world, rng)
    for number, x in enumerate(np.linspace(2.0, 28.0, 6), 1):
        plane = {"plane": "front"} if rng.uniform() < 0.5 else {}
        hangs = board(rng, (float(x), 0, 1.6 + 0.2 * rng.standard_normal()))
        maker.put_up(f"T{number}", hangs, plumb=True, level=True, **plane)
    for number, x in enumerate(np.linspace(4.6, 25.4, 5), 1):
        name = f"part-{number}.jpg"
        take(maker, name, Stand((float(x), -8.2, 1.6), (float(x), 0, 2.3)))
        keep = {f"T{number}", f"T{number + 1}"}
        maker.sightings[:] = [s for s in maker.sightings if s.photo != name or s.target in keep]
        maker.mark_points(name, FRONT.outline)
    edges = tuple(e for e in FRONT_EDGES if e.name == "eave line")
    return maker.finish([FRONT], edges)


def many_points(rng: np.random.Generator) -> Scene:
    """Thirty points, six photos, of which three show no target."""
    maker = corner_house(rng)
    maker.put_up("T1", board(rng, (3.0, 0, 1.6)), plane="front", plumb=True, level=True)
    side = board(rng, (12.0, 5.0, 1.6), SIDE_AXES)
    maker.put_up("T2", side, plane="side", plumb=True, level=True)
    loose = []
    for number in range(23):
        on_front = rng.uniform() < 0.6
        depth = rng.uniform(-0.8, 0.0)
        at = (
            (rng.uniform(0.5, 11.5), depth, rng.uniform(0.4, 4.0))
            if on_front
            else (12.0 - depth, rng.uniform(0.5, 8.5), rng.uniform(0.4, 2.6))
        )
        maker.world.points[f"N{number}"] = np.array(at)
        loose.append(f"N{number}")
    stands = (
        Stand((3.0, -9.5, 1.6), (5.0, 0, 2.2)),
        Stand((9.0, -10.0, 1.6), (7.0, 0, 2.2)),
        Stand((16.0, -9.0, 1.6), (10.0, 0.5, 2.2)),
        Stand((20.5, -7.0, 1.6), (12.0, 2.0, 2.0)),
        Stand((22.0, 0.0, 1.6), (12.0, 3.5, 2.0)),
        Stand((21.0, 6.0, 1.6), (12.0, 5.0, 2.0)),
    )
    blind = set(rng.choice(6, 3, replace=False)) - {0, 5} if rng.uniform() < 0.7 else {1, 2, 3}
    for number, stand in enumerate(stands):
        name = f"shot-{number}.jpg"
        take(maker, name, stand)
        if number in blind:
            maker.sightings[:] = [s for s in maker.sightings if s.photo != name]
        camera = maker.cameras[name]
        seen = [
            n
            for n in (*dict.fromkeys((*FRONT.outline, *SIDE.outline)), *loose)
            if camera.shows(maker.world.points[n]) and _faces(maker, camera.position, n)
        ]
        maker.mark_points(name, [n for n in seen if rng.uniform() < 0.8])
    return maker.finish([FRONT, SIDE], (*FRONT_EDGES, *SIDE_EDGES))


def _faces(maker: VisitMaker, stand: np.ndarray, name: str) -> bool:
    """Whether the house itself does not hide a point of the front or side from a stand."""
    x, y, _ = maker.world.points[name]
    return bool(stand[1] < -0.5 if y <= 0.01 and x < 11.9 else stand[0] > 12.5 or y <= 0.01)


def carport(rng: np.random.Generator) -> Scene:
    """A 13 by 5 m carport roof with a sheet near either end, 10 m apart; a photo from each end."""
    world = porch_world(rng, width=13.0, run=5.0, rise=0.5)
    maker = VisitMaker(world, rng)
    for number, x in enumerate((-2.0, 8.0), 1):
        hangs = porch_board(rng, world, (x, 2.0), 0.4, "frame")
        maker.put_up(f"T{number}", hangs, plane="porch")
    stands = (
        Stand((-1.0, -10.0, 5.0), (4.5, -2.5, 2.7), 0.2),
        Stand((14.0, -10.0, 5.0), (8.5, -2.5, 2.7), 0.2),
    )
    for number, stand in enumerate(stands, 1):
        name = f"end-{number}.jpg"
        take(maker, name, stand)
        maker.sightings[:] = [
            s for s in maker.sightings if s.photo != name or s.target == f"T{number}"
        ]
        maker.mark_points(name, PORCH.outline)
    if rng.uniform() < 0.5:
        maker.slope("porch", float(np.arctan(world.pitch(PORCH.outline))))
    return maker.finish([PORCH], PORCH_EDGES)


def steep_porch(rng: np.random.Generator) -> Scene:
    """A porch roof from a tall ladder close before it, looking steeply down."""
    world = porch_world(rng, rise=float(rng.uniform(0.25, 3.0)))
    maker = VisitMaker(world, rng)
    maker.put_up("T1", porch_board(rng, world, (2.5, 1.5), 0.4, "frame"), plane="porch")
    if rng.uniform() < 0.5:
        maker.slope("porch", float(np.arctan(world.pitch(PORCH.outline))))
    for number in range(int(rng.integers(2, 4))):
        name = f"down-{number}.jpg"
        x = float(rng.uniform(-0.5, 6.5))
        high = float(rng.uniform(6.5, 8.5))
        take(maker, name, Stand((x, -6.5, high), (3.0, -2.2, 2.8), 0.3))
        maker.mark_points(name, PORCH.outline)
    return maker.finish([PORCH], PORCH_EDGES)


def two_flat_views(rng: np.random.Generator) -> Scene:
    """Two photos square on from afar with a small board and nothing else to go by."""
    stands = tuple(
        Stand((6 + float(x), -float(rng.uniform(11, 15)), 1.6), (6, 0, 2.4)) for x in (-0.5, 0.7)
    )
    return front_visit(rng, stands=stands, side=0.2, board="marker", marks=False, mounted=False)


def far_gable(rng: np.random.Generator, *, marks: bool = False) -> Scene:
    """One photo of a gable from the lawn with one small, far target."""
    stand = Stand((6.0, -float(rng.uniform(10, 15)), 1.6), (6.0, 0.0, 2.4))
    return front_visit(rng, stands=(stand,), side=0.2, board="marker", marks=marks, mounted=False)


def moved_target(rng: np.random.Generator) -> Scene:
    """Three photos of a front; the target was moved after the first."""
    fault = Fault(moved=float(rng.uniform(0.3, 3.0)))
    return front_visit(rng, stands=arc(3), fault=fault)


KINDS: dict[str, Callable[[np.random.Generator], Scene]] = {
    "gable with one small far target": far_gable,
    "the same with level and plumb marks": lambda rng: far_gable(rng, marks=True),
    "front and side, each its own target": front_and_side,
    "four photos, one shows the target": one_target_many_photos,
    "target moved between photos": moved_target,
    "chain of five photos": chain,
    "thirty points, three photos without target": many_points,
    "carport, two sheets 10 m apart": carport,
    "one ladder photo, four corners": lambda rng: porch_visit(rng, photos=1, plumb=False),
    "porch from above": steep_porch,
    "two square views, small board": two_flat_views,
}


@dataclass(frozen=True)
class Outcome:
    """How one draw ended: "right", "refused" or "wrong"; `told` if a finding asks for a look."""

    verdict: str
    told: bool
    given: int
    worst: float
    codes: tuple[str, ...] = ()


def judge_draw(scene: Scene) -> Outcome:
    """Measure a scene and hold every length given against the truth."""
    network = build_network(scene.visit, scene.photos, scene.sightings)
    try:
        solution = adjust(network)
    except NotEnoughObserved:
        return Outcome("refused", True, 0, 0.0)
    planes = derive_planes(solution, scene.visit)
    seen = {edge.edge.name: edge for plane in planes.planes for edge in plane.edges}
    seen |= {edge.edge.name: edge for edge in planes.edges}
    worst, given = 0.0, 0
    for result in seen.values():
        if isinstance(result.length, Figure):
            truth = scene.world.distance(result.edge.start, result.edge.end)
            given += 1
            worst = max(worst, abs(result.length.value - truth) / result.length.half_width)
    codes = {f.code for f in solution.findings if f.severity is not Severity.NOTE}
    told = bool(codes)
    verdict = "wrong" if worst > WRONG else "right" if given else "refused"
    return Outcome(verdict, told, given, worst, tuple(sorted(codes)))
