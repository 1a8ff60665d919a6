"""Dark quadrilaterals in a photo: every place where a marker might be.

A marker's border is a dark region that is convex, has four sides and holds light spots. The image
is made smaller, thresholded against the mean of its neighbourhood and split into connected
regions; simple tests on a coarse sample of each region leave a few hundred, whose outlines are
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
_FILL = 0.68  # least share of its circumscribed octagon that a four-sided region fills
_LARGE_PX = 80  # boxes wider than that are not judged by coarse samples
_GRID = 16  # samples along each side of a region's box
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
    small = grey
    if reduced_by > 1.0:
        how = cv2.INTER_AREA if reduced_by == int(reduced_by) else cv2.INTER_LINEAR
        small = cv2.resize(
            grey, None, fx=1 / reduced_by, fy=1 / reduced_by, interpolation=how
        ).astype(np.uint8, copy=False)
    dark = cv2.adaptiveThreshold(
        small,
        255,
        cv2.ADAPTIVE_THRESH_MEAN_C,
        cv2.THRESH_BINARY_INV,
        NEIGHBOURHOOD_PX,
        DARKER_BY,
    )
    regions = _convex_regions(_dark_regions(dark))
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
    fit &= (area > 0.08 * width * height) & (area < 0.97 * width * height)
    fit[0] = False  # the background
    numbers = np.flatnonzero(fit)
    return Regions(labels.astype(np.int32, copy=False), numbers, stats[numbers])


def _convex_regions(regions: Regions) -> Regions:
    """Keep regions that fill their own convex outline from side to side."""
    left, top, width, height = (regions.boxes[:, k, None] for k in range(4))
    steps = (np.arange(_GRID) + 0.5) / _GRID
    columns = left + (steps * width).astype(np.int32)
    rows = top + (steps * height).astype(np.int32)
    inside = regions.labels[rows[:, :, None], columns[:, None, :]]
    inside = inside == regions.numbers[:, None, None]
    from_left = np.logical_or.accumulate(inside, axis=2)
    from_right = np.logical_or.accumulate(inside[:, :, ::-1], axis=2)[:, :, ::-1]
    from_top = np.logical_or.accumulate(inside, axis=1)
    from_bottom = np.logical_or.accumulate(inside[:, ::-1], axis=1)[:, ::-1]
    filled = (from_left & from_right & from_top & from_bottom).sum(axis=(1, 2))
    centres = np.arange(_GRID) - (_GRID - 1) / 2
    reach = []
    for x, y in _DIRECTIONS:
        along = (y * centres[:, None] + x * centres[None, :]).astype(np.float32)
        reach.append(np.where(inside, along, -np.inf).max(axis=(1, 2)) + 0.5 * (abs(x) + abs(y)))
    octagon = _octagon_area(np.array(reach))
    kept = (filled >= _FILL * octagon) & (inside.sum(axis=(1, 2)) > 0)
    kept |= regions.boxes[:, 2:4].min(axis=1) > _LARGE_PX
    return Regions(regions.labels, regions.numbers[kept], regions.boxes[kept])


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
    following = np.roll(quad, -1, axis=0) - quad
    turn = following[:, 0] * np.roll(following, -1, axis=0)[:, 1]
    turn -= following[:, 1] * np.roll(following, -1, axis=0)[:, 0]
    if (turn <= 0).all():
        quad = quad[::-1]
    elif not (turn > 0).all():
        return None
    lengths = np.hypot(following[:, 0], following[:, 1])
    if lengths.min() < 4.0 or lengths.max() > 8.0 * lengths.min():
        return None
    if cv2.contourArea(hull) < 0.75 * cv2.contourArea(quad.astype(np.float32)):
        return None
    return quad + [left, top]  # noqa: RUF005
