"""How readings lie on a plane: how many, how close."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag
from scipy.spatial import cKDTree

from survey.drainage.evidence import Soundings

Array = npt.NDArray[np.float64]

FEWEST_READINGS = 6  # three fix the plane; with fewer than three more nothing shows a low spot
FINEST_CELL = 0.1524  # m, 6 in
MOST_READINGS = 600  # above that, close readings are averaged
NARROWEST = 0.15  # m, spread of the readings square to their line from which they fix a plane


def fix_a_plane(places: Array) -> bool:
    """Whether readings at places (n, 2) spread both ways, so that they fix a plane."""
    spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    return bool(spread[-1] > NARROWEST * np.sqrt(len(places)))


def join(first: Soundings, second: Soundings) -> Soundings:
    """Put two independent sets of readings together."""
    return Soundings(
        places=np.vstack([first.places, second.places]),
        heights=np.append(first.heights, second.heights),
        covariance=block_diag(first.covariance, second.covariance),
        breaks=first.breaks,
    )


def average_close(soundings: Soundings) -> Soundings:
    """Average readings that lie close together until there are not too many.

    The averages are observed of the same places, so nothing is taken to be where it wasn't read.
    """
    places = soundings.places
    if len(places) <= MOST_READINGS:
        return soundings
    low = places.min(axis=0)
    size = np.maximum(np.ptp(places, axis=0), 1e-3)
    side = float(np.sqrt(size.prod() / MOST_READINGS))
    while True:
        cells = np.floor((places - low) / side).astype(np.int64)
        _, group = np.unique(cells, axis=0, return_inverse=True)
        group = group.ravel()
        count = int(group.max()) + 1
        if count <= MOST_READINGS:
            break
        side *= 1.1
    mean = np.zeros((count, len(places)))
    mean[group, np.arange(len(places))] = 1.0
    mean /= mean.sum(axis=1, keepdims=True)
    return Soundings(
        places=places,
        heights=mean @ soundings.heights,
        covariance=mean @ soundings.covariance @ mean.T,
        breaks=soundings.breaks,
        operator=mean,
    )


def reading_spacing(places: Array) -> float:
    """Typical distance between readings, metres: the median to the nearest other place."""
    distinct = np.unique(np.round(places, 3), axis=0)
    if len(distinct) < 2:
        return 4 * FINEST_CELL
    distances, _ = cKDTree(distinct).query(distinct, k=2)
    return float(np.median(distances[:, 1]))
