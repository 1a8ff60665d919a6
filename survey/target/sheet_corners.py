"""Measures our own sheets: by single checker corners from near, by the whole print from afar."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from survey.target.boards import BoardPlan
from survey.target.checker import measure_checker
from survey.target.inkmodel import map_points
from survey.target.measuring import (
    EDGE_SPREAD,
    LEAST_NOISE,
    LEAST_PATTERN,
    NOISE_FACTOR,
    Corners,
    Grey,
    Unusable,
    mean_step,
    smallest_step,
    total_blur,
    warp_sd,
)
from survey.target.model import Array
from survey.target.patternfit import PatternFit, fit_pattern
from survey.target.sheets import MODULES, pattern_cells

SHARP_ENOUGH = 2.4  # smallest cell over blur at which single corners can be told
LEAST_CELL_PX = 3.0
LEAST_SADDLES = 12
LEAST_FRAME = 0.6  # correlation of each side of the frame with its print
FULL_PIXELS = 7000
FULL_FIT_FLOOR_PX = 0.01
FULL_FIT_BIAS = 0.04  # px for a blur of one pixel, with its square; own simulation
MOST_SD_PX = 0.5
VIRTUAL_MODULES = 4.5  # where the four points that stand for a whole print are put


def measure_sheet(grey: Grey, plan: BoardPlan, marker: PatternFit) -> Corners | Unusable:
    """Corners of one of our own sheets from its fitted marker."""
    assert plan.checker is not None
    module = plan.checker.cell
    cell_px = smallest_step(marker.homography, np.zeros(2))
    blur = total_blur(marker.blur_px)
    if cell_px >= max(LEAST_CELL_PX, SHARP_ENOUGH * blur):
        points = plan.checker.points / module
        return measure_checker(grey, plan.checker, points, marker, LEAST_SADDLES)
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
        shadow=marker.shadow,
    )
    module_px = mean_step(marker.homography, np.zeros(2))
    if fit is None:
        return Unusable(
            "too few corners",
            f"at {module_px:.1f} px a module it can only be used whole, and it isn't whole",
            "take a photo from nearer, with the whole sheet in it",
        )
    frame = _frame_agreement(grey, fit, dark)
    if fit.explained < LEAST_PATTERN or frame.min() < LEAST_FRAME:
        sharp = total_blur(fit.blur_px) < 0.6 * module_px
        return Unusable(
            "too few corners" if sharp else "blurred",
            f"its checker frame can't be made out at {module_px:.1f} px a module",
            "take a photo from nearer, with the whole sheet in it",
        )
    points = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * VIRTUAL_MODULES
    sd = warp_sd(fit, points, MODULES / 2)
    noise = max(fit.residual, LEAST_NOISE) * NOISE_FACTOR
    floor = FULL_FIT_FLOOR_PX + FULL_FIT_BIAS * total_blur(fit.blur_px) ** 2
    sd_px = np.hypot(sd * noise, floor)
    if sd_px.max() > MOST_SD_PX:
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
    if fit.shadow is not None:
        seen = fit.shadow.levels(seen.ravel(), px.reshape(-1, 2)).reshape(seen.shape)
    sides = (np.s_[:2, :], np.s_[-2:, :], np.s_[:, :2], np.s_[:, -2:])
    agreement = []
    for side in sides:
        level, ink = seen[side].ravel(), dark[side].ravel().astype(np.float64)
        spread = level.std()
        agreement.append(-np.corrcoef(level, ink)[0, 1] if spread > 1e-9 else 0.0)
    return np.array(agreement)
