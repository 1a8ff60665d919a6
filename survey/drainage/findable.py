"""How small a pond the readings could have shown, wherever it lay."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from survey.drainage.particles import Question
from survey.figures import Figure, Measured, NotObserved

Array = npt.NDArray[np.float64]

FOOT = 0.3048
TRIED = FOOT * np.arange(1.0, 12.5, 0.5)  # diameters tried, metres
POND_DEPTH = 0.00635  # m, 1/4 in of water
STRENGTH = 4.5  # sds by which a dish must move the readings to be found; own simulation
SHARE = 0.9  # of the places on the plane at which it must be found
CENTRES = 500  # places tried, about


def dish_of_pond(diameter: float, depth: float, fall: float) -> tuple[float, float]:
    """Diameter and depth of the dish that holds a pond on a fall.

    From pond depth = d q^2 and diameter = D q with q = 1 - s D / (4 d) for a dish of depth d and
    diameter D on a fall s (paraboloid, level water).
    """
    stretch = 1.0 + fall * diameter / (4.0 * depth)
    return diameter * stretch, depth * stretch**2


def smallest_findable(question: Question, fall: float, spacing: float) -> Measured:
    """Smallest diameter of a pond 1/4 in deep that the readings would have shown.

    Two things are asked of a pond: the dish under it must move the readings by `STRENGTH` of their
    sds, and one of them at least must lie in its water. A dish that reaches a few readings at its
    rim moves them too, but as well as a smaller dish beside them, that holds nothing, would. A pond
    in a dish wider than any believed in can't be claimed either: it would be read as the plane.

    Parameters
    ----------
    question : Question
    fall : float
        Fall of the plane, m/m.
    spacing : float
        Typical distance between readings, metres.

    Returns
    -------
    Figure (m) or NotObserved
        Ponds of that diameter would be listed as possible or better wherever they lay on at least
        90 % of the plane.
    """
    low, high = question.outline.min(axis=0), question.outline.max(axis=0)
    step = float(np.sqrt(np.prod(high - low) / CENTRES))
    grid = np.meshgrid(*(np.arange(a + step / 2, b, step) for a, b in zip(low, high, strict=True)))
    middles = np.stack(grid, axis=-1).reshape(-1, 2)
    middles = middles[question.holds(middles)]
    uphill = question.tilt / max(float(np.linalg.norm(question.tilt)), 1e-12)
    soundings = question.soundings
    nearest, _ = cKDTree(soundings.places).query(middles)
    likely = question.projected[int(np.argmax(question.log_share))]
    tried = float(TRIED[0])
    for diameter in TRIED:
        width, depth = dish_of_pond(float(diameter), POND_DEPTH, fall)
        if width / 2 > question.prior.most_radius:
            break
        centres = middles + uphill * (width - float(diameter)) / 2
        radius = np.full(len(centres), width / 2)
        forms = question.forms(centres, radius, np.zeros(len(centres), dtype=bool))
        strength = depth * np.sqrt(np.maximum(np.einsum("bn,bn->b", forms @ likely, forms), 0.0))
        if ((strength >= STRENGTH) & (nearest <= diameter / 2)).mean() >= SHARE:
            return Figure(float(diameter), FOOT / 4, "m")
        tried = float(diameter)
    why = f"a pond {tried / FOOT:.1f} ft across and 1/4 in deep could hide between these readings"
    return NotObserved(why, f"read on a grid closer than {spacing / FOOT:.0f} ft")
