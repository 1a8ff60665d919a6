"""Photos as tiles: levels of halved size, cut on request, for eyes only.

Level 0 is the photo. Each further level averages 2 x 2 pixels of the one before, whose last column
or row is repeated where it has no neighbour, so that every pixel of level L covers exactly
2**L x 2**L photo pixels: the centre of its pixel (i, j) lies at ``((i + 0.5) 2**L - 0.5,
(j + 0.5) 2**L - 0.5)`` of the photo.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Generic, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from survey.errors import InputError
from survey.photo import Photo, read_pixels
from survey.web.settings import (
    LARGEST_CROP_PX,
    PYRAMID_BYTES,
    TILE_BYTES,
    TILE_PX,
    TILE_QUALITY,
)

Pixels = npt.NDArray[np.uint8]
Levels = tuple[Pixels, ...]
Value = TypeVar("Value")


class NotHere(InputError):
    """What a request names is not there."""


def level_sizes(size: tuple[int, int]) -> list[tuple[int, int]]:
    """Return width and height of each level, down to the first that fits on one tile."""
    sizes = [size]
    while max(sizes[-1]) > TILE_PX:
        width, height = sizes[-1]
        sizes.append(((width + 1) // 2, (height + 1) // 2))
    return sizes


def make_levels(pixels: Pixels) -> Levels:
    """Return a photo and its halved levels."""
    levels = [pixels]
    for width, height in level_sizes((pixels.shape[1], pixels.shape[0]))[1:]:
        last = levels[-1]
        bottom, right = 2 * height - last.shape[0], 2 * width - last.shape[1]
        if bottom or right:
            last = np.asarray(
                cv2.copyMakeBorder(last, 0, bottom, 0, right, cv2.BORDER_REPLICATE), dtype=np.uint8
            )
        half = cv2.resize(last, (width, height), interpolation=cv2.INTER_AREA)
        levels.append(np.asarray(half, dtype=np.uint8))
    return tuple(levels)


def cut_tile(levels: Levels, level: int, column: int, row: int) -> Pixels:
    """Return one tile; those at the right and bottom end are as small as what is left.

    Raises
    ------
    NotHere
        If there is no such tile.
    """
    if 0 <= level < len(levels):
        height, width = levels[level].shape[:2]
        x, y = column * TILE_PX, row * TILE_PX
        if 0 <= x < width and 0 <= y < height:
            return levels[level][y : y + TILE_PX, x : x + TILE_PX]
    raise NotHere(
        f"there is no tile {level}/{column}_{row}", where="photo", cure="load the page again"
    )


def cut_crop(pixels: Pixels, x: float, y: float, size: int) -> Pixels:
    """Return original pixels around a place, with transparency where the photo ends.

    Parameters
    ----------
    pixels : (h, w, 3) array
    x, y : float
        Place, pixel frame.
    size : int
        Side, px. The crop's pixel (i, j) is the photo's ``(round(x) - size // 2 + i, ...)``.

    Returns
    -------
    (size, size, 4) array
        Blue, green, red, opacity.
    """
    if not 1 <= size <= LARGEST_CROP_PX:
        raise InputError(f"size {size} is not 1 to {LARGEST_CROP_PX}", where="crop")
    height, width = pixels.shape[:2]
    if not (-size <= x <= width + size and -size <= y <= height + size):
        raise InputError(f"({x:g}, {y:g}) lies outside the photo", where="crop")
    left, top = _nearest(x) - size // 2, _nearest(y) - size // 2
    crop = np.zeros((size, size, 4), dtype=np.uint8)
    x0, y0 = max(left, 0), max(top, 0)
    x1, y1 = min(left + size, width), min(top + size, height)
    if x1 > x0 and y1 > y0:
        part = crop[y0 - top : y1 - top, x0 - left : x1 - left]
        part[..., :3] = pixels[y0:y1, x0:x1]
        part[..., 3] = 255
    return crop


def _nearest(value: float) -> int:
    return int(np.floor(value + 0.5))


def encode_jpeg(pixels: Pixels, quality: int = TILE_QUALITY) -> bytes:
    """Return pixels as a JPEG file."""
    return _encode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])


def encode_png(pixels: Pixels) -> bytes:
    """Return pixels as a PNG file, exactly."""
    return _encode(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])


def _encode(kind: str, pixels: Pixels, options: list[int]) -> bytes:
    done, data = cv2.imencode(kind, np.ascontiguousarray(pixels), options)
    assert done
    return bytes(data)


class Kept(Generic[Value]):
    """Values by key, each made once, the least lately used dropped when they weigh too much."""

    def __init__(self, most: int, weigh: Callable[[Value], int]) -> None:
        self.most = most
        self.weigh = weigh
        self.weight = 0
        self._values: OrderedDict[tuple[object, ...], Value] = OrderedDict()
        self._lock = threading.Lock()
        self._making: dict[tuple[object, ...], threading.Lock] = {}

    def get(self, key: tuple[object, ...], make: Callable[[], Value]) -> Value:
        """Return the value of a key, making it if it is not kept."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
            making = self._making.setdefault(key, threading.Lock())
        with making:
            with self._lock:
                if key in self._values:
                    return self._values[key]
            try:
                value = make()
            finally:
                with self._lock:
                    self._making.pop(key, None)
            self._keep(key, value)
            return value

    def _keep(self, key: tuple[object, ...], value: Value) -> None:
        with self._lock:
            self._values[key] = value
            self.weight += self.weigh(value)
            while self.weight > self.most and len(self._values) > 1:
                self.weight -= self.weigh(self._values.popitem(last=False)[1])


class Cutter:
    """Cuts tiles and crops of photos; keeps the levels of the last few and the last tiles."""

    def __init__(self, pyramid_bytes: int = PYRAMID_BYTES, tile_bytes: int = TILE_BYTES) -> None:
        self._levels: Kept[Levels] = Kept(
            pyramid_bytes, lambda levels: sum(level.nbytes for level in levels)
        )
        self._tiles: Kept[bytes] = Kept(tile_bytes, len)

    def levels(self, photo: Photo) -> Levels:
        """Return the levels of a photo; decodes it when they are not kept."""
        return self._levels.get((photo.sha256,), lambda: make_levels(read_pixels(photo)))

    def tile(self, photo: Photo, level: int, column: int, row: int) -> bytes:
        """Return one tile as JPEG."""
        if photo.camera is not None and not has_tile(photo.camera.size_px, level, column, row):
            cut_tile((), level, column, row)
        return self._tiles.get(
            (photo.sha256, level, column, row),
            lambda: encode_jpeg(cut_tile(self.levels(photo), level, column, row)),
        )

    def thumbnail(self, photo: Photo) -> bytes:
        """Return the coarsest level as JPEG."""
        return self._tiles.get((photo.sha256,), lambda: encode_jpeg(self._smallest(photo)))

    def crop(self, photo: Photo, x: float, y: float, size: int) -> bytes:
        """Return unsmoothed pixels around a place as PNG."""
        return encode_png(cut_crop(self.levels(photo)[0], x, y, size))

    def _smallest(self, photo: Photo) -> Pixels:
        return self.levels(photo)[-1]


def has_tile(size: tuple[int, int], level: int, column: int, row: int) -> bool:
    """Whether a photo of this size has such a tile."""
    sizes = level_sizes(size)
    if not 0 <= level < len(sizes):
        return False
    width, height = sizes[level]
    return 0 <= column * TILE_PX < width and 0 <= row * TILE_PX < height
