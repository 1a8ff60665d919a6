"""Moving a press to the corner or edge that lies beside it, on the photo's own pixels.

The standard deviation comes from how much separate pieces of the fitted edges disagree, so that
noise, curved edges and a second edge nearby all widen it; to that is added how sharp a corner or
edge of a building is at best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from survey.errors import InputError
from survey.web.cornerfit import Gradients, find_gradients, fit_corner
from survey.web.edgefit import OUTER_PX, Axis, fit_axis, fit_stretch
from survey.web.settings import LARGEST_SNAP_PX

Array = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8]

CORNER_SD_PX = 0.25  # a building's corner is no sharper; common practice
CORNER_SCATTER = 2.0  # what few pieces of short edges hide of their scatter; own simulation
EDGE_SD_PX = 0.15  # nor is its edge
LEAST_SHARE = 0.6  # of the profiles around a press that must show the edge


@dataclass(frozen=True, slots=True)
class Snapped:
    """Where a press was moved.

    Attributes
    ----------
    px : (x, y)
        Pixel frame.
    sd_px : float
        One standard deviation a coordinate; for an edge, square to it.
    kind : str
        "corner", "edge" (moved square to it, nothing known along it), or "none" (not moved).
    angle : float or None
        Direction of the edge, radians from the x axis towards y.
    """

    px: tuple[float, float]
    sd_px: float
    kind: str
    angle: float | None = None

    def as_document(self) -> dict[str, Any]:
        """Return it as JSON-ready values."""
        return {
            "px": [round(self.px[0], 3), round(self.px[1], 3)],
            "sd_px": round(self.sd_px, 3),
            "kind": self.kind,
            "angle_rad": None if self.angle is None else round(self.angle, 4),
        }


def snap_point(pixels: Pixels, press: Sequence[float], radius_px: float) -> Snapped:
    """Move a press to the corner or edge beside it.

    Parameters
    ----------
    pixels : (h, w, 3) or (h, w) array
        Upright photo.
    press : (x, y)
        Pixel frame.
    radius_px : float
        How far it may be moved.

    Returns
    -------
    Snapped
        "none" with the press itself where nothing sharp lies within reach.
    """
    start = _pair(press)
    radius = _radius(radius_px)
    grey = _grey(pixels)
    found = find_gradients(grey, start, radius)
    corner = fit_corner(grey, found, start, radius) if found is not None else None
    if corner is not None:
        place, sd = corner
        return Snapped(
            (place[0], place[1]), float(np.hypot(CORNER_SCATTER * sd, CORNER_SD_PX)), "corner"
        )
    edge = fit_edge(grey, found, start, radius) if found is not None else None
    if edge is not None:
        place = edge.foot(start)
        sd = float(np.hypot(edge.sd_at(place), EDGE_SD_PX))
        angle = float(np.arctan2(edge.along[1], edge.along[0]))
        return Snapped((place[0], place[1]), sd, "edge", angle)
    return Snapped((start[0], start[1]), 0.0, "none")


def snap_line(
    pixels: Pixels, start: Sequence[float], end: Sequence[float], radius_px: float
) -> dict[str, Any]:
    """Move both ends of a stretch square to it, onto the edge that runs along it.

    Returns
    -------
    dict
        ``px`` two pairs, ``sd_px`` of either end square to the edge, ``kind`` "edge" or "none".
    """
    first, last = _pair(start), _pair(end)
    fitted = fit_stretch(_grey(pixels), first, last, _radius(radius_px))
    if fitted is None:
        return {"px": [list(first), list(last)], "sd_px": 0.0, "kind": "none"}
    ends, sd = fitted
    return {
        "px": [[round(float(x), 3), round(float(y), 3)] for x, y in ends],
        "sd_px": round(max(sd, EDGE_SD_PX), 3),
        "kind": "edge",
    }


def _pair(value: Any) -> Array:
    numbers = isinstance(value, list | tuple) and len(value) == 2
    if not numbers or not all(_is_number(one) for one in value):
        raise InputError("px is no place [x, y]", where="snap")
    return np.array([float(value[0]), float(value[1])])


def _is_number(value: object) -> bool:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return is_number and abs(float(value)) < 1e6  # type: ignore[arg-type]


def _radius(value: Any) -> float:
    if not _is_number(value) or not 2.0 <= float(value) <= LARGEST_SNAP_PX:
        raise InputError(f"radius_px is not 2 to {LARGEST_SNAP_PX:g}", where="snap")
    return float(value)


def _grey(pixels: Pixels) -> Pixels:
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    return np.asarray(grey, dtype=np.uint8)


def fit_edge(grey: Pixels, found: Gradients, press: Array, radius: float) -> Axis | None:
    """Fit the edge that lies nearest to a press, weighing near against strong; None: no edge."""
    away = np.linalg.norm(found.places - press, axis=1)
    score = found.lengths * np.exp(-0.5 * (away / (0.5 * radius)) ** 2) * (away <= radius)
    if score.max() <= 0:
        return None
    seed = int(np.argmax(score))
    normal = found.gradients[seed] / found.lengths[seed]
    t = np.arange(-radius, radius + 0.25, 0.5)
    axis = fit_axis(
        grey, found.places[seed], np.array([normal[1], -normal[0]]), t, OUTER_PX, LEAST_SHARE
    )
    if axis is None or np.linalg.norm(axis.foot(press) - press) > radius:
        return None
    return axis
