"""Moving a press to the corner or edge that lies beside it, on the photo's own pixels.

Both work on the same fact: at every pixel of an ideal straight edge the gradient stands square to
the line from there to any point of the edge. A corner is the point for which that holds for the
gradients of two edges at once (Foerstner and Guelch, "A fast operator for detection and precise
location of distinct points, corners and centres of circular features", 1987).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from survey.errors import InputError
from survey.web.settings import LARGEST_SNAP_PX

Array = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8]

SMOOTHING_PX = 1.0  # sd of the Gaussian whose derivative gives the gradients
CORRELATED_PX = 4.0 * np.pi * SMOOTHING_PX**2  # pixels that share one gradient's noise
LEAST_STEP = 6.0  # grey levels across an edge; fainter ones are not taken
ROUNDS = 12
CLOSE_ENOUGH_PX = 0.01
CORNER_SD_PX = 0.25  # a corner of a building is no sharper than that; own simulation, docs/page.md
EDGE_SD_PX = 0.15
ROUND = 0.08  # least ratio of the smaller to the larger strength for a corner


@dataclass(frozen=True, slots=True)
class Snapped:
    """Where a press was moved. `sd_px` is one standard deviation; along an edge nothing is known.

    `kind` is "corner", "edge" (moved square to it only) or "none" (not moved).
    """

    px: tuple[float, float]
    sd_px: float
    kind: str
    angle: float | None = None  # of the edge, radians from the x axis towards y

    def as_document(self) -> dict[str, Any]:
        """Return it as JSON-ready values."""
        return {
            "px": [round(self.px[0], 3), round(self.px[1], 3)],
            "sd_px": round(self.sd_px, 3),
            "kind": self.kind,
            "angle_rad": self.angle,
        }


def snap_point(pixels: Pixels, px: Sequence[float], radius_px: float) -> dict[str, Any]:
    """Stand-in until the fit lands; see below."""
    raise InputError("snapping is not here yet", where="snap")


def snap_line(
    pixels: Pixels, start: Sequence[float], end: Sequence[float], radius_px: float
) -> dict[str, Any]:
    """Stand-in until the fit lands."""
    raise InputError("snapping is not here yet", where="snap")


__all__ = ["LARGEST_SNAP_PX", "Array", "cv2"]
