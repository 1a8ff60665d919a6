"""How sharp and how well exposed a photo is: a hint on site, before anybody measures on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from survey.photo.orientation import Pixels

Array = npt.NDArray[np.float32]

TILES = (5, 4)  # across, down
TILE_PX = 160
EDGE_OVER_NOISE = 8.0  # gradient of an edge over the standard deviation of the noise
LEAST_EDGE = 12.0  # grey levels a pixel
LEAST_EDGE_SHARE = 0.0025  # of a tile's pixels
HALVINGS = 3  # of a tile, until its edges stand out
SHARPEST_TILES = 3
TEN_TO_NINETY = 2.5631  # 10-90 % width of a Gaussian edge over its sd
CLIPPED, DARK = 254, 4  # grey levels
EXPOSURE_STEP = 8  # pixels between those looked at for exposure

BLURRED_PX = 3.0  # 10-90 % edge width; own simulation: corners lose 0.3 to 1 px above it
MOTION_RATIO = 1.7
CLIPPED_SHARE = 0.10
DARK_SHARE = 0.50


@dataclass(frozen=True, slots=True)
class PhotoQuality:
    """What a look at a photo tells.

    Attributes
    ----------
    edge_across_px, edge_down_px : float or None
        10-90 % width of the sharpest edges met along rows and along columns; None where the photo
        shows no clear edge.
    clipped, dark : float
        Share of pixels that are blown out and that are black.
    """

    edge_across_px: float | None
    edge_down_px: float | None
    clipped: float
    dark: float


def photo_quality(grey: Pixels) -> PhotoQuality:
    """Measure sharpness and exposure on a sample of the pixels.

    Parameters
    ----------
    grey : (h, w) uint8 array

    Notes
    -----
    An edge blurred by a Gaussian of sd s has gradients with sum(g'^2) / sum(g^2) = 1 / (2 s^2).
    Sums run over the surroundings of strong gradients, noise is subtracted, and the sharpest tiles
    speak for the photo: blurred ones may just be far off or empty.
    """
    across: list[float] = []
    down: list[float] = []
    for tile in _tiles(grey):
        across += _edge_widths(tile)
        down += _edge_widths(np.ascontiguousarray(tile.T))
    seen = grey[::EXPOSURE_STEP, ::EXPOSURE_STEP]
    return PhotoQuality(
        edge_across_px=_of_sharpest(across),
        edge_down_px=_of_sharpest(down),
        clipped=float(np.mean(seen >= CLIPPED)),
        dark=float(np.mean(seen <= DARK)),
    )


def describe_quality(quality: PhotoQuality) -> tuple[tuple[str, str], ...]:
    """Say what is wrong with a photo, as (code, sentence); nothing when it is good."""
    warnings: list[tuple[str, str]] = []
    widths = [w for w in (quality.edge_across_px, quality.edge_down_px) if w is not None]
    if widths and max(widths) > BLURRED_PX:
        if len(widths) == 2 and max(widths) > MOTION_RATIO * min(widths):
            sentence = "blurred by motion ({:.1f} px); hold still or rest the phone on something"
        else:
            sentence = "out of focus ({:.1f} px); tap on the house to focus, and clean the lens"
        warnings.append(("blurred", sentence.format(max(widths))))
    if quality.clipped > CLIPPED_SHARE:
        warnings.append(
            (
                "overexposed",
                f"{100 * quality.clipped:.0f} % of it is blown out; tap on the brightest part of "
                "the house",
            )
        )
    if quality.dark > DARK_SHARE:
        warnings.append(
            (
                "underexposed",
                f"{100 * quality.dark:.0f} % of it is black; tap on the shaded part of the house",
            )
        )
    return tuple(warnings)


def _tiles(grey: Pixels) -> list[Array]:
    """Square samples on an even grid over the photo, at full resolution."""
    height, width = grey.shape
    side = min(TILE_PX, height, width)
    lefts = np.linspace(0, width - side, TILES[0]).astype(int)
    tops = np.linspace(0, height - side, TILES[1]).astype(int)
    return [
        grey[top : top + side, left : left + side].astype(np.float32)
        for top in tops
        for left in lefts
    ]


def _edge_widths(tile: Array) -> list[float]:
    """10-90 % width of the edges met along the rows of a tile; empty when it has none.

    Edges too soft to stand out of the noise are looked for again in the halved tile.
    """
    for halvings in range(HALVINGS + 1):
        width = _edge_width(tile)
        if width is not None:
            return [width * 2**halvings]
        tile = np.asarray(
            cv2.resize(tile, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.float32
        )
    return []


def _edge_width(tile: Array) -> float | None:
    """Mean 10-90 % width of the edges along the rows of a tile, in its pixels."""
    first: npt.NDArray[np.floating] = np.diff(tile, axis=1)
    second = np.diff(first, axis=1)
    first = (first[:, :-1] + first[:, 1:]) / 2  # centred where the second difference is
    # Noise from the median, which edges hardly move; the second difference triples its variance
    # twice over (1 + 4 + 1).
    noise = float(np.median(np.abs(second))) / 0.6745 / math.sqrt(6)
    strong = np.abs(first) > max(LEAST_EDGE, EDGE_OVER_NOISE * noise)
    # An edge that runs along the rows, as siding does, is crossed at a flat angle and looks soft.
    down = np.abs(tile[2:, 1:-1] - tile[:-2, 1:-1]) / 2
    strong[1:-1] &= np.abs(first[1:-1]) >= down
    strong[[0, -1]] = False
    if np.count_nonzero(strong) < LEAST_EDGE_SHARE * strong.size:
        return None
    around = cv2.dilate(strong.astype(np.uint8), np.ones((1, 17), np.uint8)).astype(bool)
    count = int(np.count_nonzero(around))
    slope = float(np.sum(first[around] ** 2)) - count * noise**2 / 2
    bend = float(np.sum(second[around] ** 2)) - count * 6 * noise**2
    if slope <= 0 or bend <= 0:
        return None
    return TEN_TO_NINETY * math.sqrt(slope / bend / 2)


def _of_sharpest(widths: list[float]) -> float | None:
    """Median of the sharpest tiles' widths; None where too few tiles have any edge to judge by."""
    if len(widths) < SHARPEST_TILES:
        return None
    return float(np.median(sorted(widths)[:SHARPEST_TILES]))
