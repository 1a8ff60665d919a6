"""Whether a board's corners agree with each other as well as their stated sds say.

Corners of a flat board lie on one homography; the lens and a bent board add a smooth departure
from it. What departs from both is no corner of the board: the edge of a shadow, a twig, a torn or
folded piece of paper. Such corners are set aside one by one, worst first; when those that are left
still scatter by more than they claim, the claim is raised to what they show.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from survey.target.model import Array

MOST_DEPARTURE = 4.0  # standardised residual of a corner that is kept; own simulation
MOST_SET_ASIDE = 0.35  # share of the corners
CUBIC_FROM, QUADRATIC_FROM = 30, 16  # corners from which the smooth departure has those terms


def agreeing_corners(
    points: Array, residual_px: Array, sd_px: Array, *, wide: bool
) -> tuple[npt.NDArray[np.bool_], float]:
    """Tell which corners agree, and by how much their sds are too small.

    Parameters
    ----------
    points : (n, 2) array
        Corners on the board, any unit.
    residual_px : (n, 2) array
        Measured minus predicted by the homography through all of them.
    sd_px : (n,) array
        Stated sd of a coordinate.
    wide : bool
        Whether the board takes up so much of the photo that the lens bends its lines by more than
        a quadratic departure tells.

    Returns
    -------
    agreeing : (n,) bool array
    factor : float
        1, or by what the stated sds must be multiplied to be as large as the residuals show.

    Notes
    -----
    Data snooping: the corner with the largest standardised residual goes, and the rest is fitted
    again (Baarda 1968, from memory).
    """
    agreeing = np.ones(len(points), dtype=np.bool_)
    factor = 1.0
    for _ in range(1 + int(MOST_SET_ASIDE * len(points))):
        standardised, redundancy = _standardised(points, residual_px, sd_px, agreeing, wide)
        if redundancy < 4:
            break
        # The median of a sum of two squares of standard normals is 2 ln 2.
        scale = np.sqrt(np.median(standardised[agreeing]) / (2.0 * np.log(2.0)))
        factor = max(1.0, float(scale))
        worst = int(np.argmax(np.where(agreeing, standardised, 0.0)))
        if np.sqrt(standardised[worst]) <= MOST_DEPARTURE * factor:
            break
        agreeing[worst] = False
    return agreeing, factor


def _standardised(
    points: Array, residual_px: Array, sd_px: Array, agreeing: npt.NDArray[np.bool_], wide: bool
) -> tuple[Array, int]:
    """Squared length of each residual over its own sd, and how many corners are to spare."""
    x, y = ((points - points.mean(axis=0)) / np.abs(points - points.mean(axis=0)).max()).T
    one = np.ones_like(x)
    terms = [one, x, y]
    count = int(agreeing.sum())
    if count >= QUADRATIC_FROM:
        terms += [x * x, x * y, y * y]
    if wide and count >= CUBIC_FROM:
        terms += [x**3, x * x * y, x * y * y, y**3]
    design = np.stack(terms, axis=1) / sd_px[:, None]
    observed = residual_px / sd_px[:, None]
    basis, _ = np.linalg.qr(design[agreeing])
    solved = np.linalg.lstsq(design[agreeing], observed[agreeing], rcond=1e-9)[0]
    rest = observed - design @ solved
    # The part of each corner's own variance that the fit has taken up.
    leverage = np.zeros(len(points))
    leverage[agreeing] = (basis**2).sum(axis=1).clip(0.0, 0.9)
    squared: Array = (rest**2).sum(axis=1) / (1.0 - leverage)
    return squared, count - design.shape[1]
