"""Fits a whole printed pattern to the pixels: homography, blur, paper, ink and tone curve.

Used to make a marker's pose good enough to predict the checker frame, and as the measurement
itself for boards so small that single corners can't be told, and for single markers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from survey.target.inkmodel import Ink, blur_widths, ink_share, map_jacobian, map_points
from survey.target.model import Array
from survey.target.shadow import Shadow

MARGIN = 0.8  # paper round the pattern that is looked at, modules
SHARPEST_PX, MOST_BLURRED_PX = 0.3, 6.0  # limits of the fitted blur
_WARPS = 8
DONE_PX = 0.01
CHOSEN_ANEW_PX = 0.4  # the pixels to fit are chosen anew when the pattern has moved so far


@dataclass(frozen=True, slots=True)
class PatternFit:
    """A fitted pattern.

    `homography` pixels from modules; `warp_covariance` (8, 8) of the warp (see `warp_jacobian`)
    for one grey level of noise; `blur_px` standard deviation of the blur; `paper`, `contrast` and
    `residual` grey levels; `explained` share of variance explained by the model.
    """

    homography: Array
    warp_covariance: Array
    blur_px: float
    paper: float
    contrast: float
    residual: float
    explained: float
    pixels: int
    shadow: Shadow | None = None  # that was taken out before


def warp_jacobian(points: Array, half: float) -> Array:
    """Return the derivative (n, 2, 8) of displaced points by the eight terms of a small warp.

    Coordinates are divided by `half`, so that all terms are of one size: the six terms of an
    affine map, then two of perspective.
    """
    x, y = points[:, 0] / half, points[:, 1] / half
    zero, one = np.zeros_like(x), np.ones_like(x)
    along_x = np.stack([one, x, y, zero, zero, zero, x * x, x * y], axis=-1)
    along_y = np.stack([zero, zero, zero, one, x, y, x * y, y * y], axis=-1)
    jacobian: Array = np.stack([along_x, along_y], axis=1) * half
    return jacobian


def apply_warp(homography: Array, warp: Array, half: float) -> Array:
    """Homography after a small warp of the pattern."""
    a = warp
    step = np.array([[a[1], a[2], a[0]], [a[4], a[5], a[3]], [-a[6], -a[7], 0.0]])
    scale = np.diag([1 / half, 1 / half, 1.0])
    moved = homography @ np.linalg.inv(scale) @ (np.eye(3) + step) @ scale
    result: Array = moved / moved[2, 2]
    return result


def fit_pattern(
    grey: npt.NDArray[np.uint8],
    homography: Array,
    dark: npt.NDArray[np.bool_],
    *,
    blur_px: float,
    most_pixels: int,
    margin: float = MARGIN,
    rounds: int = 8,
    done_px: float = DONE_PX,
    shadow: Shadow | None = None,
) -> PatternFit | None:
    """Fit a pattern by least squares (Gauss and Newton).

    Parameters
    ----------
    grey : (h, w) uint8 array
    homography : (3, 3) array
        Pixels from modules about the pattern's centre (y up), good to about half a module.
    dark : (m, n) bool array
        The pattern's modules, row 0 on top.
    blur_px : float
        Blur to start from.
    most_pixels : int
        Pixels to use; of more, an even selection near the pattern's edges is taken.
    margin : float
        Paper round the pattern that is looked at, modules.
    rounds : int
        Steps at most.
    done_px : float
        A step smaller than that is the last.
    shadow : Shadow, optional
        Taken out of the pixels first; those on its edge are left out.

    Returns
    -------
    PatternFit or None
        None if the pattern leaves the image or the fit breaks down.
    """
    half = max(dark.shape) / 2
    solved: _Solved | None = None
    chosen: Array | None = None
    moved_px = np.inf
    for _ in range(rounds):
        if moved_px > CHOSEN_ANEW_PX:
            chosen = _choose_pixels(grey, homography, dark, blur_px, most_pixels, margin)
            moved_px = 0.0
            if chosen is not None and shadow is not None:
                chosen = chosen[shadow.clear(chosen)]
        if chosen is None or len(chosen) < 3 * _WARPS:
            return None
        solved = _solve(chosen, grey, homography, dark, blur_px, half, shadow)
        if solved is None:
            return None
        reach = np.abs(map_jacobian(homography, np.zeros(2))).max() * half
        step_px = float(np.abs(solved.warp).max() * reach)
        held = min(1.0, 0.35 / max(float(np.abs(solved.warp).max() * half), 1e-9))
        homography = apply_warp(homography, solved.warp * held, half)
        change = float(np.clip(solved.log_blur, -0.5, 0.5))
        blur_px = float(np.clip(blur_px * np.exp(change), SHARPEST_PX, MOST_BLURRED_PX))
        if step_px < done_px:
            break
        moved_px += step_px * held
    if solved is None or chosen is None:
        return None
    return PatternFit(
        homography=homography,
        warp_covariance=solved.covariance,
        blur_px=blur_px,
        paper=solved.paper,
        contrast=solved.contrast,
        residual=solved.residual,
        explained=solved.explained,
        pixels=len(chosen),
        shadow=shadow,
    )


def _choose_pixels(
    grey: npt.NDArray[np.uint8],
    homography: Array,
    dark: npt.NDArray[np.bool_],
    blur_px: float,
    most: int,
    margin: float,
) -> Array | None:
    """Pixels (p, 2) over the pattern and a margin of paper, thinned near its edges if too many."""
    rows, columns = dark.shape
    across, down = columns / 2 + margin, rows / 2 + margin
    outline = map_points(
        homography, np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * [across, down]
    )
    low, high = np.floor(outline.min(axis=0)), np.ceil(outline.max(axis=0))
    height, width = grey.shape
    if not (np.isfinite(outline).all() and (low >= 0).all() and (high < [width, height]).all()):
        return None
    size = high - low + 1
    stride = max(1, int(np.sqrt(size.prod() / (12 * most))))
    u, v = np.meshgrid(
        np.arange(low[0], high[0] + 1, stride), np.arange(low[1], high[1] + 1, stride)
    )
    if stride > 1:
        # Aslant, or upright edges could run between all rows or all columns of the selection.
        row, column = np.indices(u.shape)
        skip = round(0.38 * stride) or 1
        u, v = u + row * skip % stride, v + column * skip % stride
    px = np.column_stack([u.ravel(), v.ravel()])
    px = px[(px <= high).all(axis=1)]
    inverse: Array = np.linalg.inv(homography).astype(np.float64)
    points = map_points(inverse, px)
    inside = (np.abs(points[:, 0]) < across) & (np.abs(points[:, 1]) < down)
    px, points = px[inside], points[inside]
    if len(px) > most:
        near = _near_edges(points, dark, map_jacobian(inverse, points), blur_px)
        px = px[near]
    if len(px) > most:
        px = px[:: int(np.ceil(len(px) / most))]
    return px if len(px) >= 3 * _WARPS else None


def _near_edges(
    points: Array, dark: npt.NDArray[np.bool_], jacobian: Array, blur_px: float
) -> npt.NDArray[np.bool_]:
    """Whether each point lies within the blur of an edge between ink and paper."""
    rows, columns = dark.shape
    framed = np.pad(dark, 2)
    reach = 2.0 * np.sqrt(blur_px**2 + 0.1)
    step_x = np.minimum(reach * np.hypot(jacobian[:, 0, 0], jacobian[:, 0, 1]), 0.5)
    step_y = np.minimum(reach * np.hypot(jacobian[:, 1, 0], jacobian[:, 1, 1]), 0.5)

    def at(x: Array, y: Array) -> npt.NDArray[np.bool_]:
        column = np.floor(x + columns / 2).astype(np.intp) + 2
        row = np.floor(rows / 2 - y).astype(np.intp) + 2
        found: npt.NDArray[np.bool_] = framed[row.clip(0, rows + 3), column.clip(0, columns + 3)]
        return found

    x, y = points[:, 0], points[:, 1]
    near: npt.NDArray[np.bool_] = (at(x - step_x, y) != at(x + step_x, y)) | (
        at(x, y - step_y) != at(x, y + step_y)
    )
    return near


@dataclass(frozen=True, slots=True)
class _Solved:
    warp: Array
    log_blur: float
    covariance: Array
    paper: float
    contrast: float
    residual: float
    explained: float


def _solve(
    px: Array,
    grey: npt.NDArray[np.uint8],
    homography: Array,
    dark: npt.NDArray[np.bool_],
    blur_px: float,
    half: float,
    shadow: Shadow | None,
) -> _Solved | None:
    inverse: Array = np.linalg.inv(homography).astype(np.float64)
    points = map_points(inverse, px)
    ink = ink_share(dark, points, *blur_widths(map_jacobian(inverse, px), blur_px))
    level = grey[px[:, 1].astype(np.intp), px[:, 0].astype(np.intp)].astype(np.float64)
    if shadow is not None:
        level = shadow.levels(level, px)
    design = _design(ink, points, blur_px, half)
    normal = design.T @ design
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-12))
    normal = normal / np.outer(scale, scale) + 1e-9 * np.eye(len(scale))
    inverse_normal = np.linalg.inv(normal) / np.outer(scale, scale)
    found = inverse_normal @ (design.T @ level)
    contrast = -float(found[1])
    if not np.isfinite(found).all() or contrast < 1.0:
        return None
    rest = level - design @ found
    spread = float(((level - level.mean()) ** 2).sum())
    return _Solved(
        # ink_step * d(share)/d(point) * (-displacement)
        warp=found[4:] / contrast,
        log_blur=-float(found[3]) / contrast,
        covariance=inverse_normal[4:, 4:] / contrast**2,
        paper=float(found[0]),
        contrast=contrast,
        residual=float(np.sqrt((rest**2).sum() / max(len(level) - len(found), 1))),
        explained=1.0 - float((rest**2).sum()) / max(spread, 1e-9),
    )


def _design(ink: Ink, points: Array, blur_px: float, half: float) -> Array:
    """Columns: paper, ink, bend of the tone curve, blur, and the eight terms of the warp."""
    share = ink.share
    warp = warp_jacobian(points, half)
    displaced = ink.by_x[:, None] * warp[:, 0] + ink.by_y[:, None] * warp[:, 1]
    # The blur in modules holds the pixel's own width too; only the lens's part is unknown.
    lens = blur_px**2 / (blur_px**2 + 1.0 / 12.0)
    first = np.column_stack(
        [np.ones_like(share), share, share * (1.0 - share), ink.by_log_blur * lens]
    )
    design: Array = np.hstack([first, displaced])
    return design
