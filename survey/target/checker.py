"""Measures the checker corners of a board: predicts them, fits each, keeps what is truly there."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from survey.target.boards import Checker
from survey.target.consistency import agreeing_corners
from survey.target.inkmodel import map_points
from survey.target.measuring import (
    EDGE_SPREAD,
    LEAST_NOISE,
    NOISE_FACTOR,
    Corners,
    Grey,
    Unusable,
    homography_through,
    mean_step,
    smallest_step,
    total_blur,
)
from survey.target.model import Array
from survey.target.patternfit import PatternFit
from survey.target.saddles import SaddleFits, fit_saddles

LEAST_EXPLAINED = 0.75  # of a patch's variance, for a corner to count
CONTRAST_RANGE = (0.35, 2.5)  # of a corner against its marker
MOST_SD_PX = 0.5
WIDE = 0.15  # of the photo's longer side; a lens bends less of it by under 0.1 px
FIRST_ROUNDS, LAST_ROUNDS = 4, 4
FLOOR_PX = 0.006  # own simulation: what blur model and rounding leave without any noise


def measure_checker(
    grey: Grey, checker: Checker, points: Array, start: PatternFit, least: int
) -> Corners | Unusable:
    """Checker corners, first where the marker puts them, then where the good ones put the rest."""
    homography, blur_px = start.homography, start.blur_px
    middle = points.mean(axis=0)
    cell_px = smallest_step(homography, middle)
    fits, good = _accepted(grey, checker, points, homography, start, 0.3 * cell_px, None)
    if good.sum() >= 8:
        homography = _through(points[good], fits.px[good], homography)
        known = np.where(good[:, None], fits.px, map_points(homography, points))
        allowed = max(0.12 * cell_px, 0.5)
        if good.all():
            apart = np.linalg.norm(map_points(homography, points) - fits.px, axis=1)
            good = apart <= allowed
        else:
            fits, good = _accepted(grey, checker, points, homography, start, allowed, known)
    if good.sum() < least or not _spread_both_ways(points[good]):
        return _too_few(grey, points, homography, fits, good, least)
    sd = _stated_sd(fits)
    residual = fits.px - map_points(_through(points[good], fits.px[good], homography), points)
    wide = bool(np.ptp(fits.px[good], axis=0).max() > WIDE * max(grey.shape))
    agreeing, factor = agreeing_corners(points[good], residual[good], sd[good], wide=wide)
    good[good] = agreeing
    if good.sum() < least or not _spread_both_ways(points[good]):
        return _too_few(grey, points, homography, fits, good, least)
    return Corners(
        corners_target=checker.points[good],
        corners_px=fits.px[good],
        sd_px=factor * sd[good],
        module_px=mean_step(homography, middle),
        blur_px=EDGE_SPREAD * total_blur(blur_px),
        coverage=float(good.mean()),
    )


def _stated_sd(fits: SaddleFits) -> Array:
    """Sd of each corner from its patch's own noise, or from that of all if it seems better."""
    typical = float(np.median(fits.residual))
    noise = np.maximum(np.maximum(fits.residual, typical), LEAST_NOISE) * NOISE_FACTOR
    sd: Array = np.sqrt(np.trace(fits.variance, axis1=1, axis2=2) / 2) * noise
    return np.hypot(sd, FLOOR_PX)


def _accepted(
    grey: Grey,
    checker: Checker,
    points: Array,
    homography: Array,
    marker: PatternFit,
    allowed_px: float,
    known: Array | None,
) -> tuple[SaddleFits, npt.NDArray[np.bool_]]:
    """Fit all corners and tell which are truly there."""
    fits = fit_saddles(
        grey,
        homography,
        points,
        checker.around,
        blur_px=marker.blur_px,
        arm_cells=checker.arm,
        start=known,
        rounds=FIRST_ROUNDS if known is None else LAST_ROUNDS,
    )
    low, high = CONTRAST_RANGE
    if marker.shadow is not None:
        low *= marker.shadow.light
    good = fits.inside & (fits.explained >= LEAST_EXPLAINED) & (fits.shift <= allowed_px)
    good &= (fits.contrast >= low * marker.contrast) & (fits.contrast <= high * marker.contrast)
    sd = np.sqrt(np.trace(fits.variance, axis1=1, axis2=2) / 2) * fits.residual
    good &= sd < MOST_SD_PX
    return fits, good


def _through(points: Array, px: Array, before: Array) -> Array:
    """Homography through corners, without those that stand out."""
    found = homography_through(points, px, robust=False)
    if found is None:
        return before
    apart = np.linalg.norm(map_points(found, points) - px, axis=1)
    kept = apart <= max(3.5 * float(np.median(apart)), 0.2)
    if kept.sum() >= 8:
        again = homography_through(points[kept], px[kept], robust=False)
        found = found if again is None else again
    return found


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
