"""How readings lie on a plane: how many, how close."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

Array = npt.NDArray[np.float64]

FEWEST_READINGS = 6  # three fix the plane; with fewer than three more nothing shows a low spot
FINEST_CELL = 0.1524  # m, 6 in


def reading_spacing(places: Array) -> float:
    """Typical distance between readings, metres: the median to the nearest other place."""
    distinct = np.unique(np.round(places, 3), axis=0)
    if len(distinct) < 2:
        return 4 * FINEST_CELL
    distances, _ = cKDTree(distinct).query(distinct, k=2)
    return float(np.median(distances[:, 1]))
