"""Starting places without photos: from taped sides and diagonals, tape grids, rods and slopes.

Each plane is laid out flat first (tape grid, else the shape that its taped lengths ask for), then
tilted by heights or slope readings, then hinged to the planes it shares corners with.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import scipy.optimize

from survey.adjustment.model import (
    Array,
    Elevation,
    PlaneParameters,
    RodHeight,
    SlopeOfPlane,
    SpotOnPlane,
    TapeLength,
)
from survey.adjustment.starting_index import Index, Site
from survey.adjustment.starting_rays import fit_to_rays
from survey.geometry import nearest_rotation

TAPE_SCALE = 0.01  # metres; misfit at which a tape starts to lose its pull
CORNER_SIDE = 3.0  # metres; length of a side nobody taped
WALL_GUESS = math.pi / 2
REST_SD = 3.0  # metres; pull of the first guess, where tapes leave a shape loose


def grow_from_tapes(index: Index, site: Site) -> bool:
    """Lay out every plane that tapes or a tape grid describe and that is not placed yet.

    Returns True if anything new was placed. `site.up` is the z axis for an empty site.
    """
    new = False
    heights = relative_heights(index)
    if not site.points and not site.targets:
        site.up = np.array([0.0, 0.0, 1.0])
    for plane in _planes_by_links(index, site):
        names, flat = _lay_out(index, plane)
        if not names or all(name in site.points for name in names):
            continue
        placed = _place(index, site, plane, names, flat, heights)
        if placed is not None:
            for name, place in zip(names, placed, strict=True):
                site.points.setdefault(name, place)
            new = True
    return new


def relative_heights(index: Index) -> dict[str, float]:
    """Heights from rods and benchmarks by robust least squares, up to one level per group."""
    rods, marks = index.of(RodHeight), index.of(Elevation)
    names = dict.fromkeys([rod.point for rod in rods] + [mark.point for mark in marks])
    setups = dict.fromkeys(rod.setup for rod in rods)
    column = {name: i for i, name in enumerate(names)}
    column |= {f"set-up {name}": len(names) + i for i, name in enumerate(setups)}
    if not column:
        return {}
    rows, goals = [], []
    for rod in rods:
        row = np.zeros(len(column))
        row[column[f"set-up {rod.setup}"]], row[column[rod.point]] = 1.0, -1.0
        rows.append(row)
        goals.append(rod.value)
    for mark in marks:
        row = np.zeros(len(column))
        row[column[mark.point]] = 1.0
        rows.append(row)
        goals.append(mark.value)
    a, b = np.array(rows), np.array(goals)
    solved = np.linalg.lstsq(a, b, rcond=None)[0]
    for _ in range(10):
        weights = 1.0 / np.sqrt(1.0 + ((a @ solved - b) / 0.01) ** 2)
        solved = np.linalg.lstsq(a * weights[:, None], b * weights, rcond=None)[0]
    return {name: float(solved[column[name]]) for name in names}


def _planes_by_links(index: Index, site: Site) -> list[str]:
    """Planes in an order in which each shares corners with those before it, where one can."""
    outlines = index.network.outlines
    left = list(outlines)
    known = set(site.points)
    order = []
    while left:
        best = max(left, key=lambda name: len(known & set(outlines[name])))
        left.remove(best)
        order.append(best)
        known |= set(outlines[best])
    return order


# --- flat shapes ------------------------------------------------------------------------------


def _lay_out(index: Index, plane: str) -> tuple[list[str], Array]:
    """Names and flat places (n, 2) of a plane's points: first edge along x, y up the plane."""
    outline = index.network.outlines[plane]
    spots = [spot for spot in index.of(SpotOnPlane) if spot.plane == plane]
    members = dict.fromkeys([*outline, *(point for point, _ in index.members.get(plane, []))])
    tapes = {
        (tape.start, tape.end): tape.value
        for tape in index.of(TapeLength)
        if tape.start in members and tape.end in members
    }
    sides = sum(
        (a, b) in tapes or (b, a) in tapes
        for a, b in zip(outline, (*outline[1:], outline[0]), strict=True)
    )
    if not spots and sides < max(2, len(outline) - 2):
        return [], np.zeros((0, 2))
    at = _first_guess(outline, tapes, spots)
    taped = set(outline) | {name for pair in tapes for name in pair}
    loose = [name for name in at if name in taped]
    flat = _relax(loose, np.array([at[name] for name in loose]), tapes, spots, outline)
    at |= dict(zip(loose, flat, strict=True))
    return list(at), np.array(list(at.values()))


def _first_guess(
    outline: tuple[str, ...],
    tapes: dict[tuple[str, str], float],
    spots: list[SpotOnPlane],
) -> dict[str, Array]:
    """Corners on a circle-like polygon with the taped sides' lengths; spots where they say."""

    def side(a: str, b: str) -> float | None:
        return tapes.get((a, b), tapes.get((b, a)))

    count = len(outline)
    ring = list(zip(outline, (*outline[1:], outline[0]), strict=True))
    lengths = [side(a, b) for a, b in ring]
    for i, length in enumerate(lengths):  # the opposite side's length, else a guess
        if length is None:
            lengths[i] = lengths[(i + count // 2) % count] or CORNER_SIDE
    at: dict[str, Array] = {}
    here, heading = np.zeros(2), 0.0
    for (name, _), length in zip(ring, lengths, strict=True):
        at[name] = here.copy()
        step = np.array([math.cos(heading), math.sin(heading)])
        here = here + float(length or CORNER_SIDE) * step
        heading += 2 * math.pi / count
    for spot in spots:
        at[spot.point] = np.array([spot.along, spot.up])
    if spots and outline[1] not in {spot.point for spot in spots}:
        length = side(outline[0], outline[1]) or max(spot.along for spot in spots)
        at[outline[1]] = np.array([length, 0.0])
    return at


def _relax(
    names: list[str],
    flat: Array,
    tapes: dict[tuple[str, str], float],
    spots: list[SpotOnPlane],
    outline: tuple[str, ...],
) -> Array:
    """Flat places that fit tapes and spots, gross errors outvoted; of several shapes the best."""
    row = {name: i for i, name in enumerate(names)}
    pairs = [(row[a], row[b], length) for (a, b), length in tapes.items() if a in row and b in row]
    fixed = [(row[s.point], np.array([s.along, s.up])) for s in spots if s.point in row]

    def misfits(parameters: Array, rest: Array) -> Array:
        at = parameters.reshape(-1, 2)
        off = [(np.linalg.norm(at[i] - at[j]) - length) / TAPE_SCALE for i, j, length in pairs]
        off += [value for i, place in fixed for value in (at[i] - place) / (2 * TAPE_SCALE)]
        off += list(at[row[outline[0]]] / TAPE_SCALE)
        off.append(at[row[outline[1]]][1] / TAPE_SCALE)
        off += list((parameters - rest) / REST_SD)
        return np.array(off)

    best, lowest = flat, math.inf
    for start in _shapes(flat, [row[name] for name in outline]):
        found = scipy.optimize.least_squares(
            misfits, start.ravel(), args=(start.ravel(),), loss="soft_l1", max_nfev=100
        )
        at = found.x.reshape(-1, 2)
        area = _signed_area(at[[row[name] for name in outline]])
        cost = found.cost + (1e6 if area < 0 else 0.0)
        if cost < lowest:
            best, lowest = at, cost
        if lowest < 3.0 * len(pairs):
            break
    return best


def _shapes(flat: Array, ring: list[int]) -> list[Array]:
    """First guesses to relax from: as laid out, squashed, and as a rectangle's corners."""
    squashed = flat * np.array([1.0, 0.6])
    shapes = [flat, squashed, flat * np.array([1.0, 1.6])]
    rng = np.random.default_rng(7)
    size = float(np.ptp(flat, axis=0).max()) if len(flat) else 1.0
    shapes += [flat + 0.2 * size * rng.standard_normal(flat.shape) for _ in range(4)]
    return shapes if len(ring) > 3 else shapes[:1]


def _signed_area(ring: Array) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


# --- into space -------------------------------------------------------------------------------


def _place(
    index: Index,
    site: Site,
    plane: str,
    names: list[str],
    flat: Array,
    heights: dict[str, float],
) -> Array | None:
    """Places (n, 3) of a plane's points in the site's frame."""
    known = [i for i, name in enumerate(names) if name in site.points]
    tilted = _tilted(index, plane, names, flat, heights)
    up = np.array([0.0, 0.0, 1.0]) if site.up is None else site.up
    frame = _frame_of(up)
    if len(known) < 2:
        seen = fit_to_rays(index, site, names, tilted, frame)
        if len(seen):
            site.planes.setdefault(plane, _plane_through(seen @ frame, frame))
            return seen
    if not known:
        shift = np.array([40.0 * len(site.planes), 0.0, 0.0]) if site.points else np.zeros(3)
        levels = [heights[name] - tilted[i][2] for i, name in enumerate(names) if name in heights]
        shift[2] = float(np.median(levels)) if levels and not site.targets else 0.0
        site.planes[plane] = _plane_through(tilted + shift, frame)
        return (tilted + shift) @ frame.T
    there = np.array([site.points[names[i]] for i in known])
    placed = _fitted(tilted[known] @ frame.T, there, tilted @ frame.T, up)
    local = placed @ frame
    site.planes.setdefault(plane, _plane_through(local, frame))
    return placed


def _frame_of(up: Array) -> Array:
    """Columns x, y, up of a level frame."""
    x = np.array([1.0, 0.0, 0.0]) - up[0] * up
    if np.linalg.norm(x) < 0.1:
        x = np.array([0.0, 1.0, 0.0]) - up[1] * up
    x = x / np.linalg.norm(x)
    return np.stack([x, np.cross(up, x), up], axis=1)


def _plane_through(places: Array, frame: Array) -> PlaneParameters:
    """Plane through laid-out points; their order in the flat layout looks from outside."""
    middle = places.mean(axis=0)
    normal = np.linalg.svd(places - middle)[2][2]
    normal = normal if normal[2] >= 0 else -normal
    outward = frame @ normal
    return PlaneParameters(outward, -float(normal @ middle))


def _tilted(
    index: Index, plane: str, names: list[str], flat: Array, heights: dict[str, float]
) -> Array:
    """Tilt a flat layout by its heights, its slope readings, or stand it up if it is a wall."""
    rise = _rise(index, plane, names, flat, heights)
    gu, gv = np.clip(rise, -0.95, 0.95)
    length = math.hypot(gu, gv)
    if length > 0.99:
        gu, gv = gu * 0.99 / length, gv * 0.99 / length
    along = np.array([math.sqrt(1 - gu**2), 0.0, gu])
    a = -gu * gv / math.sqrt(1 - gu**2)
    up = np.array([a, math.sqrt(max(1 - a**2 - gv**2, 0.0)), gv])
    tilted: Array = flat[:, :1] * along + flat[:, 1:] * up
    return tilted


def _rise(
    index: Index, plane: str, names: list[str], flat: Array, heights: dict[str, float]
) -> Array:
    """Rise for a step of 1 along the first edge and square to it, within the plane."""
    known = [i for i, name in enumerate(names) if name in heights]
    if len(known) >= 3:
        a = np.column_stack([np.ones(len(known)), flat[known]])
        z = np.array([heights[names[i]] for i in known])
        if np.linalg.matrix_rank(a - a.mean(axis=0), tol=0.05) >= 2:
            solved = np.linalg.lstsq(a, z, rcond=None)[0]
            for _ in range(10):
                weights = 1.0 / np.sqrt(1.0 + ((a @ solved - z) / 0.02) ** 2)
                solved = np.linalg.lstsq(a * weights[:, None], z * weights, rcond=None)[0]
            rise: Array = np.array(solved[1:], dtype=float)
            return rise
    row = {name: i for i, name in enumerate(names)}
    directed, goals, steepest = [], [], []
    for slope in index.of(SlopeOfPlane):
        if slope.plane != plane:
            continue
        if slope.start in row and slope.end in row:
            step = flat[row[str(slope.end)]] - flat[row[str(slope.start)]]
            directed.append(step / max(float(np.linalg.norm(step)), 1e-6))
            goals.append(math.sin(slope.value))
        elif slope.start is None:
            steepest.append(abs(math.sin(slope.value)))
    if directed:
        solved = np.linalg.lstsq(np.array(directed), np.array(goals), rcond=None)[0]
        return np.array(solved, dtype=float)
    if steepest:
        return np.array([0.0, float(np.median(steepest))])
    return np.array([0.0, 0.95 if plane in index.network.wall_planes else 0.0])


def _fitted(mine: Array, there: Array, everything: Array, up: Array) -> Array:
    """Move a layout onto points placed already: about `up` only if there are one or two."""
    if len(mine) >= 3 and np.linalg.matrix_rank(mine - mine.mean(axis=0), tol=0.05) >= 2:
        cross = (there - there.mean(axis=0)).T @ (mine - mine.mean(axis=0))
        rotation = nearest_rotation(cross)
    elif len(mine) >= 2:
        (i, j) = max(
            itertools.combinations(range(len(mine)), 2),
            key=lambda pair: float(np.linalg.norm(there[pair[1]] - there[pair[0]])),
        )
        frame = _frame_of(up)
        a, b = (mine[j] - mine[i]) @ frame, (there[j] - there[i]) @ frame
        turn = math.atan2(b[1], b[0]) - math.atan2(a[1], a[0])
        c, s = math.cos(turn), math.sin(turn)
        rotation = frame @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ frame.T
    else:
        rotation = np.eye(3)
    moved: Array = (everything - mine.mean(axis=0)) @ rotation.T + there.mean(axis=0)
    return moved


def joined(piece: Site, whole: Site) -> Site | None:
    """Move a levelled piece onto the points it shares with the whole; None if it shares none."""
    shared = [name for name in piece.points if name in whole.points]
    if not shared:
        return None
    mine = np.array([piece.points[name] for name in shared])
    there = np.array([whole.points[name] for name in shared])
    up = np.array([0.0, 0.0, 1.0])
    frame = np.vstack([np.zeros(3), np.eye(3)])
    moved = _fitted(mine, there, frame, up)
    rotation = (moved[1:] - moved[0]).T
    return piece.moved(rotation, moved[0])
