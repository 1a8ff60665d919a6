"""What the measurement of a board gives, and what all kinds of board share.

A board counts only when its own print is there: the checker frame of a sheet, the other markers
of a grid, the chess corners of a ChArUco board. Corners that can't be made out are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from survey.target.candidates import reduce
from survey.target.decoding import MarkerHit
from survey.target.inkmodel import PIXEL_VARIANCE, map_jacobian, map_points
from survey.target.model import Array
from survey.target.patternfit import DONE_PX, PatternFit, fit_pattern, warp_jacobian
from survey.target.shadow import Shadow, find_shadow

Grey = npt.NDArray[np.uint8]

EDGE_SPREAD = 2.563  # 10-90 % width of a Gaussian edge over its standard deviation
LEAST_PATTERN = 0.8  # of a whole pattern's variance that its model must explain
CERTAIN_PATTERN = 0.99  # and above it no shadow is looked for in it
NOISE_FACTOR = 1.05  # own simulation: stored noise is not quite white
LEAST_NOISE = 0.3  # grey levels, from rounding to whole levels
MARKER_PIXELS = 900  # used to fit a marker that only has to predict its board
PREDICTED_PX = 0.05  # and how well it is fitted
REDUCED_MODULE_PX = 12.0  # larger markers are fitted in a reduced image first
NEAR_PIXELS = 4000  # used to fit those, of which only some lie on a blurred edge
MOST_MOVED = 1.2  # corners of a large quadrilateral are only found to a module


@dataclass(frozen=True, slots=True)
class Corners:
    """Measured corners of one board in one photo; as in `Sighting`."""

    corners_target: Array
    corners_px: Array
    sd_px: Array
    module_px: float
    blur_px: float
    coverage: float


@dataclass(frozen=True, slots=True)
class Unusable:
    """Why a board that was read can't be used: a code of `SightingProblem`, and a clause."""

    code: str
    why: str
    cure: str


def quad_homography(points: Array, px: Array) -> Array:
    """Homography that takes four points to four pixels."""
    found = cv2.getPerspectiveTransform(points.astype(np.float32), px.astype(np.float32))
    return np.asarray(found, dtype=np.float64)


def homography_through(points: Array, px: Array, *, robust: bool) -> Array | None:
    """Homography that takes points to pixels best; None if they fix none.

    By least squares, or with `robust` by the least median of squares.
    """
    found: object = cv2.findHomography(points, px, cv2.LMEDS if robust else 0)[0]
    # OpenCV gives None for points on one line, whatever its type stubs say.
    return None if found is None else np.asarray(found, dtype=np.float64)


def fit_marker(
    grey: Grey,
    hit: MarkerHit,
    bits: npt.NDArray[np.bool_],
    *,
    margin: float,
    most_pixels: int = MARKER_PIXELS,
) -> PatternFit | None:
    """Fit a marker's whole print; None if the pixels don't look like it."""
    dark = np.pad(~bits, 1, constant_values=True)
    half = dark.shape[0] / 2
    square = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * half
    outline = quad_homography(square, hit.corners_px)
    fit = _fit_from(grey, outline, dark, margin, most_pixels, None)
    # A shadow that leaves a print readable still moves corners that are measured by it.
    if fit is None or fit.explained < (
        LEAST_PATTERN if most_pixels == MARKER_PIXELS else CERTAIN_PATTERN
    ):
        shadow = find_shadow(grey, outline, dark)
        if shadow is not None:
            again = _fit_from(grey, outline, dark, margin, most_pixels, shadow)
            if again is not None and (fit is None or again.explained > fit.explained):
                fit = again
    if fit is None or fit.explained < LEAST_PATTERN or fit.contrast < 8.0:
        return None
    moved = map_points(fit.homography, square) - hit.corners_px
    reach = max(2.5, MOST_MOVED * smallest_step(fit.homography, np.zeros(2)))
    return fit if np.abs(moved).max() <= reach else None


def _fit_from(
    grey: Grey,
    outline: Array,
    dark: npt.NDArray[np.bool_],
    margin: float,
    most_pixels: int,
    shadow: Shadow | None,
) -> PatternFit | None:
    """Fit a marker's print from the homography of its outline."""
    start, near = _nearer_start(grey, outline, dark, margin, shadow)
    return fit_pattern(
        grey,
        start,
        dark,
        blur_px=1.0,
        most_pixels=max(most_pixels, NEAR_PIXELS) if near else most_pixels,
        margin=margin,
        done_px=PREDICTED_PX if most_pixels == MARKER_PIXELS else DONE_PX,
        shadow=shadow,
    )


def _nearer_start(
    grey: Grey,
    homography: Array,
    dark: npt.NDArray[np.bool_],
    margin: float,
    shadow: Shadow | None,
) -> tuple[Array, bool]:
    """Homography to start a fit from, that of a large marker from a reduced image; and if it is.

    The outline of a large marker may be off by more than the edges are blurred, from where a fit
    at full size does not find them.
    """
    by = int(smallest_step(homography, np.zeros(2)) / REDUCED_MODULE_PX)
    if by < 2:
        return homography, False
    reach = dark.shape[0] / 2 + margin
    outline = map_points(homography, np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * reach)
    height, width = grey.shape
    left, top = np.maximum(np.floor(outline.min(axis=0)).astype(int) - 2 * by, 0)
    right, low = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + 2 * by, [width, height])
    if right - left < by or low - top < by:
        return homography, False
    small = reduce(grey[top:low, left:right], by)
    # A pixel of the small image spans `by` of the large one.
    to_large = np.array([[by, 0, left + (by - 1) / 2], [0, by, top + (by - 1) / 2], [0, 0, 1.0]])
    fit = fit_pattern(
        small,
        np.linalg.inv(to_large) @ homography,
        dark,
        blur_px=0.5,
        most_pixels=MARKER_PIXELS,
        margin=margin,
        done_px=PREDICTED_PX,
        shadow=None if shadow is None else shadow.reduced(by, left, top),
    )
    if fit is None or fit.explained < LEAST_PATTERN:
        return homography, False
    return to_large @ fit.homography, True


def smallest_step(homography: Array, at: Array) -> float:
    """Pixels to a unit of the pattern at `at`, in the direction seen shortest."""
    return float(np.linalg.svd(map_jacobian(homography, at), compute_uv=False)[-1])


def mean_step(homography: Array, at: Array) -> float:
    """Pixels to a unit of the pattern at `at`, averaged over directions (root of the area)."""
    return float(np.sqrt(abs(np.linalg.det(map_jacobian(homography, at)))))


def total_blur(blur_px: float) -> float:
    """Return the standard deviation of lens blur and pixel together, px."""
    return float(np.sqrt(blur_px**2 + PIXEL_VARIANCE))


def warp_sd(fit: PatternFit, points: Array, half: float) -> Array:
    """Sd of points carried by a fitted pattern for one grey level of noise, px a coordinate."""
    by_warp = map_jacobian(fit.homography, points) @ warp_jacobian(points, half)
    covariance = by_warp @ fit.warp_covariance @ np.swapaxes(by_warp, 1, 2)
    sd: Array = np.sqrt(np.trace(covariance, axis1=1, axis2=2) / 2)
    return sd
