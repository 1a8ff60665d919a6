"""Where one more rod reading would settle most about low spots."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from survey.drainage.model import NextReading

Array = npt.NDArray[np.float64]

MOST = 4
ROD_SD = 0.0015875  # m, 1/16 in; common practice
LEAST_GAIN = 0.01  # share of the doubt; a reading worth less is not asked for
APART = 0.6096  # m, 2 ft between the places asked for


def next_readings(
    places: Array, heights: Array, targets: Array, *, origin: Array, across: Array
) -> tuple[NextReading, ...]:
    """Choose places to read next, greedily.

    Parameters
    ----------
    places : (m, 2) array
        Where one could read, plane frame.
    heights : (s, m) array
        Drawn surfaces there, metres.
    targets : (s, t) array
        What is in doubt on each surface: depth of each low spot, 0 where dry, metres.
    origin, across : (2,) arrays
        Outline's first corner and unit direction of its first edge, plane frame.

    Notes
    -----
    A reading removes the part of a target's variance that its height explains over the drawn
    surfaces, as does each further one of what is left (linear regression, the update of an
    ensemble filter).
    """
    surfaces = heights - heights.mean(axis=0)
    doubt = targets - targets.mean(axis=0)
    total = float((doubt**2).sum())
    if total <= 0.0 or len(surfaces) < 10:
        return ()
    chosen: list[NextReading] = []
    allowed = np.ones(len(places), dtype=bool)
    square = np.array([-across[1], across[0]])
    chance = len(surfaces) / (len(surfaces) - 1.0)
    for _ in range(MOST):
        spread = (surfaces**2).mean(axis=0) + ROD_SD**2
        shared = surfaces.T @ doubt / len(surfaces)
        gains = (shared**2 / spread[:, None]).sum(axis=1) * len(surfaces) / total * chance
        gains = np.where(allowed, gains - 1.0 / len(surfaces), -1.0)
        best = int(np.argmax(gains))
        if gains[best] < LEAST_GAIN:
            break
        away = places[best] - origin
        chosen.append(
            NextReading(
                places[best], float(away @ across), float(away @ square), float(gains[best])
            )
        )
        signal = surfaces[:, best].copy()
        doubt = doubt - np.outer(signal, shared[best] / spread[best])
        surfaces = surfaces - np.outer(signal, surfaces.T @ signal / len(surfaces) / spread[best])
        allowed &= np.linalg.norm(places - places[best], axis=1) > APART
    return tuple(chosen)
