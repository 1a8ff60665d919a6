"""The eight ways a picture can be stored, and how each is turned upright.

An orientation is the Exif number 1 to 8 (tag 0x0112, TIFF 6.0 and Exif 2.32): what must be done to
the stored rows to see the scene upright. Points are in the pixel frame: x right, y down, centre of
the top-left pixel (0, 0).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Pixels = npt.NDArray[np.uint8]
Linear = tuple[tuple[int, int], tuple[int, int]]

# Upright direction = matrix @ stored direction, e.g. 6: upright x runs against stored y.
TURNS: dict[int, Linear] = {
    1: ((1, 0), (0, 1)),
    2: ((-1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)),
    6: ((0, -1), (1, 0)),
    7: ((0, -1), (-1, 0)),
    8: ((0, 1), (-1, 0)),
}


def turn_size(size_px: tuple[int, int], orientation: int) -> tuple[int, int]:
    """Width and height of the upright picture from those of the stored one."""
    width, height = size_px
    return (height, width) if orientation >= 5 else (width, height)


def turn_direction(direction: tuple[float, float], orientation: int) -> tuple[float, float]:
    """Direction in the upright picture of a direction in the stored one."""
    (a, b), (c, d) = TURNS[orientation]
    x, y = direction
    return a * x + b * y, c * x + d * y


def turn_point(
    point: tuple[float, float], size_px: tuple[int, int], orientation: int
) -> tuple[float, float]:
    """Pixel position in the upright picture of a position in the stored one of `size_px`."""
    x, y = turn_direction(point, orientation)
    (a, b), (c, d) = TURNS[orientation]
    last_x, last_y = size_px[0] - 1, size_px[1] - 1
    # A coordinate that runs backwards starts from the far end.
    return (
        x + (last_x if a < 0 else 0) + (last_y if b < 0 else 0),
        y + (last_x if c < 0 else 0) + (last_y if d < 0 else 0),
    )


def compose_turns(first: int, second: int) -> int:
    """Give the orientation that does `first`, then `second`."""
    product = np.array(TURNS[second]) @ np.array(TURNS[first])
    for orientation, matrix in TURNS.items():
        if np.array_equal(product, matrix):
            return orientation
    raise AssertionError("the eight turns are closed under composition")


def turn_pixels(image: Pixels, orientation: int) -> Pixels:
    """Upright copy of a stored picture; the picture itself for orientation 1.

    Parameters
    ----------
    image : (h, w) or (h, w, 3) uint8 array
        Rows as stored.
    orientation : int
        Exif orientation, 1 to 8.

    Returns
    -------
    upright : uint8 array
        Contiguous rows, height and width swapped for 5 to 8.
    """
    if orientation == 1:
        return image
    return np.asarray(TURNERS[orientation](image), dtype=np.uint8)


TURNERS: dict[int, Callable[[Pixels], Any]] = {
    2: lambda image: cv2.flip(image, 1),
    3: lambda image: cv2.rotate(image, cv2.ROTATE_180),
    4: lambda image: cv2.flip(image, 0),
    5: cv2.transpose,
    6: lambda image: cv2.rotate(image, cv2.ROTATE_90_CLOCKWISE),
    7: lambda image: cv2.flip(cv2.transpose(image), -1),
    8: lambda image: cv2.rotate(image, cv2.ROTATE_90_COUNTERCLOCKWISE),
}
