"""Gaussian-process arithmetic: a smooth departure around a plane trend.

Universal kriging with a flat prior on the trend (Rasmussen, Williams 2006, Gaussian Processes for
Machine Learning, section 2.7), Matern 5/2 covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.spatial.distance import cdist

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Waviness:
    """A Matern 5/2 process: `sd` metres, `length` metres."""

    sd: float
    length: float

    def covariance(self, first: Array, second: Array) -> Array:
        """Covariance (n, m), m2, between places (n, 2) and (m, 2)."""
        scaled = np.sqrt(5.0) * cdist(first, second) / self.length
        shape: Array = (1.0 + scaled + scaled**2 / 3.0) * np.exp(-scaled)
        return self.sd**2 * shape


def plane_trend(places: Array) -> Array:
    """Design matrix (n, 3) of a plane: 1, u, v."""
    return np.column_stack([np.ones(len(places)), places])


@dataclass(frozen=True, slots=True)
class Conditioned:
    """Mean (m,) and covariance (m, m) of trend plus process at wanted places."""

    mean: Array
    covariance: Array
    trend: Array  # (3,) estimated plane
    trend_covariance: Array


def condition(
    process: Waviness,
    places: Array,
    heights: Array,
    covariance: Array,
    wanted: Array,
) -> Conditioned:
    """Condition a plane plus a process on readings.

    Parameters
    ----------
    process : Waviness
    places : (n, 2) array
        Where was read, plane frame.
    heights : (n,) array
        Metres.
    covariance : (n, n) array
        Covariance of the readings, m2.
    wanted : (m, 2) array

    Returns
    -------
    Conditioned
        Of the noise-free surface.
    """
    total = covariance + process.covariance(places, places)
    factor = cho_factor(total, lower=True)
    design = plane_trend(places)
    solved = cho_solve(factor, design)
    trend_covariance = np.linalg.inv(design.T @ solved)
    trend = trend_covariance @ (solved.T @ heights)
    cross = process.covariance(wanted, places)
    weights = cho_solve(factor, cross.T).T
    mean = plane_trend(wanted) @ trend + weights @ (heights - design @ trend)
    gap = plane_trend(wanted) - weights @ design
    spread = process.covariance(wanted, wanted) - weights @ cross.T
    spread = spread + gap @ trend_covariance @ gap.T
    return Conditioned(mean, (spread + spread.T) / 2, trend, trend_covariance)
