"""The edge of a shadow that crosses a marker: where it runs and how much light it leaves."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from survey.target.inkmodel import map_points
from survey.target.model import Array

Grey = npt.NDArray[np.uint8]

EDGE_PX = 2.0  # on either side of a shadow's edge, pixels that are half in the sun are not used
LEAST_GAIN = 0.5  # share of the squared residuals that a shadow must explain
DEEPEST, FAINTEST = 0.08, 0.85  # light that is left; less is black, more needs no shadow
_ANGLES = np.radians(np.arange(0, 360, 10))
_STEP = 0.5  # between tried edges, modules


@dataclass(frozen=True, slots=True)
class Shadow:
    """Beyond the line `normal` . px = `offset` (pixel frame) only `light` of the light is left."""

    normal: Array  # (2,), of unit length, points into the shadow
    offset: float
    light: float

    def depth(self, px: Array) -> Array:
        """Distance of pixels (n, 2) beyond the edge, px; negative in the sun."""
        beyond: Array = px @ self.normal - self.offset
        return beyond

    def levels(self, level: Array, px: Array) -> Array:
        """Grey levels (n,) as they would be without the shadow."""
        lit: Array = level / np.where(self.depth(px) > 0, self.light, 1.0)
        return lit

    def clear(self, px: Array) -> npt.NDArray[np.bool_]:
        """Whether pixels lie clear of the edge."""
        apart: npt.NDArray[np.bool_] = np.abs(self.depth(px)) > EDGE_PX
        return apart

    def reduced(self, by: int, left: int, top: int) -> Shadow:
        """Give the same in an image cut out from (left, top) and made `by` times smaller."""
        moved = np.array([left, top]) + (by - 1) / 2
        return Shadow(self.normal, (self.offset - float(self.normal @ moved)) / by, self.light)


def find_shadow(grey: Grey, homography: Array, dark: npt.NDArray[np.bool_]) -> Shadow | None:
    """Find the straight edge of a shadow across a marker.

    Parameters
    ----------
    grey : (h, w) uint8 array
    homography : (3, 3) array
        Pixels from modules about the marker's centre (y up).
    dark : (m, m) bool array
        The marker's modules, row 0 on top.

    Notes
    -----
    The logarithm of the light is a constant, less a constant where there is ink, less a constant
    in the shadow; of all lines on a grid that which leaves the smallest squares is taken.
    """
    printed = np.pad(dark, 1)  # with half a module of the paper round it
    count = len(printed)
    middles = (np.arange(count) - (count - 1) / 2).clip(-(count - 1.5) / 2, (count - 1.5) / 2)
    x, y = np.meshgrid(middles, -middles)
    points = np.column_stack([x.ravel(), y.ravel()])
    light = np.log(np.maximum(_samples(grey, map_points(homography, points)), 2.0))
    ink = printed.ravel().astype(np.float64)
    base = np.column_stack([np.ones_like(ink), ink])
    project = np.eye(len(ink)) - base @ np.linalg.pinv(base)
    rest = project @ light
    directions, offsets, beyond = _edges(count)
    # What the shadow explains beside paper and ink (Frisch, Waugh and Lovell).
    seen = beyond @ project
    size = (seen * beyond).sum(axis=1)
    step = (seen @ light) / np.maximum(size, 1e-9)
    gain = np.where((size > 2.0) & (step < 0), step**2 * size, 0.0)
    best = int(gain.argmax())
    left = float(np.exp(step[best]))
    if gain[best] < LEAST_GAIN * float(rest @ rest) or not DEEPEST < left < FAINTEST:
        return None
    line = np.array([*directions[best], -offsets[best]]) @ np.linalg.inv(homography)
    length = float(np.hypot(line[0], line[1]))
    # The homography may have turned the line's sign: the middle of the shadow tells.
    middle = map_points(homography, (points[beyond[best] > 0]).mean(axis=0)[None, :])[0]
    if line[:2] @ middle + line[2] < 0:
        length = -length
    return Shadow(np.asarray(line[:2] / length, np.float64), float(-line[2] / length), left)


@lru_cache(maxsize=8)
def _edges(count: int) -> tuple[Array, Array, Array]:
    """Edges to try: directions (k, 2), offsets (k,), and which samples (k, n) lie beyond each."""
    middles = (np.arange(count) - (count - 1) / 2).clip(-(count - 1.5) / 2, (count - 1.5) / 2)
    x, y = np.meshgrid(middles, -middles)
    points = np.column_stack([x.ravel(), y.ravel()])
    reach = count * 0.7
    offsets = np.arange(-reach, reach + _STEP / 2, _STEP)
    directions = np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])
    along = points @ directions.T
    beyond = along.T[:, None, :] > offsets[:, None]
    k = len(directions)
    return (
        np.repeat(directions, len(offsets), axis=0),
        np.tile(offsets, k),
        beyond.reshape(k * len(offsets), -1).astype(np.float64),
    )


def _samples(grey: Grey, px: Array) -> Array:
    """Grey levels at the nearest pixels."""
    height, width = grey.shape
    index = np.rint(px).astype(np.intp).clip(0, [width - 1, height - 1])
    level: Array = grey[index[:, 1], index[:, 0]].astype(np.float64)
    return level
