"""Pitch and direction of fall from the gradient, honest also near level.

The fall is a vector g with covariance C. Its length p can't be negative, so near level a linear
interval about |g| is wrong on both sides: the direction that the noise gives is taken for fall. The
interval here is the set of pitches that the reading does not refuse: the lengths of all falls x in
the ellipse

    (g - x)' C^-1 (g - x) <= c

with c = 3.84 for a pitch far from level, where one direction counts, and 5.99 for level, where both
do (chi square at 95 %, 1 and 2 degrees of freedom).
"""

from __future__ import annotations

import math

import numpy as np

from survey.adjustment.model import Array

ONE_WAY = 3.841458820694124  # chi-square, 95 %, 1 degree of freedom
BOTH_WAYS = 5.991464547107979  # the same, 2 degrees of freedom
FAR = 3.0  # sds of fall from level at which one direction counts alone
STEPS = 12
DIRECTIONS = 720  # points of the rim; its lengths are then good to 4e-5 of the half-width


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
    far = FAR * math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))
    turn = np.linspace(0.0, 2 * np.pi, DIRECTIONS, endpoint=False)
    rim = np.stack([np.cos(turn), np.sin(turn)], axis=1) @ np.linalg.cholesky(covariance).T
    level = float(gradient @ np.linalg.solve(covariance, gradient))

    def reach(pitch: float) -> tuple[float, float]:
        """Shortest and longest fall of the ellipse that judges a pitch."""
        limit = ONE_WAY + (BOTH_WAYS - ONE_WAY) * max(0.0, 1.0 - pitch / far)
        lengths = np.hypot(*(gradient + math.sqrt(limit) * rim).T)
        return 0.0 if level <= limit else float(lengths.min()), float(lengths.max())

    low, high = 0.0, value
    for _ in range(STEPS):  # each end is the pitch that its own ellipse just reaches
        low, high = reach(low)[0], reach(high)[1]
    return value, min(low, value), max(high, value)


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
