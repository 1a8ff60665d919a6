"""How bright each pixel near a printed pattern should be, with derivatives.

A pattern is a grid of square modules, dark or light, in module units about its centre (x right,
y up). Seen through a homography and blurred by a Gaussian, the share of ink at a point is a sum
over modules of products of normal distribution functions along x and y; the blur's two widths
follow from its width in pixels and the local scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from survey.target.model import Array

PIXEL_VARIANCE = 1.0 / 12.0  # a pixel averages over its own square
_FAR = 1e6
_STEPS, _END = 1024, 6  # the tables' steps to a unit, and where they end
_TABLED = np.arange(-_END * _STEPS, _END * _STEPS + 1) / _STEPS
_BELOW = ndtr(_TABLED)
_DENSITY = np.exp(-0.5 * _TABLED**2) / np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, slots=True)
class Ink:
    """Share of ink (0 paper to 1 ink) at points, and its derivatives.

    `by_x`, `by_y` a module; `by_log_blur` a change of the logarithm of the blur (0 unless asked
    for).
    """

    share: Array
    by_x: Array
    by_y: Array
    by_log_blur: Array


def map_points(homography: Array, points: Array) -> Array:
    """Apply a 3 x 3 homography to (..., 2) points."""
    x, y = points[..., 0], points[..., 1]
    h = homography
    weight = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    mapped: Array = np.stack(
        [
            (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / weight,
            (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / weight,
        ],
        axis=-1,
    )
    return mapped


def map_jacobian(homography: Array, points: Array) -> Array:
    """Return the derivative (..., 2, 2) of `map_points` by the points."""
    x, y = points[..., 0], points[..., 1]
    h = homography
    weight = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    mapped = map_points(homography, points)
    jacobian: Array = np.empty((*points.shape, 2))
    for row in (0, 1):
        for column in (0, 1):
            slope = h[row, column] - mapped[..., row] * h[2, column]
            jacobian[..., row, column] = slope / weight
    return jacobian


def blur_widths(jacobian: Array, blur_px: float) -> tuple[Array, Array]:
    """Blur along x and y, modules, from the derivative of modules by pixels."""
    variance = blur_px**2 + PIXEL_VARIANCE
    along_x = np.sqrt(variance * (jacobian[..., 0, 0] ** 2 + jacobian[..., 0, 1] ** 2))
    along_y = np.sqrt(variance * (jacobian[..., 1, 0] ** 2 + jacobian[..., 1, 1] ** 2))
    return along_x, along_y


def module_edges(count: int, *, endless: bool) -> Array:
    """Edges of `count` modules about 0; with `endless` the outer two reach far out."""
    edges = np.arange(count + 1, dtype=np.float64) - count / 2
    if endless:
        edges[0], edges[-1] = -_FAR, _FAR
    return edges


def ink_share(
    dark: npt.NDArray[np.bool_] | Array,
    points: Array,
    blur_x: Array,
    blur_y: Array,
    *,
    endless: bool = False,
    with_blur: bool = True,
) -> Ink:
    """Share of ink of a pattern at points.

    Parameters
    ----------
    dark : (..., m, n) array
        Modules, row 0 on top; leading axes go with those of `points`.
    points : (..., p, 2) array
        Module units about the pattern's centre, y up.
    blur_x, blur_y : (..., p) array
        Widths of the Gaussian, modules.
    endless : bool
        Whether the outermost modules go on for ever (else paper lies beyond).
    with_blur : bool
        Whether the derivative by the blur is wanted.
    """
    rows, columns = dark.shape[-2:]
    cells = np.asarray(dark, dtype=np.float64)
    x = _along(points[..., 0], blur_x, module_edges(columns, endless=endless))
    # Counted downwards, so that the first row is on top.
    y = _along(-points[..., 1], blur_y, module_edges(rows, endless=endless))
    by_rows = y.share @ cells
    spread = np.zeros(())
    if with_blur:
        spread = (by_rows * x.spread() + (y.spread() @ cells) * x.share).sum(axis=-1)
    return Ink(
        share=(by_rows * x.share).sum(axis=-1),
        by_x=(by_rows * x.slope).sum(axis=-1),
        by_y=-((y.slope @ cells) * x.share).sum(axis=-1),
        by_log_blur=spread,
    )


@dataclass(frozen=True, slots=True)
class _Along:
    share: Array  # of each module, (..., p, n)
    slope: Array  # derivative by the coordinate
    z: Array  # distance from each edge, widths of the blur
    density: Array

    def spread(self) -> Array:
        """Return the derivative by the logarithm of the blur."""
        change = self.z * self.density
        return change[..., 1:] - change[..., :-1]


def _along(coordinate: Array, blur: Array, edges: Array) -> _Along:
    z = (coordinate[..., None] - edges) / blur[..., None]
    np.minimum(np.maximum(z, -_END, out=z), _END, out=z)
    index = (z * _STEPS + (_END * _STEPS + 0.5)).astype(np.intp)
    below, density = _BELOW.take(index), _DENSITY.take(index)
    slope = (density[..., :-1] - density[..., 1:]) / blur[..., None]
    return _Along(below[..., :-1] - below[..., 1:], slope, z, density)
