"""Pitch and direction of fall from the gradient, honest also near level.

The fall is a vector g with covariance C. Its length p can't be negative, so near level a linear
interval about |g| is wrong on both sides: the direction that the noise gives is taken for fall. The
interval here is the set of pitches that the reading does not refuse,

    { p : min over directions t of (g - p t)' C^-1 (g - p t) <= c },

with c = 3.84 far from level, where one direction counts, and 5.99 at level, where both do (chi
square at 95 %, 1 and 2 degrees of freedom).
"""

from __future__ import annotations

import math

import numpy as np

from survey.adjustment.model import Array

ONE_WAY = 3.841458820694124  # chi-square, 95 %, 1 degree of freedom
BOTH_WAYS = 5.991464547107979  # the same, 2 degrees of freedom
FAR = 3.0  # sds of fall from level at which one direction counts alone
DIRECTIONS = 720


def pitch_interval(gradient: Array, covariance: Array) -> tuple[float, float, float]:
    """Length of the fall with its 95 % interval.

    Parameters
    ----------
    gradient : (2,) array
        dz/dx, dz/dy, m/m.
    covariance : (2, 2) array

    Returns
    -------
    value : float
        Length of `gradient`.
    low, high : float
        Bounds of the interval; `low` is never negative.
    """
    value = float(np.hypot(*gradient))
    covariance = np.asarray(covariance) + 1e-18 * np.eye(2)
    weight = np.linalg.inv(covariance)
    largest = math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))
    turn = np.linspace(0.0, 2 * np.pi, DIRECTIONS, endpoint=False)
    towards = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    # For each direction the pitches with misfit <= c form an interval: a p^2 - 2 b p + k <= c.
    a = np.einsum("ni,ij,nj->n", towards, weight, towards)
    b = towards @ weight @ gradient
    k = float(gradient @ weight @ gradient)
    limit = ONE_WAY + (BOTH_WAYS - ONE_WAY) * max(0.0, 1.0 - value / (FAR * largest))
    inside = b**2 - a * (k - limit)
    root = np.sqrt(np.maximum(inside, 0.0))
    high = np.where(inside >= 0, (b + root) / a, -np.inf)
    low = np.where(inside >= 0, (b - root) / a, np.inf)
    reachable = high >= 0
    lowest = float(np.maximum(low[reachable], 0.0).min()) if reachable.any() else value
    highest = float(high.max()) if reachable.any() else value
    return value, min(lowest, value), max(highest, value)


def fall_direction(gradient: Array, covariance: Array) -> tuple[float, float] | None:
    """Azimuth in which water runs, with its sd; None when the plane may as well be level.

    Returns
    -------
    azimuth : float
        Radians clockwise from the y axis seen from above, in [0, 2 pi).
    sd : float
        Radians.
    """
    weight = np.linalg.inv(np.asarray(covariance) + 1e-18 * np.eye(2))
    if float(gradient @ weight @ gradient) <= BOTH_WAYS:
        return None
    gx, gy = (float(g) for g in gradient)
    squared = gx**2 + gy**2
    azimuth = math.atan2(-gx, -gy) % (2 * math.pi)
    across = np.array([-gy, gx]) / squared
    return azimuth, math.sqrt(max(float(across @ covariance @ across), 0.0))
