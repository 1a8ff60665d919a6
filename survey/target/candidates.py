"""Dark quadrilaterals in a photo: every place where a marker might be.

A marker's border is a dark region that is convex, has four sides and holds light spots. The image
is made smaller, thresholded against the mean of its neighbourhood and split into connected
regions; simple tests on a coarse sample of each region leave some dozens, whose outlines are
then fitted with four sides.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from survey.target.model import Array

Grey = npt.NDArray[np.uint8]

NEIGHBOURHOOD_PX = 31  # side of the square whose mean is the threshold, pixels of the reduced image
DARKER_BY = 10  # grey levels under that mean
LEAST_SIDE_PX = 7  # of a region's upright box, pixels of the reduced image
LEAST_LONG_SIDE_PX = 10
_FILL = 0.66  # least share of its circumscribed octagon that a four-sided region fills
_HOLES = 0.06  # least share of a marker's outline that is light; a word has light bits
_HOLE_LEVELS = 8.0  # light spots over the dark of the border, grey levels
_HOLE_SPREADS = 1.2  # the same over the spread of the dark
_LARGE_PX = 80  # boxes wider than that are not judged by coarse samples
_GRID = 12  # samples along each side of a region's box
_DIRECTIONS = np.array(
    [[1, 0], [1, 1], [0, 1], [-1, 1], [-1, 0], [-1, -1], [0, -1], [1, -1]], dtype=np.float64
)


@dataclass(frozen=True, slots=True)
class Regions:
    """Dark regions of an image: label image, and box (left, top, width, height, area) of each."""

    labels: npt.NDArray[np.int32]
    numbers: npt.NDArray[np.intp]
    boxes: npt.NDArray[np.int32]


def find_quads(grey: Grey, *, reduced_by: float = 1.0) -> Array:
    """Find dark quadrilaterals.

    Parameters
    ----------
    grey : (h, w) uint8 array
    reduced_by : float
        How many times smaller the searched image is made.

    Returns
    -------
    (n, 4, 2) array
        Corners in pixels of `grey`, clockwise as seen in the image, larger ones first.
    """
    if min(grey.shape) < LEAST_SIDE_PX * reduced_by:
        return np.empty((0, 4, 2))
    small = grey
    if reduced_by > 1.0:
        by = 1 / reduced_by
        shrunk = cv2.resize(grey, None, fx=by, fy=by, interpolation=cv2.INTER_LINEAR)
        small = shrunk.astype(np.uint8, copy=False)
    dark = cv2.adaptiveThreshold(
        small,
        255,
        cv2.ADAPTIVE_THRESH_MEAN_C,
        cv2.THRESH_BINARY_INV,
        NEIGHBOURHOOD_PX,
        DARKER_BY,
    )
    regions = _dark_regions(dark)
    if len(regions.numbers):
        regions = _holed_regions(small, regions)
    quads = [
        quad
        for number, box in zip(regions.numbers, regions.boxes, strict=True)
        if (quad := _outline_quad(regions.labels, int(number), box)) is not None
    ]
    if not quads:
        return np.empty((0, 4, 2))
    return (np.array(quads) + 0.5) * reduced_by - 0.5


def _dark_regions(dark: npt.NDArray[np.uint8] | cv2.typing.MatLike) -> Regions:
    _, labels, stats, _ = cv2.connectedComponentsWithStatsWithAlgorithm(
        dark, 8, cv2.CV_32S, cv2.CCL_BBDT
    )
    width, height, area = stats[:, 2], stats[:, 3], stats[:, 4]
    short, long = np.minimum(width, height), np.maximum(width, height)
    fit = (short >= LEAST_SIDE_PX) & (long >= LEAST_LONG_SIDE_PX) & (long <= 8 * short)
    fit &= (area > 0.1 * width * height) & (area < 0.97 * width * height)
    fit[0] = False  # the background
    numbers = np.flatnonzero(fit)
    return Regions(
        labels.astype(np.int32, copy=False), numbers, stats[numbers].astype(np.int32, copy=False)
    )


def _holed_regions(small: Grey, regions: Regions) -> Regions:
    """Keep regions that fill their own convex outline from side to side and hold light spots."""
    left, top, width, height = (regions.boxes[:, k, None] for k in range(4))
    steps = (np.arange(_GRID) + 0.5) / _GRID
    columns = left + (steps * width).astype(np.int32)
    rows = top + (steps * height).astype(np.int32)
    place = rows[:, :, None] * small.shape[1] + columns[:, None, :]
    inside = regions.labels.ravel().take(place) == regions.numbers[:, None, None]
    outline = _between_first_and_last(inside)
    outline &= _between_first_and_last(inside.swapaxes(1, 2).copy()).swapaxes(1, 2)
    filled, dark = outline.sum(axis=(1, 2)), inside.sum(axis=(1, 2))
    light = filled - dark
    kept = (dark > 0) & (light > _HOLES * filled)
    large = regions.boxes[:, 2:4].min(axis=1) > _LARGE_PX
    kept &= (filled >= _FILL * _octagon_area(_reach(inside))) | large
    chosen = np.flatnonzero(kept)
    # Light spots must be lighter than the dark by more than the dark varies.
    level = small.ravel().take(place[chosen]).astype(np.float32)
    of_dark, of_light = inside[chosen], outline[chosen] & ~inside[chosen]
    dark, light = dark[chosen], light[chosen]
    mean = (level * of_dark).sum(axis=(1, 2)) / dark
    apart = (level * of_light).sum(axis=(1, 2)) / light - mean
    spread = ((level - mean[:, None, None]) ** 2 * of_dark).sum(axis=(1, 2)) / dark
    clear = (apart >= _HOLE_LEVELS) & (apart >= _HOLE_SPREADS * (np.sqrt(spread) + 2.0))
    chosen = chosen[clear]
    return Regions(regions.labels, regions.numbers[chosen], regions.boxes[chosen])


def _between_first_and_last(inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Fill each row from its first to its last sample."""
    first = inside.argmax(axis=2)
    last = _GRID - 1 - inside[:, :, ::-1].argmax(axis=2)
    last[~inside.any(axis=2)] = -1
    index = np.arange(_GRID)
    between: npt.NDArray[np.bool_] = index >= first[:, :, None]
    between &= index <= last[:, :, None]
    return between


def _reach(inside: npt.NDArray[np.bool_]) -> Array:
    """How far each region reaches along `_DIRECTIONS`, samples, (8, n)."""
    centres = np.arange(_GRID) - (_GRID - 1) / 2
    cells = inside.reshape(len(inside), -1)
    found = []
    for x, y in _DIRECTIONS:
        along = (y * centres[:, None] + x * centres[None, :]).ravel()
        order = np.argsort(-along, kind="stable")
        first = cells[:, order].argmax(axis=1)
        found.append(along[order][first] + 0.5 * (abs(x) + abs(y)))
    return np.array(found)


def _octagon_area(reach: Array) -> Array:
    """Area of the octagon with the given reach (8, n) along `_DIRECTIONS`."""
    box = (reach[0] + reach[4]) * (reach[2] + reach[6])
    cut = np.zeros_like(box)
    for diagonal, one, other in ((1, 0, 2), (3, 2, 4), (5, 4, 6), (7, 6, 0)):
        legs = np.maximum(reach[one] + reach[other] - reach[diagonal], 0.0)
        cut += legs**2 / 2
    area: Array = box - cut
    return area


def _outline_quad(
    labels: npt.NDArray[np.int32], number: int, box: npt.NDArray[np.int32]
) -> Array | None:
    """Four sides round one region, corners clockwise in pixels of the label image."""
    left, top, width, height = (int(value) for value in box[:4])
    mask = (labels[top : top + height, left : left + width] == number).astype(np.uint8)
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    hull = cv2.convexHull(max(outlines, key=len))
    if len(hull) < 4:
        return None
    quad = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2).astype(np.float64)
    if len(quad) != 4:
        return None
    following = quad[[1, 2, 3, 0]] - quad
    after = following[[1, 2, 3, 0]]
    turn = following[:, 0] * after[:, 1] - following[:, 1] * after[:, 0]
    if (turn <= 0).all():
        quad = quad[::-1]
    elif not (turn > 0).all():
        return None
    lengths = np.hypot(following[:, 0], following[:, 1])
    if lengths.min() < 4.0 or lengths.max() > 8.0 * lengths.min():
        return None
    if cv2.contourArea(hull) < 0.75 * cv2.contourArea(quad.astype(np.float32)):
        return None
    placed: Array = quad + np.array([left, top], dtype=np.float64)
    return placed
