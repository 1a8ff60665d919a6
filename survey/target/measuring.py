"""From a marker that was read to the measured corners of its board, or why there are none.

A board counts only when its own print is there: the checker frame of a sheet, the other markers
of a grid, the chess corners of a ChArUco board. Corners that can't be made out are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from survey.target.boards import BoardPlan, Checker
from survey.target.decoding import MarkerHit
from survey.target.inkmodel import PIXEL_VARIANCE, map_jacobian, map_points
from survey.target.model import Array
from survey.target.patternfit import PatternFit, fit_pattern, warp_jacobian
from survey.target.saddles import SaddleFits, fit_saddles
from survey.target.sheets import MARKER_MODULES, MODULES, pattern_cells

Grey = npt.NDArray[np.uint8]

EDGE_SPREAD = 2.563  # 10-90 % width of a Gaussian edge over its standard deviation
SHARP_ENOUGH = 2.4  # smallest cell over blur at which single corners can be told
LEAST_CELL_PX = 3.0
LEAST_EXPLAINED = 0.75  # of a patch's variance, for a corner to count
LEAST_PATTERN = 0.8  # of the whole pattern's variance
CONTRAST_RANGE = (0.35, 2.5)  # of a corner against its marker
LEAST_SADDLES = 12
LEAST_CHESS_CORNERS = 6  # common practice: fewer don't fix a pose
LEAST_GRID_MARKERS = 2
FLOOR_PX = 0.006  # own simulation: what blur model and rounding leave without any noise
NOISE_FACTOR = 1.05  # own simulation: stored noise is not quite white
MARKER_FLOOR_PX = 0.05  # own simulation: tone curve and ink spread move a marker's outline
FULL_FIT_FLOOR_PX = 0.01
VIRTUAL_MODULES = 4.5  # where the four points of a whole-pattern fit are put
MARKER_PIXELS, FULL_PIXELS, SINGLE_PIXELS = 1500, 7000, 6000


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
    found: Array = cv2.getPerspectiveTransform(points.astype(np.float32), px.astype(np.float32))
    return found


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
    start = quad_homography(square, hit.corners_px)
    fit = fit_pattern(grey, start, dark, blur_px=1.0, most_pixels=most_pixels, margin=margin)
    if fit is None or fit.explained < LEAST_PATTERN or fit.contrast < 8.0:
        return None
    moved = map_points(fit.homography, square) - hit.corners_px
    reach = max(2.5, 0.7 * smallest_step(fit.homography, np.zeros(2)))
    return fit if np.abs(moved).max() <= reach else None


def smallest_step(homography: Array, at: Array) -> float:
    """Pixels to a unit of the pattern at `at`, in the direction seen shortest."""
    return float(np.linalg.svd(map_jacobian(homography, at), compute_uv=False)[-1])


def mean_step(homography: Array, at: Array) -> float:
    """Pixels to a unit of the pattern at `at`, averaged over directions (root of the area)."""
    return float(np.sqrt(abs(np.linalg.det(map_jacobian(homography, at)))))


def total_blur(blur_px: float) -> float:
    """Standard deviation of lens blur and pixel together, px."""
    return float(np.sqrt(blur_px**2 + PIXEL_VARIANCE))


def measure_sheet(grey: Grey, plan: BoardPlan, marker: PatternFit) -> Corners | Unusable:
    """Corners of one of our own sheets from its fitted marker."""
    assert plan.checker is not None
    module = plan.checker.cell
    cell_px = smallest_step(marker.homography, np.zeros(2))
    blur = total_blur(marker.blur_px)
    if cell_px >= max(LEAST_CELL_PX, SHARP_ENOUGH * blur):
        points = plan.checker.points / module
        return _measure_checker(grey, plan.checker, points, marker, LEAST_SADDLES)
    number = next(iter(plan.markers))
    return _measure_whole(grey, pattern_cells(number), module, marker)


def _measure_whole(
    grey: Grey, dark: npt.NDArray[np.bool_], module: float, marker: PatternFit
) -> Corners | Unusable:
    """Four points that stand for the fit of a whole, distant sheet."""
    fit = fit_pattern(
        grey,
        marker.homography,
        dark,
        blur_px=marker.blur_px,
        most_pixels=FULL_PIXELS,
    )
    module_px = mean_step(marker.homography, np.zeros(2))
    if fit is None:
        return Unusable(
            "too few corners",
            f"at {module_px:.1f} px a module it can only be used whole, and it isn't whole",
            "take a photo from nearer, with the whole sheet in it",
        )
    frame = _frame_agreement(grey, fit, dark)
    if fit.explained < LEAST_PATTERN or frame.min() < 0.6:
        sharp = total_blur(fit.blur_px) < 0.6 * module_px
        return Unusable(
            "too few corners" if sharp else "blurred",
            f"its checker frame can't be made out at {module_px:.1f} px a module",
            "take a photo from nearer, with the whole sheet in it",
        )
    points = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * VIRTUAL_MODULES
    sd = _warp_sd(fit, points, MODULES / 2)
    noise = max(fit.residual, 0.3) * NOISE_FACTOR
    sd_px = np.hypot(sd * noise, FULL_FIT_FLOOR_PX)
    if sd_px.max() > 0.5:
        return Unusable(
            "blurred" if total_blur(fit.blur_px) > 1.5 else "too small",
            f"its corners are only good to {sd_px.max():.1f} px",
            "take a photo from nearer, or hold the phone still",
        )
    return Corners(
        corners_target=points * module,
        corners_px=map_points(fit.homography, points),
        sd_px=sd_px,
        module_px=mean_step(fit.homography, np.zeros(2)),
        blur_px=EDGE_SPREAD * total_blur(fit.blur_px),
        coverage=1.0,
    )


def _frame_agreement(grey: Grey, fit: PatternFit, dark: npt.NDArray[np.bool_]) -> Array:
    """Correlation of the pixels with the print on each side of the checker frame (4,)."""
    middles = np.arange(MODULES) - (MODULES - 1) / 2
    x, y = np.meshgrid(middles, -middles)
    px = map_points(fit.homography, np.stack([x, y], axis=-1))
    seen = cv2.remap(
        grey, px[..., 0].astype(np.float32), px[..., 1].astype(np.float32), cv2.INTER_LINEAR
    ).astype(np.float64)
    sides = (np.s_[:2, :], np.s_[-2:, :], np.s_[:, :2], np.s_[:, -2:])
    agreement = []
    for side in sides:
        level, ink = seen[side].ravel(), dark[side].ravel().astype(np.float64)
        spread = level.std()
        agreement.append(-np.corrcoef(level, ink)[0, 1] if spread > 1e-9 else 0.0)
    return np.array(agreement)


def _warp_sd(fit: PatternFit, points: Array, half: float) -> Array:
    """Sd of points carried by a fitted pattern for one grey level of noise, px a coordinate."""
    by_warp = map_jacobian(fit.homography, points) @ warp_jacobian(points, half)
    covariance = by_warp @ fit.warp_covariance @ np.swapaxes(by_warp, 1, 2)
    sd: Array = np.sqrt(np.trace(covariance, axis1=1, axis2=2) / 2)
    return sd


def _measure_checker(
    grey: Grey, checker: Checker, points: Array, start: PatternFit, least: int
) -> Corners | Unusable:
    """Checker corners, first where the marker puts them, then where the good ones put the rest."""
    homography, blur_px = start.homography, start.blur_px
    middle = points.mean(axis=0)
    cell_px = smallest_step(homography, middle)
    allowed = 0.3 * cell_px
    fits, good = _accepted(grey, checker, points, homography, start, allowed)
    for _ in range(2):
        if good.sum() < 8:
            break
        homography = _through(points[good], fits.px[good], homography)
        allowed = max(0.12 * cell_px, 0.5)
        fits, good = _accepted(grey, checker, points, homography, start, allowed)
    if good.sum() < least or not _spread_both_ways(points[good]):
        return _too_few(grey, points, homography, fits, good, least)
    noise = np.maximum(fits.residual[good], np.sqrt(np.mean(fits.residual[good] ** 2)))
    noise = np.maximum(noise, 0.3) * NOISE_FACTOR
    sd = np.sqrt(np.trace(fits.variance[good], axis1=1, axis2=2) / 2) * noise
    return Corners(
        corners_target=checker.points[good],
        corners_px=fits.px[good],
        sd_px=np.hypot(sd, FLOOR_PX),
        module_px=mean_step(homography, middle),
        blur_px=EDGE_SPREAD * total_blur(blur_px),
        coverage=float(good.mean()),
    )


def _accepted(
    grey: Grey,
    checker: Checker,
    points: Array,
    homography: Array,
    marker: PatternFit,
    allowed_px: float,
) -> tuple[SaddleFits, npt.NDArray[np.bool_]]:
    """Fit all corners and tell which are truly there."""
    fits = fit_saddles(
        grey, homography, points, checker.around, blur_px=marker.blur_px, arm_cells=checker.arm
    )
    low, high = CONTRAST_RANGE
    good = fits.inside & (fits.explained >= LEAST_EXPLAINED) & (fits.shift <= allowed_px)
    good &= (fits.contrast >= low * marker.contrast) & (fits.contrast <= high * marker.contrast)
    sd = np.sqrt(np.trace(fits.variance, axis1=1, axis2=2) / 2) * fits.residual
    good &= sd < 0.5
    return fits, good


def _through(points: Array, px: Array, before: Array) -> Array:
    """Homography through corners, without those that stand out."""
    found, _ = cv2.findHomography(points, px, 0)
    if found is None:
        return before
    apart = np.linalg.norm(map_points(found, points) - px, axis=1)
    kept = apart <= max(3.5 * float(np.median(apart)), 0.2)
    if kept.sum() >= 8:
        again, _ = cv2.findHomography(points[kept], px[kept], 0)
        found = found if again is None else again
    result: Array = np.asarray(found, dtype=np.float64)
    return result


def _spread_both_ways(points: Array) -> bool:
    """Whether corners lie on more than one line."""
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(spread[1] > 0.15 * spread[0])


def _too_few(
    grey: Grey,
    points: Array,
    homography: Array,
    fits: SaddleFits,
    good: npt.NDArray[np.bool_],
    least: int,
) -> Unusable:
    """Why so few corners of a board are there."""
    count, whole = int(good.sum()), len(points)
    outside = int((~fits.inside).sum())
    px = map_points(homography, points)
    height, width = grey.shape
    seen = px[((px >= 0) & (px < [width, height])).all(axis=1)].astype(np.intp)
    bright = float((grey[seen[:, 1], seen[:, 0]] >= 253).mean()) if len(seen) else 0.0
    told = f"only {count} of its {whole} checker corners can be made out"
    if outside > whole / 3:
        return Unusable(
            "too few corners",
            f"{told}, {outside} lie outside the photo",
            "take a photo with the whole board in it",
        )
    if bright > 0.3:
        return Unusable(
            "glare", f"{told}, the print is washed out", "take a photo from another side"
        )
    if count < 4:
        return Unusable(
            "wrong layout",
            f"its marker is there, but {told}",
            "uncover the board, or check which board was printed and declared",
        )
    return Unusable(
        "too few corners", f"{told}, {least} are needed", "take a photo with the whole board in it"
    )


def measure_single(
    grey: Grey, plan: BoardPlan, hit: MarkerHit, bits: npt.NDArray[np.bool_]
) -> Corners | None:
    """The four corners of one marker from a fit of its whole print."""
    fit = fit_marker(grey, hit, bits, margin=0.5, most_pixels=SINGLE_PIXELS)
    if fit is None:
        return None
    half = bits.shape[0] / 2 + 1
    square = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * half
    sd = _warp_sd(fit, square, half) * max(fit.residual, 0.3) * NOISE_FACTOR
    return Corners(
        corners_target=plan.markers[hit.number],
        corners_px=map_points(fit.homography, square),
        sd_px=np.hypot(sd, MARKER_FLOOR_PX),
        module_px=mean_step(fit.homography, np.zeros(2)),
        blur_px=EDGE_SPREAD * total_blur(fit.blur_px),
        coverage=1.0,
    )


def measure_grid(
    grey: Grey, plan: BoardPlan, hits: list[MarkerHit], bits: dict[int, npt.NDArray[np.bool_]]
) -> Corners | Unusable:
    """Corners of all markers of a grid that agree with one plane."""
    found = [
        corners
        for hit in hits
        if (corners := measure_single(grey, plan, hit, bits[hit.number])) is not None
    ]
    least = min(LEAST_GRID_MARKERS, len(plan.markers))
    told = f"only {len(found)} of its {len(plan.markers)} markers can be made out"
    cure = "take a photo with more of the board in it, from nearer"
    if len(found) < least:
        return Unusable("too few corners", f"{told}, {least} are needed", cure)
    target = np.vstack([corners.corners_target for corners in found])
    px = np.vstack([corners.corners_px for corners in found])
    homography, _ = cv2.findHomography(target, px, cv2.LMEDS)
    if homography is None:
        return Unusable("too few corners", told, cure)
    apart = np.abs(map_points(homography, target) - px).reshape(len(found), -1).max(axis=1)
    allowed = [max(1.0, 0.3 * corners.module_px) for corners in found]
    kept = [c for c, off, most in zip(found, apart, allowed, strict=True) if off <= most]
    if len(kept) < max(least, (len(found) + 1) // 2):
        return Unusable(
            "wrong layout",
            "its markers don't stand where the declared columns, rows and gap put them",
            "check marker side, gap, columns, rows and first_id",
        )
    return Corners(
        corners_target=np.vstack([corners.corners_target for corners in kept]),
        corners_px=np.vstack([corners.corners_px for corners in kept]),
        sd_px=np.concatenate([corners.sd_px for corners in kept]),
        module_px=float(np.mean([corners.module_px for corners in kept])),
        blur_px=float(np.median([corners.blur_px for corners in kept])),
        coverage=len(kept) / len(plan.markers),
    )


def measure_charuco(
    grey: Grey, plan: BoardPlan, hits: list[MarkerHit], bits: dict[int, npt.NDArray[np.bool_]]
) -> Corners | Unusable:
    """Chess corners of a ChArUco board, predicted from the markers that were read."""
    assert plan.checker is not None
    largest = max(hits, key=lambda hit: abs(cv2.contourArea(hit.corners_px.astype(np.float32))))
    marker = fit_marker(grey, largest, bits[largest.number], margin=0.3)
    if marker is None:
        return Unusable(
            "blurred", "its markers can't be made out", "take a photo from nearer, hold still"
        )
    target = np.vstack([plan.markers[hit.number] for hit in hits]) / plan.checker.cell
    px = np.vstack([hit.corners_px for hit in hits])
    homography, _ = cv2.findHomography(target, px, cv2.LMEDS if len(hits) > 2 else 0)
    if homography is None:
        return Unusable(
            "too few corners", "too few of its markers can be made out", "take it from nearer"
        )
    start = PatternFit(
        homography=np.asarray(homography, dtype=np.float64),
        warp_covariance=marker.warp_covariance,
        blur_px=marker.blur_px,
        paper=marker.paper,
        contrast=marker.contrast,
        residual=marker.residual,
        explained=marker.explained,
        pixels=marker.pixels,
    )
    points = plan.checker.points / plan.checker.cell
    return _measure_checker(grey, plan.checker, points, start, LEAST_CHESS_CORNERS)


MARKER_HALF = MARKER_MODULES / 2
