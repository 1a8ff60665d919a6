"""Which way water runs: paths to where it leaves, arrows of local fall, contours."""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt
from skimage.measure import find_contours

from survey.drainage.domain import Domain
from survey.drainage.model import Contour, FallArrow, FlowPath
from survey.drainage.ponds import flood
from survey.drainage.slopes import local_gradients

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

ARROW_SPACING = 1.2192  # m, 4 ft
PATH_SPACING = 2.4384  # m, 8 ft between the places paths start from
CONTOURS_WANTED = 12
CONTOUR_STEPS = tuple(0.0254 * n for n in (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 3, 6, 12))


def run_off(domain: Domain, heights: Array, lifts: Array) -> tuple[IntArray, Array]:
    """Flat number of the cell that each cell drains to when all dips are full, and the levels.

    Found by flooding inwards from the ways out (priority flood), so that flats drain too; -1 where
    water leaves or none stands.
    """
    flooded = flood(domain, heights, lifts)
    level = flooded.level[0]
    seeds = np.isfinite(lifts) & (domain.index >= 0)
    onward = np.full(level.size, -1)
    done = seeds.ravel().copy()
    flat = level.ravel()
    rows, columns = level.shape
    queue = [(float(flat[i]), int(i)) for i in np.flatnonzero(done) if np.isfinite(flat[i])]
    heapq.heapify(queue)
    while queue:
        _, cell = heapq.heappop(queue)
        row, column = divmod(cell, columns)
        for r in range(max(row - 1, 0), min(row + 2, rows)):
            for c in range(max(column - 1, 0), min(column + 2, columns)):
                other = r * columns + c
                if not done[other] and np.isfinite(flat[other]):
                    done[other] = True
                    onward[other] = cell
                    heapq.heappush(queue, (float(flat[other]), other))
    return _steepest(onward, flat, columns, domain), level


def _steepest(onward: IntArray, level: Array, columns: int, domain: Domain) -> IntArray:
    """Prefer the steepest way down where a cell is not flat."""
    out = onward.copy()
    du, dv = domain.step
    moves = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if (a, b) != (0, 0)]
    for cell in np.flatnonzero(onward >= 0):
        best, steepest = onward[cell], 0.0
        for a, b in moves:
            other = cell + a * columns + b
            if 0 <= other < len(level) and np.isfinite(level[other]):
                fall = (level[cell] - level[other]) / np.hypot(a * dv, b * du)
                if fall > steepest:
                    best, steepest = other, fall
        out[cell] = best
    return out


def flow_paths(
    domain: Domain, heights: Array, lifts: Array, starts: Array | None = None
) -> tuple[FlowPath, ...]:
    """Paths of water on one surface (m,) from even places over the plane, or from `starts`.

    A path that runs into an earlier one ends there.
    """
    onward, _ = run_off(domain, heights, lifts)
    if starts is None:
        starts = _even_places(domain, PATH_SPACING)
    rows, columns = domain.shape
    paths = []
    taken: set[int] = set()
    for start in starts:
        column, row = np.round((start - domain.origin) / domain.step).astype(int)
        if not (0 <= row < rows and 0 <= column < columns) or not domain.inside[row, column]:
            continue
        cell = int(row * columns + column)
        cells: list[int] = []
        while cell >= 0 and len(cells) < onward.size:
            cells.append(cell)
            cell = int(onward[cell])
        last = divmod(cells[-1], columns)
        exit_number = domain.way_out[last]
        joined = next((i for i, c in enumerate(cells) if c in taken), len(cells) - 1)
        taken.update(cells)
        if exit_number < 0 or joined < 1:
            continue
        own = np.array([[c % columns, c // columns] for c in cells[: joined + 1]])
        points = _smoothed(domain.origin + own * domain.step)
        if joined == len(cells) - 1:
            points[-1] = domain.points[domain.index[last]]
        paths.append(FlowPath(points, domain.outlets[exit_number].name))
    return tuple(paths)


def _smoothed(points: Array) -> Array:
    """Take the stairs out of a path over cells."""
    out = points.copy()
    for _ in range(8):
        out[1:-1] = (out[:-2] + 2 * out[1:-1] + out[2:]) / 4
    if len(out) <= 80:
        return out
    return np.vstack([out[: -1 : len(out) // 40], out[-1:]])


def _even_places(domain: Domain, spacing: float) -> Array:
    """Places on an even lattice over the outline's box, kept off its border."""
    low, high = domain.outline.min(axis=0), domain.outline.max(axis=0)
    counts = np.maximum(np.round((high - low) / spacing), 1).astype(int)
    axes = [
        a + (np.arange(n) + 0.5) * (b - a) / n for a, b, n in zip(low, high, counts, strict=True)
    ]
    return np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)


def fall_arrows(domain: Domain, heights: Array) -> tuple[FallArrow, ...]:
    """Local fall of one surface (m,) on an even lattice."""
    gradient = local_gradients(domain, heights[None])[0]
    rows, columns = domain.shape
    arrows = []
    for at in _even_places(domain, ARROW_SPACING):
        column, row = np.round((at - domain.origin) / domain.step).astype(int)
        if not (0 <= row < rows and 0 <= column < columns):
            continue
        slope = gradient[row, column]
        fall = float(np.linalg.norm(slope))
        if not np.isfinite(fall) or fall < 1e-6:
            continue
        down = np.linalg.solve(domain.frame.to_plan, -slope / fall)
        arrows.append(FallArrow(at, down / np.linalg.norm(down), fall))
    return tuple(arrows)


def derive_contours(domain: Domain, heights: Array) -> tuple[Contour, ...]:
    """Contours of one surface (m,), at a usual step that gives about a dozen of them."""
    grid = domain.grid(heights)
    inside = domain.inside
    base, top = float(grid[inside].min()), float(grid[inside].max())
    step = next((s for s in CONTOUR_STEPS if (top - base) / s <= CONTOURS_WANTED), None)
    if step is None:
        step = (top - base) / CONTOURS_WANTED
    known = np.where(np.isfinite(grid), grid, np.nan)
    contours = []
    for height in np.arange(1, int((top - base) / step) + 1) * step:
        lines = [
            domain.origin + line[:, ::-1] * domain.step
            for line in find_contours(known, base + height)  # type: ignore[no-untyped-call]
            if len(line) > 2
        ]
        if lines:
            contours.append(Contour(float(height), tuple(lines)))
    return tuple(contours)
