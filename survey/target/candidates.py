"""Dark quadrilaterals in a photo: every place where a marker might be.

A marker's border is a dark region that is convex, has four sides and holds light spots. The image
is made smaller, its logarithm is thresholded against the mean of its neighbourhood (so that the
edge of a shadow parts ink from paper on both of its sides alike) and split into connected regions;
simple tests on a coarse sample of each region leave some dozens, whose outlines are then fitted
with four sides.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from survey.target.model import Array

Grey = npt.NDArray[np.uint8]

WINDOW_PX = 11  # side of the square whose mean is the threshold, pixels of the reduced image
WIDE_WINDOW_PX = (
    31  # the same for large prints, whose borders a small square would see the inside of
)
DARKER_BY = 6  # under that mean, steps of `LIGHTNESS`
DIM = 20.0  # grey levels under which `LIGHTNESS` is nearly linear: noise, not light, is seen there
LIGHTNESS: Grey = np.rint(255.0 * np.log1p(np.arange(256) / DIM) / np.log1p(255.0 / DIM)).astype(
    np.uint8
)
LEAST_SIDE_PX = 6  # of a region's upright box, pixels of the reduced image
LEAST_LONG_SIDE_PX = 9
MOST_ASPECT = 5  # a square turned by 75 degrees, and more
COVER = (
    0.2,
    0.9,
)  # share of its upright box that a marker's dark covers; own simulation 0.29 to 0.71
_FILL = 0.62  # least share of its circumscribed octagon that a four-sided region fills
_HOLES = 0.06  # least share of a marker's outline that is light; a word has light bits
_HOLE_LEVELS = 8.0  # light spots over the dark of the border, grey levels
_HOLE_SPREADS = 1.2  # the same over the spread of the dark
_LARGE_PX = 80  # boxes wider than that are not judged by coarse samples
_INSET_PX = 0.5  # of outlines, as they run through pixels' middles, where reducing left no blur
_GRID = 12  # samples along each side of a region's box
_FAR = 50  # beyond every sample; twice it still fits eight bits

_PATTERNS = np.arange(2**_GRID)
_SET = (_PATTERNS[:, None] >> np.arange(_GRID)[::-1]) & 1 == 1  # by sample, first one leading
_FIRST = np.where(_PATTERNS > 0, _SET.argmax(axis=1), _FAR).astype(np.int8)
_LAST = np.where(_PATTERNS > 0, _GRID - 1 - _SET[:, ::-1].argmax(axis=1), -_FAR).astype(np.int8)


@dataclass(frozen=True, slots=True)
class Regions:
    """Dark regions of an image: label image, and box (left, top, width, height, area) of each."""

    labels: npt.NDArray[np.int32]
    numbers: npt.NDArray[np.intp]
    boxes: npt.NDArray[np.int32]


def find_quads(grey: Grey, *, reduced_by: float = 1.0, window_px: int = WINDOW_PX) -> Array:
    """Find dark quadrilaterals.

    Parameters
    ----------
    grey : (h, w) uint8 array
    reduced_by : float
        How many times smaller the searched image is made.
    window_px : int
        Side of the neighbourhood, pixels of the searched image, odd.

    Returns
    -------
    (n, 4, 2) array
        Corners in pixels of `grey`, clockwise as seen in the image, larger ones first.
    """
    if min(grey.shape) < LEAST_SIDE_PX * reduced_by:
        return np.empty((0, 4, 2))
    small = reduce(grey, reduced_by)
    dark = cv2.adaptiveThreshold(
        cv2.LUT(small, LIGHTNESS),
        255,
        cv2.ADAPTIVE_THRESH_MEAN_C,
        cv2.THRESH_BINARY_INV,
        window_px,
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
    found = np.array(quads)
    if reduced_by > 1.0:
        found = _grown(found, _INSET_PX)
    return (found + 0.5) * reduced_by - 0.5


def _grown(quads: Array, by: float) -> Array:
    """Quadrilaterals (n, 4, 2), clockwise as seen, with each side moved outwards."""
    along = np.roll(quads, -1, axis=1) - quads
    along /= np.linalg.norm(along, axis=2, keepdims=True)
    outwards = np.stack([along[..., 1], -along[..., 0]], axis=-1)
    both = outwards + np.roll(outwards, 1, axis=1)
    # The corner moves to where the two moved sides meet.
    within = 1.0 + (outwards * np.roll(outwards, 1, axis=1)).sum(axis=2, keepdims=True)
    grown: Array = quads + by * both / np.maximum(within, 0.2)
    return grown


def reduce(grey: Grey, by: float) -> Grey:
    """Make an image `by` times smaller; by whole numbers each pixel is the mean of a square."""
    if by <= 1.0:
        return grey
    how = cv2.INTER_AREA if by == int(by) else cv2.INTER_LINEAR
    size = max(1, int(grey.shape[1] / by)), max(1, int(grey.shape[0] / by))
    whole = grey[: int(size[1] * by), : int(size[0] * by)] if by == int(by) else grey
    small = cv2.resize(whole, size, interpolation=how)
    return small.astype(np.uint8, copy=False)


def _dark_regions(dark: npt.NDArray[np.uint8] | cv2.typing.MatLike) -> Regions:
    _, labels, stats, _ = cv2.connectedComponentsWithStatsWithAlgorithm(
        dark, 8, cv2.CV_32S, cv2.CCL_BBDT
    )
    width, height, area = stats[:, 2], stats[:, 3], stats[:, 4]
    short, long = np.minimum(width, height), np.maximum(width, height)
    fit = (short >= LEAST_SIDE_PX) & (long >= LEAST_LONG_SIDE_PX) & (long <= MOST_ASPECT * short)
    least, most = COVER
    fit &= (area > least * width * height) & (area < most * width * height)
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
    dark = inside.reshape(len(inside), -1).view(np.uint8).sum(axis=1, dtype=np.uint8)
    large = regions.boxes[:, 2:4].min(axis=1) > _LARGE_PX
    first, last = _ends(inside)
    least = np.where(large, 0.0, _FILL * _octagon_area(first, last))
    # What rows alone don't pass, rows and columns together don't either.
    by_rows = (last - first + 1).clip(0).sum(axis=1)
    maybe = np.flatnonzero((dark > 0) & (dark < (1 - _HOLES) * by_rows) & (by_rows >= least))
    inside, place, dark, least = inside[maybe], place[maybe], dark[maybe], least[maybe]
    outline = _between(first[maybe], last[maybe])
    outline &= _between(*_ends(inside.swapaxes(1, 2))).swapaxes(1, 2)
    filled = outline.sum(axis=(1, 2))
    light = filled - dark
    kept = (light > _HOLES * filled) & (filled >= least)
    chosen = np.flatnonzero(kept)
    # Light spots must be lighter than the dark by more than the dark varies.
    level = small.ravel().take(place[chosen]).astype(np.float32)
    of_dark, of_light = inside[chosen], outline[chosen] & ~inside[chosen]
    dark, light = dark[chosen], light[chosen]
    mean = (level * of_dark).sum(axis=(1, 2)) / dark
    apart = (level * of_light).sum(axis=(1, 2)) / light - mean
    spread = ((level - mean[:, None, None]) ** 2 * of_dark).sum(axis=(1, 2)) / dark
    clear = (apart >= _HOLE_LEVELS) & (apart >= _HOLE_SPREADS * (np.sqrt(spread) + 2.0))
    chosen = maybe[chosen[clear]]
    return Regions(regions.labels, regions.numbers[chosen], regions.boxes[chosen])


def _ends(inside: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.int8]]:
    """First and last sample of each row, (n, rows) each; `_FAR` off where it has none."""
    halves = np.packbits(inside, axis=2).astype(np.uint16)
    packed = ((halves[..., 0] << 8) | halves[..., 1]) >> (16 - _GRID)
    return _FIRST.take(packed), _LAST.take(packed)


def _between(first: npt.NDArray[np.int8], last: npt.NDArray[np.int8]) -> npt.NDArray[np.bool_]:
    """Fill each row from its first to its last sample."""
    index = np.arange(_GRID, dtype=np.int8)
    between: npt.NDArray[np.bool_] = index >= first[:, :, None]
    between &= index <= last[:, :, None]
    return between


def _octagon_area(first: npt.NDArray[np.int8], last: npt.NDArray[np.int8]) -> Array:
    """Area of the upright octagon round each region, samples, from its rows' ends (n, rows)."""
    row = np.arange(_GRID, dtype=np.int16)
    there = first < _FAR
    left, right = -first.min(axis=1).astype(np.float64), last.max(axis=1).astype(np.float64)
    top = -np.where(there, row, _FAR).min(axis=1).astype(np.float64)
    bottom = np.where(there, row, -_FAR).max(axis=1).astype(np.float64)
    area: Array = (left + right + 1.0) * (top + bottom + 1.0)
    for across, down, diagonal in (
        (right, bottom, (last + row).max(axis=1)),
        (left, bottom, (row - first).max(axis=1)),
        (left, top, (-first - row).max(axis=1)),
        (right, top, (last - row).max(axis=1)),
    ):
        # A sample is a square: it reaches half its side along the axes, its whole side aslant.
        legs = np.maximum(across + down - diagonal, 0.0)
        area -= legs**2 / 2
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
