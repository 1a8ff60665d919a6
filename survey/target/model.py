"""What a target looks like in numbers, and what was seen of it in a photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Layout:
    """Known points of a board, metres as nominally printed.

    Target frame: x right, y up, z out of the print, origin at the board's centre.
    `check_across`, `check_down` are the nominal lengths of the printed check lines (for foreign
    boards: the outside of the pattern); measured / nominal is the print scale on that axis.
    """

    name: str
    points: Array  # (n, 2)
    width: float
    height: float
    check_across: float
    check_down: float


@dataclass(frozen=True, slots=True)
class Sighting:
    """One target found in one photo.

    `corners_target` (n, 2) metres as nominally printed, target frame; `corners_px` (n, 2) pixel
    frame; `sd_px` (n,) one standard deviation a coordinate, from size, blur and noise.
    """

    photo: str
    target: str
    corners_target: Array
    corners_px: Array
    sd_px: Array
    module_px: float  # size of one marker module in the photo
    blur_px: float  # 10-90 % edge spread
    coverage: float = 1.0  # share of the board's corners that were seen


@dataclass(frozen=True, slots=True)
class SightingProblem:
    """A board that was seen but can't be used, or should have been seen: code and one sentence.

    Codes: "mirrored", "duplicate", "not declared", "too few corners", "too small", "wrong layout",
    "blurred", "glare", "unreadable" (the photo's picture data are damaged).
    """

    photo: str
    code: str
    sentence: str
    target: str | None = None
