"""The houses: a gabled front, a low-slope porch roof, a porch's side, a roof read by tape and rod.

Building lines depart from true by 2 mm per m and corners from their plane by 1/8 in (1 sd each),
boards hang within half a degree; nothing of this is told to the program other than as priors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from survey.visit.model import Edge, EdgeKind, PlaneKind, PlaneSpec, Setup, Spot, TapeReading
from tests.scenes.making import Lens, Scene, VisitMaker
from tests.scenes.world import Array, TrueBoard, World, frame_board, marker_board, turned

FLATNESS = 0.003175  # 1/8 in
MOUNT = np.radians(0.5)
DEPARTURE = 0.002  # 2 mm per m

WALL_AXES = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]).T  # right, up, towards the viewer


@dataclass(frozen=True)
class Stand:
    """Where a photo is taken from and what it looks at; both are jittered by `jitter` metres."""

    position: tuple[float, float, float]
    aim: tuple[float, float, float]
    jitter: float = 0.3


SQUARE_10 = Stand((6.0, -10.0, 1.6), (6.0, 0.0, 2.4))
SQUARE_15 = Stand((6.0, -15.0, 1.6), (6.0, 0.0, 2.4))
OBLIQUE_12 = Stand((-0.9, -9.8, 1.6), (5.6, 0.0, 2.3))
NEAR_END = Stand((-1.0, -6.0, 1.6), (4.6, 0.0, 2.2))


@dataclass(frozen=True)
class Fault:
    """What is wrong on a visit and nobody knows of. Sizes as in the fault list of docs/accuracy.md.

    Attributes
    ----------
    focal : float
        True focal length over the one believed (zoom, crop, another lens of the phone).
    centre : float
        Shift of the principal point, px (crop).
    k1 : float
        Added to the true distortion.
    tilt : float
        Of the first board about plumb against its wall, radians.
    bow : float
        Of the first board, metres.
    print_scale : float
        True over measured size of the first board.
    overhang : float
        How far the eave's and rakes' ends stand before the wall, metres, undeclared.
    moved : float
        How far the first board was moved between the first photo and the others, metres.
    """

    focal: float = 1.0
    centre: float = 0.0
    k1: float = 0.0
    tilt: float = 0.0
    bow: float = 0.0
    print_scale: float = 1.0
    overhang: float = 0.0
    moved: float = 0.0


SOUND = Fault()


def arc(count: int, *, radius: float = 9.5, width: float = 15.0) -> tuple[Stand, ...]:
    """Ground stands spread over an arc before the front."""
    offsets = np.linspace(-width / 2, width / 2, count)
    return tuple(
        Stand((6 + x, -radius + abs(x) * 0.1, 1.6), (6 + 0.1 * x, 0, 2.4)) for x in offsets
    )


def hung(axes: Array, rng: np.random.Generator, mount: float = MOUNT) -> Array:
    """Axes of a board put up as well as people do it."""
    return axes @ turned(mount * rng.standard_normal(3))


def take(maker: VisitMaker, name: str, stand: Stand) -> None:
    """Take a photo from about a stand."""
    rng = maker.rng
    position = np.array(stand.position) + stand.jitter * rng.standard_normal(3) * [1, 1, 0.3]
    aim = np.array(stand.aim) + 0.3 * stand.jitter * rng.standard_normal(3)
    maker.photograph(name, position, aim, roll=0.02 * rng.standard_normal())


def board_of(side: float, kind: str) -> tuple[Array, Array]:
    return frame_board(side) if kind == "frame" else marker_board(side)


def front_points(rng: np.random.Generator, length: float, eave: float, rise: float) -> World:
    """A gabled front wall in the plane y = 0, as crooked as houses are."""
    sway = DEPARTURE * rng.standard_normal(3)  # left corner, right corner, eave line
    lean = DEPARTURE * rng.standard_normal()
    flat = {
        "G1": (0.0, 0.3),
        "G2": (length, 0.3),
        "B": (length + sway[1] * (eave - 0.3), eave + sway[2] * length),
        "P": (length / 2, eave + rise * length / 24),
        "A": (sway[0] * (eave - 0.3), eave),
    }
    world = World()
    for name, (x, z) in flat.items():
        world.points[name] = np.array([x, lean * z + FLATNESS * rng.standard_normal(), z])
    return world


FRONT = PlaneSpec("front", PlaneKind.WALL, ("G1", "G2", "B", "P", "A"))
FRONT_EDGES = (
    *(
        Edge(name, start, end, kind, offset=0.0, offset_sd=FLATNESS, offset_from="front")
        for name, start, end, kind in (
            ("eave line", "A", "B", EdgeKind.EAVE),
            ("left rake", "A", "P", EdgeKind.RAKE),
            ("right rake", "B", "P", EdgeKind.RAKE),
        )
    ),
    Edge("left corner", "G1", "A", EdgeKind.CORNER),
    Edge("right corner", "G2", "B", EdgeKind.CORNER),
)


def front_visit(
    rng: np.random.Generator,
    *,
    stands: tuple[Stand, ...] = (SQUARE_10,),
    targets: int = 1,
    side: float = 0.4,
    board: str = "frame",
    marks: bool = True,
    mounted: bool = True,
    length: float = 12.0,
    lens: Lens | None = None,
    fault: Fault = SOUND,
    tapes: tuple[tuple[str, str], ...] = (),
) -> Scene:
    """A gabled front photographed from the ground; `marks`: level and plumb lines are drawn."""
    world = front_points(rng, length, 2.7, 4.0)
    for name in ("A", "B", "P"):
        world.points[name] = world.points[name] - np.array([0.0, fault.overhang, 0.0])
    maker = VisitMaker(world, rng, lens)
    maker.focal_bias *= fault.focal
    maker.centre_bias = maker.centre_bias + fault.centre
    maker.k1 += fault.k1
    points, sd_px = board_of(side, board)
    told: dict[str, object] = {"plane": "front", "plumb": mounted, "level": mounted}
    for index, x in enumerate((2.0, length - 2.0)[:targets]):
        scale = 1 + 0.02 * rng.standard_normal(2)
        hangs = TrueBoard(
            points,
            sd_px,
            side,
            np.array([x, 0.0, 1.6]),
            hung(WALL_AXES, rng),
            (float(scale[0]), float(scale[1])),
        )
        maker.put_up(f"T{index + 1}", hangs, **told)
    first = world.boards["T1"]
    turn = turned(np.array([0.0, fault.tilt, 0.0]))  # about the board's own up axis
    size = (first.scale[0] * fault.print_scale, first.scale[1] * fault.print_scale)
    first = replace(first, axes=first.axes @ turn, bow=fault.bow, scale=size)
    world.boards["T1"] = first
    for index, stand in enumerate(stands):
        name = f"front-{index + 1}.jpg"
        if index == 1 and fault.moved:
            at = first.centre + np.array([fault.moved, 0.0, 0.1])
            world.boards["T1"] = replace(first, centre=at)
        take(maker, name, stand)
        maker.mark_points(name, FRONT.outline)
        if marks:
            mark_front_lines(maker, name, fault.overhang)
    for start, end in tapes:
        maker.tape(start, end)
    edges = FRONT_EDGES
    if fault.overhang:
        edges = tuple(replace(edge, offset=None, offset_from=None) for edge in edges)
    return maker.finish([FRONT], edges)


def mark_front_lines(maker: VisitMaker, photo: str, overhang: float = 0.0) -> None:
    """Draw the eave line as level and both wall corners as plumb."""
    at = maker.world.points
    if overhang:  # the wall's corners stop behind the eave, at no named point
        inward = np.array([0.0, overhang, 0.0])
        maker.mark_gravity(photo, "plumb", (at["G1"], at["A"] + inward), None, "left")
        maker.mark_gravity(photo, "plumb", (at["G2"], at["B"] + inward), None, "right")
    else:
        maker.mark_gravity(photo, "plumb", (at["G1"], at["A"]), "left corner", "left")
        maker.mark_gravity(photo, "plumb", (at["G2"], at["B"]), "right corner", "right")
    maker.mark_gravity(photo, "level", (at["A"], at["B"]), "eave line", "eave")


# --- the porch -----------------------------------------------------------------------------

PORCH = PlaneSpec("porch", PlaneKind.ROOF, ("E1", "E2", "H2", "H1"))
MAIN = PlaneSpec("main", PlaneKind.ROOF, ("H1", "H2", "R2", "R1"))
PORCH_EDGES = (
    Edge("porch eave", "E1", "E2", EdgeKind.EAVE, meets="open"),
    Edge("porch right", "E2", "H2", EdgeKind.RAKE, meets="open"),
    Edge("porch head", "H2", "H1", EdgeKind.HEADWALL, meets="wall"),
    Edge("porch left", "H1", "E1", EdgeKind.RAKE, meets="open"),
)


def porch_world(
    rng: np.random.Generator,
    *,
    width: float = 6.0,
    run: float = 4.0,
    rise: float = 2.0,
    eave: float = 2.6,
) -> World:
    """A porch roof before a house wall in the plane y = 0, falling towards the viewer."""
    world = World()
    level = DEPARTURE * rng.standard_normal()
    corners = {
        "E1": (0.0, -run, eave),
        "E2": (width, -run, eave + level * width),
        "H2": (width, 0.0, eave + rise * run / 12 + level * width),
        "H1": (0.0, 0.0, eave + rise * run / 12),
    }
    for name, at in corners.items():
        world.points[name] = np.array(at) + FLATNESS * rng.standard_normal() * np.array([0, 0, 1])
    return world


def porch_board(
    rng: np.random.Generator,
    world: World,
    at: tuple[float, float],
    side: float,
    board: str,
    mount: float = MOUNT,
) -> TrueBoard:
    """A board lying on the porch roof, its top towards the house."""
    e1, e2, h2, h1 = (world.points[name] for name in PORCH.outline)
    along = (e2 - e1 + h2 - h1) / np.linalg.norm(e2 - e1 + h2 - h1)
    normal = np.cross(along, h1 - e1)
    normal /= np.linalg.norm(normal)
    up = np.cross(normal, along)
    axes = hung(np.stack([along, up, normal], axis=1), rng, mount)
    points, sd_px = board_of(side, board)
    scale = 1 + 0.02 * rng.standard_normal(2)
    centre = (e1 + e2 + h1 + h2) / 4 + (at[0] - 3) * along + (at[1] - 2) * up
    return TrueBoard(points, sd_px, side, centre, axes, (float(scale[0]), float(scale[1])))


def plumb_wall_edges(rng: np.random.Generator, top: float) -> list[tuple[Array, Array]]:
    """Four wall edges seen above the porch roof, each with its own lean."""
    edges = []
    for x in (0.2, 2.2, 3.8, 5.8):
        foot = np.array([x, 0.0, top + 0.1])
        lean = DEPARTURE * rng.standard_normal(2)
        edges.append((foot, foot + 2.0 * np.array([lean[0], lean[1], 1.0])))
    return edges


def ladder_stands(count: int, eave: float) -> tuple[Stand, ...]:
    """Places before a porch from a stepladder or pole, 1.5 m above the eave."""
    if count == 1:
        return (Stand((3.0, -9.6, eave + 1.5), (3.0, -1.5, eave + 0.6), 0.2),)
    xs = np.linspace(-1.5, 7.5, count)
    return tuple(Stand((x, -9.2, eave + 1.5), (3.0, -1.5, eave + 0.6), 0.2) for x in xs)


def porch_visit(
    rng: np.random.Generator,
    *,
    photos: int = 1,
    targets: int = 1,
    side: float = 0.4,
    board: str = "frame",
    rise: float = 2.0,
    level_eave: bool = False,
    slope_sd: float | None = None,
    plumb: bool = True,
    rods: bool = False,
    lens: Lens | None = None,
    mount: float = MOUNT,
) -> Scene:
    """A porch roof from the ladder; gravity from plumb wall edges, the eave, a level or a rod."""
    world = porch_world(rng, rise=rise)
    maker = VisitMaker(world, rng, lens)
    for index, at in enumerate(((1.2, 1.4), (4.8, 2.6))[:targets]):
        laid = porch_board(rng, world, at, side, board, mount)
        maker.put_up(f"T{index + 1}", laid, plane="porch", mount_sd=mount)
    lines = plumb_wall_edges(rng, world.points["H1"][2])
    for index, stand in enumerate(ladder_stands(photos, 2.6)):
        name = f"porch-{index + 1}.jpg"
        take(maker, name, stand)
        maker.mark_points(name, PORCH.outline)
        for number, ends in enumerate(lines if plumb else []):
            maker.mark_gravity(name, "plumb", ends, None, f"jamb {number}")
    if slope_sd is not None:
        maker.slope("porch", float(np.arctan(world.pitch(PORCH.outline))), sd=slope_sd)
    setups = ()
    if rods:
        setups = (Setup("S1"),)
        for name in PORCH.outline:
            maker.rod("S1", name, 4.4)
    edges = tuple(
        Edge("porch eave", "E1", "E2", EdgeKind.EAVE, meets="open", level=True)
        if level_eave and edge.name == "porch eave"
        else edge
        for edge in PORCH_EDGES
    )
    return maker.finish([PORCH], edges, setups=setups)


def rake_visit(
    rng: np.random.Generator, *, marks: bool = True, side: float = 0.4, rise: float = 2.0
) -> Scene:
    """The side of a porch from 6 m away: a 4 m rake above a wall, one board on the wall."""
    world = World()
    sway = DEPARTURE * rng.standard_normal(2)
    flat = {"K1": (0, 0.3), "K2": (4, 0.3), "U": (4 + sway[1] * 3, 2.4 + rise / 3), "L": (0, 2.4)}
    for name, (x, z) in flat.items():
        world.points[name] = np.array([x, FLATNESS * rng.standard_normal(), z])
    maker = VisitMaker(world, rng)
    points, sd_px = board_of(side, "frame")
    mount = MOUNT if marks else np.radians(0.2)
    axes = hung(WALL_AXES, rng, mount)
    board = TrueBoard(points, sd_px, side, np.array([1.0, 0.0, 1.6]), axes)
    maker.put_up("T1", board, plane="side", plumb=True, level=True, mount_sd=float(mount))
    take(maker, "side.jpg", Stand((2.0, -6.0, 1.6), (2.0, 0.0, 1.9), 0.2))
    side_plane = PlaneSpec("side", PlaneKind.WALL, ("K1", "K2", "U", "L"))
    maker.mark_points("side.jpg", side_plane.outline)
    if marks:
        for name, a, b in (("left", "K1", "L"), ("right", "K2", "U")):
            ends = (world.points[a], world.points[b])
            maker.mark_gravity("side.jpg", "plumb", ends, None, name)
        level = np.array([[0.1, 0, 0.6], [3.9, 0, 0.6 + 3.8 * DEPARTURE * rng.standard_normal()]])
        maker.mark_gravity("side.jpg", "level", (level[0], level[1]), "side", "siding")
    rake = Edge("rake", "L", "U", EdgeKind.RAKE, offset=0.0, offset_sd=FLATNESS, offset_from="side")
    return maker.finish([side_plane], [rake])


# --- tape and rod alone ----------------------------------------------------------------------


def deck_visit(
    rng: np.random.Generator,
    *,
    width: float = 6.1,
    run: float = 3.66,
    rise: float = 0.25,
    diagonals: bool = True,
    grid: bool = True,
    dish: float = 0.0,
) -> Scene:
    """A roof measured from it: taped sides and diagonals, a rod grid placed by tape."""
    world = porch_world(rng, width=width, run=run, rise=rise)
    maker = VisitMaker(world, rng)
    ring = PORCH.outline
    for a, b in zip(ring, (*ring[1:], ring[0]), strict=True):
        maker.tape(a, b)
    if diagonals:
        maker.tape("E1", "H2")
        maker.tape("E2", "H1")
    e1, e2 = world.points["E1"], world.points["E2"]
    e, h = e2 - e1, world.points["H1"] - e1
    along = e / np.linalg.norm(e)
    up = h - (h @ along) * along
    up /= np.linalg.norm(up)
    for name in ring:
        maker.rod("S1", name, 4.1)
    if grid:
        for i, u in enumerate(np.linspace(0.6, width - 0.6, 5)):
            for j, v in enumerate(np.linspace(0.6, run - 0.6, 4)):
                name = f"F{i}{j}"
                sunk = dish * max(0.0, 1 - ((u - width / 2) ** 2 + (v - run / 2) ** 2) / 1.0)
                at = e1 + u * along + v * up
                world.points[name] = at + np.array([0, 0, -sunk + 0.001 * rng.standard_normal()])
                near = 0.00635 * rng.standard_normal(2)
                maker.rod("S1", name, 4.1, spot=Spot("porch", u + near[0], v + near[1]))
    return maker.finish([PORCH], PORCH_EDGES, setups=(Setup("S1"),))


def with_tape_off(scene: Scene, ident: str, off: float) -> Scene:
    """The same visit with one tape misread."""
    readings = tuple(
        TapeReading(r.id, r.where, r.start, r.end, r.value + off, r.sd)
        if isinstance(r, TapeReading) and r.id == ident
        else r
        for r in scene.visit.readings
    )
    return scene.with_visit(readings=readings)
