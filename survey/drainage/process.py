"""The smooth departure of a roof from plane and dishes, and the plane itself as a trend.

A Gaussian process with Matern 5/2 covariance around a trend with a flat prior (Rasmussen, Williams
2006, Gaussian Processes for Machine Learning, sections 2.7 and 4.2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
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
