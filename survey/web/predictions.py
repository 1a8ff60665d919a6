"""Where every named point should be in a photo, and how surely: for the next press."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from survey.adjustment.model import Array
from survey.adjustment.solution import Solution
from survey.photo.model import CameraPrior
from survey.planes.views import projection_of, visible_points
from survey.visit.model import Visit

SIGMAS = 2.4477  # half axes of the 95 % ellipse of two normal coordinates, sqrt of chi-square
LARGEST_PX = 1500.0  # a half axis beyond that predicts nothing


def predict_points(
    solution: Solution, photo: str, prior: CameraPrior, names: Sequence[str]
) -> list[dict[str, Any]]:
    """Predict points in one photo.

    Parameters
    ----------
    solution : Solution
    photo : str
    prior : CameraPrior
        Of the photo: its size and the distortion terms that are held fixed.
    names : sequence of str
        Points to predict.

    Returns
    -------
    list of dict
        ``{name, px: [x, y], ellipse: {a_px, b_px, angle_rad}}`` for each point that has a place
        and falls into the photo; the ellipse holds it with 95 %, its `angle_rad` runs from the x
        axis to the longer half axis, towards y.
    """
    seen = visible_points(solution.state, photo, prior, names)
    if not seen:
        return []
    function, keys = projection_of(photo, prior, seen)
    value, covariance = solution.propagate(function, keys)
    predictions = []
    for index, name in enumerate(seen):
        part = slice(2 * index, 2 * index + 2)
        ellipse = ellipse_of(covariance[part, part])
        if ellipse is not None:
            px = [round(float(number), 2) for number in value[part]]
            predictions.append({"name": name, "px": px, "ellipse": ellipse})
    return predictions


def predict_sides(visit: Visit, points: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the sides of the visit's planes whose ends are both predicted."""
    places = {point["name"]: point["px"] for point in points}
    sides: dict[frozenset[str], dict[str, Any]] = {}
    for plane in visit.planes:
        for start, end in pairwise((*plane.outline, plane.outline[0])):
            if start in places and end in places:
                sides.setdefault(
                    frozenset((start, end)),
                    {"start": start, "end": end, "px": [places[start], places[end]]},
                )
    return list(sides.values())


def ellipse_of(covariance: Array) -> dict[str, float] | None:
    """Return the 95 % ellipse of a place with this covariance; None where it is not fixed."""
    if not np.isfinite(covariance).all():
        return None
    values, vectors = np.linalg.eigh(covariance)
    axes = SIGMAS * np.sqrt(np.maximum(values, 0.0))
    if axes[1] > LARGEST_PX:
        return None
    angle = float(np.arctan2(vectors[1, 1], vectors[0, 1]))
    return {
        "a_px": round(float(axes[1]), 2),
        "b_px": round(float(axes[0]), 2),
        "angle_rad": round(angle, 4),
    }
