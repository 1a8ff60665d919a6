"""Measures boards printed elsewhere: single markers, marker grids, ChArUco boards."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from survey.target.boards import BoardPlan
from survey.target.checker import measure_checker
from survey.target.decoding import MarkerHit
from survey.target.inkmodel import map_points
from survey.target.measuring import (
    EDGE_SPREAD,
    LEAST_NOISE,
    NOISE_FACTOR,
    Corners,
    Grey,
    Unusable,
    fit_marker,
    homography_through,
    mean_step,
    total_blur,
    warp_sd,
)
from survey.target.patternfit import PatternFit
from survey.target.shadow import find_shadow

LEAST_CHESS_CORNERS = 6  # common practice: fewer don't fix a pose
LEAST_GRID_MARKERS = 2
MARKER_FLOOR_PX = 0.05  # own simulation: tone curve and ink spread move a marker's outline
SHADOW_FLOOR_PX = 0.25  # own simulation: what is left where a shadow's edge crosses it
LEAST_LIT = 0.93  # of its variance that must be explained where one does
SINGLE_PIXELS = 6000
QUIET = 0.5  # paper round a foreign marker that is fitted with it, modules
CHESS_QUIET = 0.3  # the same inside a ChArUco square

Bits = dict[int, npt.NDArray[np.bool_]]


def measure_single(
    grey: Grey, plan: BoardPlan, hit: MarkerHit, bits: npt.NDArray[np.bool_]
) -> Corners | None:
    """Return the four corners of one marker from a fit of its whole print."""
    fit = fit_marker(grey, hit, bits, margin=QUIET, most_pixels=SINGLE_PIXELS)
    if fit is None or (fit.explained < LEAST_LIT and _shadow_crosses(grey, fit, bits)):
        return None
    half = bits.shape[0] / 2 + 1
    square = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * half
    sd = warp_sd(fit, square, half) * max(fit.residual, LEAST_NOISE) * NOISE_FACTOR
    return Corners(
        corners_target=plan.markers[hit.number],
        corners_px=map_points(fit.homography, square),
        sd_px=np.hypot(sd, MARKER_FLOOR_PX if fit.shadow is None else SHADOW_FLOOR_PX),
        module_px=mean_step(fit.homography, np.zeros(2)),
        blur_px=EDGE_SPREAD * total_blur(fit.blur_px),
        coverage=1.0,
    )


def _shadow_crosses(grey: Grey, fit: PatternFit, bits: npt.NDArray[np.bool_]) -> bool:
    """Whether the edge of a shadow crosses a fitted marker."""
    dark = np.pad(~bits, 1, constant_values=True)
    return fit.shadow is not None or find_shadow(grey, fit.homography, dark) is not None


def measure_grid(
    grey: Grey, plan: BoardPlan, hits: list[MarkerHit], bits: Bits
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
    homography = homography_through(target, px, robust=True)
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
    grey: Grey, plan: BoardPlan, hits: list[MarkerHit], bits: Bits
) -> Corners | Unusable:
    """Chess corners of a ChArUco board, predicted from the markers that were read."""
    assert plan.checker is not None
    largest = max(hits, key=lambda hit: abs(cv2.contourArea(hit.corners_px.astype(np.float32))))
    marker = fit_marker(grey, largest, bits[largest.number], margin=CHESS_QUIET)
    if marker is None:
        return Unusable(
            "blurred", "its markers can't be made out", "take a photo from nearer, hold still"
        )
    target = np.vstack([plan.markers[hit.number] for hit in hits]) / plan.checker.cell
    px = np.vstack([hit.corners_px for hit in hits])
    homography = homography_through(target, px, robust=len(hits) > 2)
    if homography is None:
        return Unusable(
            "too few corners", "too few of its markers can be made out", "take it from nearer"
        )
    start = replace(marker, homography=homography)
    points = plan.checker.points / plan.checker.cell
    return measure_checker(grey, plan.checker, points, start, LEAST_CHESS_CORNERS)
