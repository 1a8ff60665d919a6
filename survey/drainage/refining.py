"""A pond's spill height, depth, area and volume, finer than the cells it was found with."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from survey.drainage.domain import Domain
from survey.drainage.filling import EIGHT
from survey.drainage.ponds import FILM, Flooded, Pond

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Heights = Callable[[Array], Array]

FINER = 4  # parts of a cell in which area and volume are summed
ALONG = 49  # places along each way over the rim
ACROSS = 49  # ways over the rim
REACH_ALONG, REACH_ACROSS = 2.0, 3.0  # cells to either side of the spill cell, at least
RIM_SHARE = 0.3  # of a pond's width that is searched to either side of its spill cell
SHORE_SHARE = 0.1  # of a pond's width by which its shore may move
FOLLOWED = 4  # times a search is moved along the rim
CUT = 3.0  # cells around the spill in which nothing beyond it is pond


def refine_pond(
    domain: Domain, flooded: Flooded, surface: int, pond: Pond, lifts: Array, heights: Heights
) -> Pond:
    """Work a pond of one flooded surface out below the size of its cells.

    Parameters
    ----------
    domain : Domain
    flooded : Flooded
    surface : int
        Number of the surface within `flooded`.
    pond : Pond
    lifts : (rows, columns) array
        The ways out it was flooded with.
    heights : function of places (..., 2) to heights (...,)
        The surface anywhere on the plane.

    Returns
    -------
    Pond
        With `spill` set, and level, depth, area and volume for it.

    Notes
    -----
    Every path out crosses the rim, so the spill height is the lowest, over ways across the rim,
    of the highest point on the way. Sampled ways miss the very top of a sharp rim; the lines
    through two points on either side of the top meet there.
    """
    spill, beyond, at_outlet = _spill_cell(flooded, surface, pond, lifts)
    if spill is None:
        return pond
    centre = domain.origin + spill[::-1] * domain.step
    if at_outlet:
        level, place, onward = pond.level, centre, None
    else:
        level, place, onward = _lowest_way_over(domain, pond, centre, spill, beyond, heights)
    return _measure(domain, pond, level, place, onward, heights)


def _spill_cell(
    flooded: Flooded, surface: int, pond: Pond, lifts: Array
) -> tuple[IntArray | None, IntArray, bool]:
    """Cell at which a pond spills, the cell its water goes on to, and whether that is a way out."""
    level = flooded.level[surface]
    mine = np.zeros(level.shape, dtype=bool)
    mine[pond.cells[:, 0], pond.cells[:, 1]] = True
    around = _neighbours(pond.cells, level.shape)
    around = around[~mine[around[:, 0], around[:, 1]]]
    around = around[np.isfinite(level[around[:, 0], around[:, 1]])]
    if len(around) == 0:
        return None, pond.cells[0], False
    values = level[around[:, 0], around[:, 1]]
    spill = around[int(np.argmin(values))]
    if np.isfinite(lifts[tuple(spill)]):
        return spill, spill, True
    onward = _neighbours(spill[None], level.shape)
    onward = onward[~mine[onward[:, 0], onward[:, 1]]]
    beyond = onward[int(np.argmin(level[onward[:, 0], onward[:, 1]]))]
    return spill, beyond, bool(np.isfinite(lifts[tuple(beyond)]))


def _neighbours(cells: IntArray, shape: tuple[int, ...]) -> IntArray:
    """Cells touching any of `cells`, themselves included, each once."""
    moves = np.stack(np.meshgrid([-1, 0, 1], [-1, 0, 1]), axis=-1).reshape(-1, 2)
    around = (cells[:, None] + moves).reshape(-1, 2)
    around = np.clip(around, 0, np.array(shape) - 1)
    flat = np.unique(around[:, 0] * shape[1] + around[:, 1])
    return np.column_stack([flat // shape[1], flat % shape[1]])


def _lowest_way_over(
    domain: Domain, pond: Pond, centre: Array, spill: IntArray, beyond: IntArray, heights: Heights
) -> tuple[float, Array, Array]:
    """Spill height, its place, and the direction water goes on in (unit, plane frame)."""
    nearest = pond.cells[int(np.argmin(((pond.cells - spill) ** 2).sum(axis=1)))]
    onward = ((beyond - nearest)[::-1] * domain.step).astype(float)
    if not onward.any():
        onward = centre - pond.deepest
    onward = onward / np.linalg.norm(onward)
    cell = float(domain.step.mean())
    reach = max(REACH_ACROSS * cell, RIM_SHARE * float(np.sqrt(pond.area)))
    level, place = pond.level, centre
    for _ in range(FOLLOWED):
        found = _search_rim(heights, place, onward, REACH_ALONG * cell, reach)
        if found is None:
            break
        moved = float(np.linalg.norm(found[1] - place))
        level, place = found
        if moved < reach / 2:
            break
    if abs(level - pond.level) > 0.5 * max(pond.depth, FILM) + 0.02 * cell:
        return pond.level, centre, onward  # another rim came into view
    return level, place, _downhill(heights, place + 0.3 * cell * onward, 0.1 * cell, onward)


def _downhill(heights: Heights, place: Array, step: float, otherwise: Array) -> Array:
    """Direction water runs at a place (unit, plane frame)."""
    moves = step * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    east, west, north, south = heights(place + moves)
    fall = np.array([west - east, south - north])
    size = float(np.linalg.norm(fall))
    return fall / size if size > 0 and fall @ otherwise > 0 else otherwise


def _search_rim(
    heights: Heights, centre: Array, onward: Array, along: float, across: float
) -> tuple[float, Array] | None:
    """Lowest of the highest points of ways over a rim near a place; None when none crosses it."""
    square = np.array([-onward[1], onward[0]])
    t = np.linspace(-along, along, ALONG)
    s = np.linspace(-across, across, ACROSS)
    places = centre + t[:, None, None] * onward + s[None, :, None] * square
    z = heights(places)
    tops = _sharp_tops(z)
    crosses = (z[0] < tops) & (z[-1] < tops)
    if not crosses.any():
        return None
    way = int(np.argmin(np.where(crosses, tops, np.inf)))
    return float(tops[way]), places[int(np.argmax(z[:, way])), way].copy()


def _sharp_tops(z: Array) -> Array:
    """Highest point of each column of z (n, m), a sharp top between the samples included."""
    top = np.argmax(z, axis=0)
    columns = np.arange(z.shape[1])
    peak = z[top, columns]
    inner = (top >= 2) & (top <= len(z) - 3)
    k = np.clip(top, 2, len(z) - 3)
    rise = z[k - 1, columns] - z[k - 2, columns]
    fall = z[k + 2, columns] - z[k + 1, columns]
    with np.errstate(divide="ignore", invalid="ignore"):
        # left line: z[k-1] + rise (x + 1), right line: z[k+1] + fall (x - 1), x from k
        x = (z[k + 1, columns] - z[k - 1, columns] - fall - rise) / (rise - fall)
        meet = z[k - 1, columns] + rise * (x + 1)
    good = inner & (rise > 0) & (fall < 0) & (np.abs(x) <= 1)
    highest: Array = np.where(good, np.maximum(peak, np.where(good, meet, peak)), peak)
    return highest


def _measure(
    domain: Domain, pond: Pond, level: float, spill: Array, onward: Array | None, heights: Heights
) -> Pond:
    """Sum a pond's water in parts of cells up to a level."""
    grow = max(1, round(SHORE_SHARE * float(np.sqrt(pond.area) / domain.step.mean())))
    low, high = pond.cells.min(axis=0) - grow, pond.cells.max(axis=0) + grow
    low, high = np.maximum(low, 0), np.minimum(high, np.array(domain.shape) - 1)
    row = (np.arange((high[0] - low[0] + 1) * FINER) + 0.5) / FINER - 0.5 + low[0]
    column = (np.arange((high[1] - low[1] + 1) * FINER) + 0.5) / FINER - 0.5 + low[1]
    grid = np.stack(np.meshgrid(column, row), axis=-1)
    places = domain.origin + grid * domain.step
    near = np.zeros(domain.shape, dtype=bool)
    near[pond.cells[:, 0], pond.cells[:, 1]] = True
    near = ndimage.binary_dilation(near, EIGHT, iterations=grow)
    roof = (domain.inside & near)[low[0] : high[0] + 1, low[1] : high[1] + 1]
    roof = roof.repeat(FINER, axis=0).repeat(FINER, axis=1)
    z = heights(places)
    water = np.where(roof, level - z, 0.0)
    if onward is not None:
        away = places - spill
        reach = max(CUT * float(domain.step.mean()), 0.5 * float(np.sqrt(pond.area)))
        over = (away @ onward > 0) & ((away**2).sum(axis=-1) < reach**2)
        water[over] = 0.0
    labels, _ = ndimage.label(water > 0)
    bottom = (np.round(pond.deepest_cell) - low) * FINER + FINER // 2
    number = labels[tuple(bottom.astype(int))]
    if number == 0:
        return Pond(
            pond.cells,
            pond.level,
            pond.depth,
            pond.area,
            pond.volume,
            pond.deepest,
            pond.deepest_cell,
            spill,
        )
    mine = labels == number
    part = domain.cell_area / FINER**2
    depths = water[mine]
    deepest = places[mine][int(np.argmax(depths))].copy()
    return Pond(
        cells=pond.cells,
        level=level,
        depth=float(depths.max()),
        area=float(mine.sum() * part),
        volume=float(depths.sum() * part),
        deepest=deepest,
        deepest_cell=pond.deepest_cell,
        spill=spill,
    )
