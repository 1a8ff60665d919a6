"""The rectified image of a plane: its map to a photo's pixels, and the pixels themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from survey.geometry.cameras import project
from survey.web.tiles import Levels, Pixels

Array = npt.NDArray[np.float64]
Json = dict[str, Any]
NEAREST = 0.1  # m in front of the camera
FARTHEST_RADIUS = 1.3  # of the half diagonal; beyond, the distortion is extrapolated
KNOT = 8  # px of the image between two computed places of its map
KNOT_TO_PIXEL = np.array([[1 / KNOT, 0.0, 1.0], [0.0, 1 / KNOT, 1.0]])
FAR = -1e5  # a pixel that no photo has
BEYOND = (0xD9, 0xD6, 0xCC)  # where the photo ends


@dataclass(frozen=True, slots=True)
class Sight:
    """One photo's map of a plane: plane frame (u, v) to pixels and back."""

    photo: str
    rotation: Array  # (3, 2): columns u and v of the plane frame in the camera frame
    origin: Array  # (3,) its origin there, m
    lens: Array
    fixed: Array
    size: tuple[int, int]

    def to_camera(self, uv: Array) -> Array:
        """Places of the plane (n, 2) in the camera frame (n, 3)."""
        return uv @ self.rotation.T + self.origin

    def to_px(self, uv: Array) -> tuple[Array, np.ndarray]:
        """Pixels of places on the plane, and which of them the photo shows."""
        own = self.to_camera(uv)
        reach = FARTHEST_RADIUS * np.hypot(*self.size) / 2 / self.lens[0]
        ahead = own[:, 2] > NEAREST
        ahead &= np.hypot(own[:, 0], own[:, 1]) < reach * np.maximum(own[:, 2], NEAREST)
        px = project(np.where(ahead[:, None], own, [0.0, 0.0, 1.0]), self.lens, self.fixed)
        inside = (px > -0.5).all(axis=1) & (px < np.array(self.size) - 0.5).all(axis=1)
        return px, ahead & inside

    def slant(self) -> float:
        """Sine between the plane and the line of sight to its origin."""
        normal = np.cross(self.rotation[:, 0], self.rotation[:, 1])
        return float(abs(normal @ self.origin) / np.linalg.norm(self.origin))


def sight_of(document: Json, size: tuple[int, int]) -> Sight:
    """Return the map that `rectify` described."""
    told = document["map"]
    rotation, origin, lens, fixed = (
        np.array(told[key]) for key in ("rotation", "origin", "lens", "fixed")
    )
    return Sight(document["photo"], rotation, origin, lens, fixed, size)


def draw_rectified(document: Json, sight: Sight, levels: Levels) -> Pixels:
    """Return the rectified image that `survey.web.rectifying.rectify` described.

    Pixel (i, j) shows the place (corner u + (i + 0.5) step, corner v - (j + 0.5) step) of the
    plane. It is taken from that level of the photo that is about as fine as the image. The map is
    computed at every `KNOT` pixels and is linear between.
    """
    width, height = document["size_px"]
    step = document["m_per_px"]
    across, down = (np.arange(-1, -(-size // KNOT) + 1) * KNOT for size in (width, height))
    u = document["corner_m"][0] + (across + 0.5) * step
    v = document["corner_m"][1] - (down + 0.5) * step
    px, shown = sight.to_px(np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2))
    coarser = np.log2(max(step / document["map"]["finest"], 1.0))
    level = min(int(coarser), len(levels) - 1)
    px = np.where(shown[:, None], (px + 0.5) / 2**level - 0.5, FAR)
    knots = px.reshape(len(down), len(across), 2).astype(np.float32)
    whole = cv2.warpAffine(
        knots, KNOT_TO_PIXEL, (width, height),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    drawn = cv2.remap(
        levels[level], whole[..., 0], whole[..., 1], cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=BEYOND[::-1],
    )  # fmt: skip
    return np.asarray(drawn, dtype=np.uint8)
