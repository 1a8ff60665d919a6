"""Depression filling: the level water would stand at in every cell of a gridded surface.

The level of a cell is the lowest, over all ways out, of the highest cell on the way (Barnes,
Lehman, Mulla 2014, Computers & Geosciences 62, 117-127). Cells touch by side and by corner.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.morphology import reconstruction

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

EIGHT = np.ones((3, 3), dtype=bool)
MOST_SWEEPS = 8
FEW_CELLS = 0.02  # share of cells left unsettled at which sweeping on is not worth it


def fill_depressions(elevation: Array, seeds: BoolArray) -> Array:
    """Fill every depression to its spill.

    Parameters
    ----------
    elevation : (..., rows, columns) array
        Heights in metres; infinite where there is no roof or water can't pass. Leading axes are
        separate surfaces.
    seeds : (rows, columns) or (..., rows, columns) array of bool
        Cells where water leaves at their own elevation.

    Returns
    -------
    filled : array, same shape
        Water level, at least `elevation`; infinite where no way out exists or no roof is.

    Notes
    -----
    Directional sweeps (each a vectorised pass of the recursion level = max(own height, lowest
    neighbouring level)) give an upper bound that is exact wherever it equals the height. What is
    left unsettled is solved exactly, piece by piece, by morphological reconstruction, so the
    result equals a priority flood in every cell.
    """
    elevation = np.asarray(elevation, dtype=np.float64)
    stack = elevation.reshape(-1, *elevation.shape[-2:])
    marks = np.broadcast_to(seeds, elevation.shape).reshape(stack.shape)
    level = np.where(marks, stack, np.inf)
    _sweep_until_settled(level, stack)
    _settle_pieces(level, stack)
    return level.reshape(elevation.shape)


def _sweep_until_settled(level: Array, elevation: Array) -> None:
    """Lower `level` in place by sweeps in the four directions until little changes."""
    flipped_level = level.transpose(0, 2, 1)
    flipped_elevation = elevation.transpose(0, 2, 1)
    cells = max(1, int(np.isfinite(elevation).sum()))
    unsettled = cells
    for _ in range(MOST_SWEEPS):
        for upward in (False, True):
            _sweep(level, elevation, upward)
        left = int(np.count_nonzero((level > elevation) & np.isfinite(elevation)))
        if left <= FEW_CELLS * cells:
            return
        for upward in (False, True):
            _sweep(flipped_level, flipped_elevation, upward)
        left = int(np.count_nonzero((level > elevation) & np.isfinite(elevation)))
        if left <= FEW_CELLS * cells or left > 0.9 * unsettled:
            return
        unsettled = left


def _sweep(level: Array, elevation: Array, upward: bool) -> None:
    """Carry levels row by row, each cell from the three cells of the row before."""
    rows = level.shape[1]
    order = range(1, rows) if upward else range(rows - 2, -1, -1)
    lowest = np.empty((level.shape[0], level.shape[2]))
    for row in order:
        before = level[:, row - 1 if upward else row + 1, :]
        np.copyto(lowest, before)
        np.minimum(lowest[:, 1:], before[:, :-1], out=lowest[:, 1:])
        np.minimum(lowest[:, :-1], before[:, 1:], out=lowest[:, :-1])
        here = level[:, row, :]
        np.minimum(here, lowest, out=here)
        np.maximum(here, elevation[:, row, :], out=here)


def _settle_pieces(level: Array, elevation: Array) -> None:
    """Solve the connected pieces that sweeps left above their own height, in place."""
    open_cells = (level > elevation) & np.isfinite(elevation)
    if not open_cells.any():
        return
    structure = np.zeros((3, 3, 3), dtype=bool)
    structure[1] = True
    labels, _ = ndimage.label(open_cells, structure=structure)
    for place in ndimage.find_objects(labels):
        rows = slice(max(place[1].start - 1, 0), place[1].stop + 1)
        columns = slice(max(place[2].start - 1, 0), place[2].stop + 1)
        box = (place[0].start, rows, columns)
        level[box] = _reconstruct(level[box], elevation[box])


def _reconstruct(level: Array, elevation: Array) -> Array:
    """Fill one box from upper bounds `level`; walls are infinite."""
    finite = elevation[np.isfinite(elevation)]
    bounds = level[np.isfinite(level)]
    top = (max(finite.max(initial=0.0), bounds.max(initial=0.0)) if finite.size else 0.0) + 1.0
    mask = np.where(np.isfinite(elevation), elevation, top)
    seed = np.where(np.isfinite(level), level, top)
    filled: Array = reconstruction(  # type: ignore[no-untyped-call]
        seed, mask, method="erosion", footprint=EIGHT
    )
    return np.where(filled >= top, np.inf, filled)
