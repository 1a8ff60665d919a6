"""Reads the words of markers: which of the known markers, if any, each dark quadrilateral is.

A marker is a square of bits inside a dark border of one module. Words come from OpenCV's
predefined dictionaries. Bits are sampled at the photo's full resolution, so that a quadrilateral
found in a reduced image can still be read at four pixels a module.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from survey.errors import InputError
from survey.target.model import Array

LEAST_CONTRAST = 12.0  # paper over ink, grey levels
MOST_WRONG_BORDER = 0.15  # share of border modules that may read light
_SPREAD = 0.18  # samples of a module lie this far from its middle, modules


@dataclass(frozen=True, slots=True)
class Words:
    """Markers of one dictionary: `bits` (n, k, k), True is light; `numbers` their ids.

    `correctable` is how many wrong bits a reading may hold and still be told.
    """

    dictionary: str
    numbers: tuple[int, ...]
    bits: npt.NDArray[np.bool_]
    correctable: int


@dataclass(frozen=True, slots=True)
class MarkerHit:
    """A marker that was read: corners (4, 2) px from the marker's own top left, clockwise."""

    number: int
    corners_px: Array
    wrong_bits: int
    contrast: float


def dictionary_names() -> tuple[str, ...]:
    """Names of OpenCV's predefined dictionaries."""
    return tuple(sorted(name for name in dir(cv2.aruco) if name.startswith("DICT_")))


@lru_cache(maxsize=64)
def words_of(dictionary: str, numbers: tuple[int, ...] | None = None) -> Words:
    """Words of a predefined dictionary, all or only `numbers`.

    Raises
    ------
    InputError
        If OpenCV has no such dictionary, or it no such number.
    """
    if dictionary not in dictionary_names():
        raise InputError(
            f"there is no marker dictionary {dictionary!r}",
            cure=f"write OpenCV's name of it, one of {', '.join(dictionary_names())}",
        )
    source = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    count = len(source.bytesList)
    chosen = tuple(range(count)) if numbers is None else numbers
    wrong = [number for number in chosen if not 0 <= number < count]
    if wrong:
        raise InputError(
            f"marker {wrong[0]} is not in {dictionary}, which holds numbers 0 to {count - 1}",
            cure="check the number, or the dictionary's name",
        )
    side = int(source.markerSize)
    drawn = [source.generateImageMarker(number, side + 2, borderBits=1) for number in chosen]
    bits = np.array([np.asarray(image)[1:-1, 1:-1] > 127 for image in drawn])
    # Half of the distance that can be corrected: a stricter reading, fewer false ones.
    return Words(dictionary, chosen, bits, int(source.maxCorrectionBits) // 2)


def read_markers(grey: npt.NDArray[np.uint8], quads: Array, words: Words) -> list[MarkerHit]:
    """Read every quadrilateral that is a marker of `words`.

    Parameters
    ----------
    grey : (h, w) uint8 array
    quads : (n, 4, 2) array
        Corners in pixels, clockwise in the image, any first.
    words : Words
    """
    if not len(quads) or not len(words.numbers):
        return []
    side = words.bits.shape[1]
    samples = _sample(grey, quads, side + 4)
    border, inside = _split(samples)
    paper = np.sort(inside, axis=1)[:, -3:].mean(axis=1)
    ink = np.median(border, axis=1)
    best_wrong = np.full(len(quads), side * side)
    best_word = np.zeros(len(quads), dtype=np.intp)
    for level in _thresholds(samples, paper, ink):
        light = samples > level
        wrong_border = _split(light.astype(np.float64))[0].mean(axis=1)
        word, wrong = _nearest_words(light[:, 2:-2, 2:-2], words)
        wrong = np.where(wrong_border <= MOST_WRONG_BORDER, wrong, side * side)
        better = wrong < best_wrong
        best_word[better], best_wrong[better] = word[better], wrong[better]
    good = (best_wrong <= words.correctable) & (paper - ink >= LEAST_CONTRAST)
    hits = []
    for index in np.flatnonzero(good):
        number, turn = divmod(int(best_word[index]), 4)
        corners = np.roll(quads[index], turn, axis=0)
        hits.append(
            MarkerHit(
                words.numbers[number],
                corners,
                int(best_wrong[index]),
                float(paper[index] - ink[index]),
            )
        )
    return hits


def _sample(grey: npt.NDArray[np.uint8], quads: Array, modules: int) -> Array:
    """Mean grey level in the middle of each of `modules` x `modules`, quiet zone included."""
    side = modules - 2  # the marker with its dark border
    middles = (np.arange(modules) - 0.5) / side
    x, y = np.meshgrid(middles, middles)
    centres = np.stack([x, y], axis=-1).reshape(-1, 1, 2)
    spread = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (_SPREAD / side)
    points = (centres + spread).reshape(-1, 2)
    place = _unit_square_to(quads, points)
    height, width = grey.shape
    u = place[..., 0].clip(0, width - 1.001)
    v = place[..., 1].clip(0, height - 1.001)
    column, row = u.astype(np.intp), v.astype(np.intp)
    right, down = u - column, v - row
    flat = grey.ravel()
    start = row * width + column
    upper = flat.take(start) * (1 - right) + flat.take(start + 1) * right
    start += width
    lower = flat.take(start) * (1 - right) + flat.take(start + 1) * right
    level = upper * (1 - down) + lower * down
    mean: Array = level.reshape(len(quads), modules, modules, len(spread)).mean(axis=-1)
    return mean


def _unit_square_to(quads: Array, points: Array) -> Array:
    """Where points of the unit square (y down) fall in each quadrilateral, (n, p, 2).

    Heckbert, "Fundamentals of Texture Mapping and Image Warping", 1989, section 2.2.3 (from
    memory); the tests compare it with OpenCV's homography.
    """
    p0, p1, p2, p3 = (quads[:, k] for k in range(4))
    total = p0 - p1 + p2 - p3
    one, two = p1 - p2, p3 - p2
    det = one[:, 0] * two[:, 1] - two[:, 0] * one[:, 1]
    det = np.where(np.abs(det) < 1e-9, 1e-9, det)
    g = (total[:, 0] * two[:, 1] - two[:, 0] * total[:, 1]) / det
    h = (one[:, 0] * total[:, 1] - total[:, 0] * one[:, 1]) / det
    a = p1 - p0 + g[:, None] * p1
    b = p3 - p0 + h[:, None] * p3
    x, y = points[:, 0], points[:, 1]
    weight = 1.0 + g[:, None] * x + h[:, None] * y
    weight = np.where(np.abs(weight) < 1e-3, 1e-3, weight)
    mapped: Array = np.stack(
        [(a[:, k, None] * x + b[:, k, None] * y + p0[:, k, None]) / weight for k in (0, 1)],
        axis=-1,
    )
    return mapped


def _split(samples: Array) -> tuple[Array, Array]:
    """Border modules and modules inside the border, each (n, count)."""
    n, modules, _ = samples.shape
    ring = np.zeros((modules, modules), dtype=np.bool_)
    ring[1:-1, 1:-1] = True
    ring[2:-2, 2:-2] = False
    border = samples[:, ring]
    inside = samples[:, 2:-2, 2:-2].reshape(n, -1)
    return border, inside


def _thresholds(samples: Array, paper: Array, ink: Array) -> list[Array]:
    """Levels between ink and paper: one for the whole marker, one that follows light and shade.

    And one half way between their logarithms, which parts ink in the sun from paper in the shade
    where the edge of a shadow crosses the marker.
    """
    n, modules, _ = samples.shape
    whole = np.broadcast_to(((paper + ink) / 2)[:, None, None], samples.shape)
    shadowed = np.sqrt(np.maximum(paper, 1.0) * np.maximum(ink, 1.0))
    steps = np.linspace(-1, 1, modules)
    rows, columns = np.meshgrid(steps, steps, indexing="ij")
    planes = np.stack([np.ones(modules**2), columns.ravel(), rows.ravel()], axis=-1)
    quiet = np.maximum(np.abs(rows), np.abs(columns)).ravel() > 1 - 1 / modules
    ring = np.maximum(np.abs(rows), np.abs(columns)).ravel() > 1 - 3 / modules
    ring &= ~quiet
    logs = np.log(np.maximum(samples.reshape(n, -1), 1.0))
    level = np.zeros_like(logs)
    for part in (quiet, ring):
        level += logs[:, part] @ np.linalg.pinv(planes[part]).T @ planes.T
    return [
        whole,
        np.exp(level / 2).reshape(samples.shape),
        np.broadcast_to(shadowed[:, None, None], samples.shape),
    ]


def _nearest_words(
    light: npt.NDArray[np.bool_], words: Words
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Index (word * 4 + quarter turns) of the nearest word and how many bits differ."""
    known = _packed(
        np.stack([np.rot90(words.bits, turn, axes=(1, 2)) for turn in range(4)], axis=1)
    )
    read = _packed(light)
    wrong = np.bitwise_count(read[:, None] ^ known.reshape(1, -1))
    best = wrong.argmin(axis=1)
    return best, wrong[np.arange(len(best)), best].astype(np.intp)


def _packed(bits: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint64]:
    """Bits of the last two axes (at most 64) as one number."""
    flat = bits.reshape(*bits.shape[:-2], -1)
    weights = np.left_shift(np.uint64(1), np.arange(flat.shape[-1], dtype=np.uint64))
    packed: npt.NDArray[np.uint64] = (flat * weights).sum(axis=-1, dtype=np.uint64)
    return packed
