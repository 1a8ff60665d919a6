"""Sub-pixel places of checker corners (saddle points), each fitted to its own patch of pixels.

Around a saddle point the ink model of its own neighbouring cells is shifted until it explains the
pixels best (least squares; unknown shift, paper, ink and a bend of the tone curve). A saddle is
the same seen upside down, so neither the tone curve nor ink spread nor a wrong blur moves it.
Patches of neighbours do not overlap, so their errors are independent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from survey.target.inkmodel import Ink, blur_widths, ink_share, map_jacobian, map_points
from survey.target.model import Array

REACH_CELLS = 0.5  # a patch ends half way to the next saddle point
MOST_REACH_PX = 7.0  # farther pixels of a large cell say nothing new about its corner
ROUNDS = 5
MOST_STEP_PX = 1.0
DONE_PX = 0.003
ROUNDING_VARIANCE = 1.0 / 12.0  # of whole grey levels


@dataclass(frozen=True, slots=True)
class SaddleFits:
    """Fits of n saddle points.

    `px` (n, 2) pixel frame; `variance` (n, 2, 2) of px for one grey level of noise; `contrast` (n,)
    paper minus ink, grey levels; `explained` (n,) share of the patch's variance that the model
    explains; `residual` (n,) root mean square residual, grey levels; `shift` (n,) distance from
    the predicted place, px; `inside` (n,) whether the patch lies in the image.
    """

    px: Array
    variance: Array
    contrast: Array
    explained: Array
    residual: Array
    shift: Array
    inside: npt.NDArray[np.bool_]


def fit_saddles(
    grey: npt.NDArray[np.uint8],
    homography: Array,
    points: Array,
    cells: Array,
    *,
    blur_px: float,
    arm_cells: float = REACH_CELLS,
    start: Array | None = None,
    rounds: int = ROUNDS,
) -> SaddleFits:
    """Fit saddle points.

    Parameters
    ----------
    grey : (h, w) uint8 array
    homography : (3, 3) array
        Pixels from cells (x right, y up), good to half a cell.
    points : (n, 2) array
        Saddle points, cells.
    cells : (n, m, m) array
        Share of ink of the cells round each, row 0 on top, m even.
    blur_px : float
        Standard deviation of the blur, pixels.
    arm_cells : float
        Pixels farther than that from both axes of a saddle are left out, cells.
    start : (n, 2) array, optional
        Where to start, pixels; else where the homography puts them.
    rounds : int
        Steps at most.
    """
    predicted = map_points(homography, points)
    px = predicted.copy() if start is None else start.copy()
    patch = _Patches.about(grey, homography, points, px)
    solved = _solve(patch, homography, points, predicted, cells, px, blur_px, arm_cells)
    for _ in range(rounds - 1):
        length = np.hypot(solved.step[:, 0], solved.step[:, 1])
        moving = np.flatnonzero(length >= DONE_PX)
        if not len(moving):
            break
        held = np.minimum(1.0, MOST_STEP_PX / length[moving])[:, None]
        px[moving] += solved.step[moving] * held
        again = _solve(
            patch.some(moving),
            homography,
            points[moving],
            predicted[moving],
            cells[moving],
            px[moving],
            blur_px,
            arm_cells,
        )
        solved = solved.updated(moving, again)
    moved = px - predicted
    return SaddleFits(
        px=px,
        variance=solved.variance,
        contrast=solved.contrast,
        explained=solved.explained,
        residual=solved.residual,
        shift=np.hypot(moved[:, 0], moved[:, 1]),
        inside=patch.inside,
    )


@dataclass(frozen=True, slots=True)
class _Patches:
    at: Array  # (n, p, 2) pixel coordinates
    level: Array  # (n, p) grey levels
    inside: npt.NDArray[np.bool_]

    @classmethod
    def about(
        cls,
        grey: npt.NDArray[np.uint8],
        homography: Array,
        points: Array,
        px: Array,
    ) -> _Patches:
        jacobian = map_jacobian(homography, points)
        half = float(np.abs(jacobian).sum(axis=2).max(initial=1.0)) * REACH_CELLS
        half_px = int(np.ceil(min(half, MOST_REACH_PX))) + 1
        centre: Array = np.rint(px).astype(np.float64)
        height, width = grey.shape
        low, high = centre - half_px, centre + half_px
        inside = (low >= 0).all(axis=1) & (high[:, 0] < width) & (high[:, 1] < height)
        steps = np.arange(-half_px, half_px + 1)
        rows, columns = np.meshgrid(steps, steps, indexing="ij")
        offsets = np.column_stack([columns.ravel(), rows.ravel()])
        at: Array = centre[:, None, :] + offsets
        index = np.clip(np.nan_to_num(at), 0, [width - 1, height - 1]).astype(np.intp)
        return cls(at, grey[index[..., 1], index[..., 0]].astype(np.float64), inside)

    def some(self, which: npt.NDArray[np.intp]) -> _Patches:
        return _Patches(self.at[which], self.level[which], self.inside[which])


@dataclass(frozen=True, slots=True)
class _Solved:
    step: Array
    variance: Array
    contrast: Array
    explained: Array
    residual: Array

    def updated(self, which: npt.NDArray[np.intp], anew: _Solved) -> _Solved:
        """Return the same with the patches `which` solved anew."""
        fields = {}
        for name in ("step", "variance", "contrast", "explained", "residual"):
            fields[name] = getattr(self, name).copy()
            fields[name][which] = getattr(anew, name)
        return _Solved(**fields)


def _solve(
    patch: _Patches,
    homography: Array,
    points: Array,
    predicted: Array,
    cells: Array,
    px: Array,
    blur_px: float,
    arm_cells: float,
) -> _Solved:
    """One step of Gauss and Newton for every patch at once."""
    inverse: Array = np.linalg.inv(homography).astype(np.float64)
    at: Array = patch.at - (px - predicted)[:, None, :]
    offset = map_points(inverse, at) - points[:, None, :]
    jacobian = map_jacobian(inverse, at)
    ink = ink_share(cells, offset, *blur_widths(jacobian, blur_px), endless=True, with_blur=False)
    weight = _weights(offset, patch.at - px[:, None, :], arm_cells)
    design = _design(ink, jacobian)
    weighted = design * weight[..., None]
    normal = np.swapaxes(weighted, 1, 2) @ design
    normal += np.eye(5) * (1e-9 * np.trace(normal, axis1=1, axis2=2) + 1e-12)[:, None, None]
    inverse_normal = np.linalg.inv(normal)
    found = inverse_normal @ (np.swapaxes(weighted, 1, 2) @ patch.level[..., None])
    ink_step = found[:, 1, 0]
    residual = patch.level - (design @ found)[..., 0]
    count = weight.sum(axis=1)
    mean = (weight * patch.level).sum(axis=1) / np.maximum(count, 1.0)
    total = (weight * (patch.level - mean[:, None]) ** 2).sum(axis=1)
    rest = (weight * residual**2).sum(axis=1)
    contrast = -ink_step
    safe = np.where(np.abs(ink_step) < 1e-6, 1e-6, ink_step)
    return _Solved(
        step=-found[:, 3:, 0] / safe[:, None],
        variance=inverse_normal[:, 3:, 3:] / (safe**2)[:, None, None],
        contrast=contrast,
        explained=1.0 - rest / np.maximum(total, 1e-9),
        residual=np.sqrt(rest / np.maximum(count - 5.0, 1.0)),
    )


def _weights(offset: Array, offset_px: Array, arm_cells: float) -> Array:
    """Weigh pixels within the patch by 1 and others by 0."""
    apart = np.abs(offset)
    near: npt.NDArray[np.bool_] = (apart.max(axis=-1) <= REACH_CELLS) & (
        apart.min(axis=-1) <= arm_cells
    )
    near &= (np.abs(offset_px) <= MOST_REACH_PX + 0.5).all(axis=-1)
    return near.astype(np.float64)


def _design(ink: Ink, jacobian: Array) -> Array:
    """Columns: paper, ink, bend of the tone curve, shift along u and v (times the ink step)."""
    by_u = ink.by_x * jacobian[..., 0, 0] + ink.by_y * jacobian[..., 1, 0]
    by_v = ink.by_x * jacobian[..., 0, 1] + ink.by_y * jacobian[..., 1, 1]
    bend = ink.share * (1.0 - ink.share)
    return np.stack([np.ones_like(ink.share), ink.share, bend, by_u, by_v], axis=-1)
