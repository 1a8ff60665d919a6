"""What stands on the site and the cameras that look at it: the truth, in numbers.

The projection below is written for the scenes alone and shares no code with the package, so that a
wrong axis or a wrong sign there cannot hide here. Site frame: x right, y away, z up, metres.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

FOCAL_PX = 3029.0  # 26 mm equivalent on 4032 x 3024 by the diagonal
SIZE_PX = (4032, 3024)


@dataclass(frozen=True)
class TrueCamera:
    """A camera as it really stood. Columns of `axes` are its right, down and forward axes."""

    position: Array
    axes: Array
    focal: float = FOCAL_PX
    centre: tuple[float, float] = ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2)
    k1: float = 0.0
    k2: float = 0.0
    size: tuple[int, int] = SIZE_PX

    def photograph(self, points: Array) -> Array:
        """Pixels of site points (n, 3), lens distortion included."""
        seen = np.atleast_2d(points) - self.position
        right, down, ahead = (seen @ self.axes[:, i] for i in range(3))
        if np.any(ahead <= 0.05):
            raise ValueError("a point behind the camera was photographed")
        a, b = right / ahead, down / ahead
        r2 = a * a + b * b
        stretch = 1 + self.k1 * r2 + self.k2 * r2 * r2
        return np.stack(
            [self.focal * stretch * a + self.centre[0], self.focal * stretch * b + self.centre[1]],
            axis=1,
        )

    def shows(self, points: Array, margin: float = 5.0) -> bool:
        """Whether all points lie inside the picture and before the camera."""
        seen = (np.atleast_2d(points) - self.position) @ self.axes[:, 2]
        if np.any(seen <= 0.1):
            return False
        px = self.photograph(points)
        inside = (px > margin) & (px < np.array(self.size) - 1 - margin)
        return bool(inside.all())


def stand(position: Array, aim: Array, *, roll: float = 0.0, **lens: object) -> TrueCamera:
    """A camera at `position` looking at `aim`, turned by `roll` radians about its view axis."""
    position, aim = np.asarray(position, float), np.asarray(aim, float)
    ahead = (aim - position) / np.linalg.norm(aim - position)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    c, s = np.cos(roll), np.sin(roll)
    axes = np.stack([c * right + s * down, c * down - s * right, ahead], axis=1)
    return TrueCamera(position, axes, **lens)  # type: ignore[arg-type]


def turned(vector: Array) -> Array:
    """Rotation matrix of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    if angle == 0.0:
        return np.eye(3)
    x, y, z = np.asarray(vector) / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


@dataclass(frozen=True)
class TrueBoard:
    """A printed target as it really hung.

    `points` (n, 2) as nominally printed about the centre, x right, y up; `scale` what the printer
    made of both axes; columns of `axes` are its right, up and outward axes; `bow` is how far its
    middle stands out of the plane of its left and right sides (metres).
    """

    points: Array
    sd_px: Array
    side: float
    centre: Array
    axes: Array
    scale: tuple[float, float] = (1.0, 1.0)
    bow: float = 0.0

    def in_site(self) -> Array:
        """Where its known points really are, (n, 3)."""
        flat = self.points * np.array(self.scale)
        out = self.bow * (1 - (2 * self.points[:, 0] / self.side) ** 2)
        return self.centre + np.column_stack([flat, out]) @ self.axes.T


def frame_board(side: float, *, sd_px: float = 0.15) -> tuple[Array, Array]:
    """Known points of a board of our own kind: 44 saddles of a checker frame, 13 modules wide."""
    module = side / 13
    steps = (np.arange(1, 13) - 6.5) * module
    edge = 5.5 * module
    ring = [(x, y) for x in steps for y in (-edge, edge)]
    ring += [(x, y) for y in steps[1:-1] for x in (-edge, edge)]
    points = np.array(ring)
    return points, np.full(len(points), sd_px)


def marker_board(side: float, *, sd_px: float = 0.3) -> tuple[Array, Array]:
    """Known points of a board with one outer marker frame and four chess corners inside."""
    half, inner = side / 2, side / 6
    outer = [(-half, half), (half, half), (half, -half), (-half, -half)]
    chess = [(-inner, inner), (inner, inner), (inner, -inner), (-inner, -inner)]
    return np.array(outer + chess), np.array([sd_px] * 4 + [sd_px / 2] * 4)


@dataclass
class World:
    """Everything that stands still during a visit: named points and boards."""

    points: dict[str, Array] = field(default_factory=dict)
    boards: dict[str, TrueBoard] = field(default_factory=dict)

    def distance(self, a: str, b: str) -> float:
        return float(np.linalg.norm(self.points[a] - self.points[b]))

    def slope(self, a: str, b: str) -> float:
        """Rise over run from one point to the other, absolute value."""
        step = self.points[b] - self.points[a]
        return float(abs(step[2]) / np.hypot(step[0], step[1]))

    def area(self, names: tuple[str, ...]) -> float:
        """True area of a polygon of points (its vector area)."""
        ring = np.array([self.points[name] for name in names])
        return float(np.linalg.norm(np.cross(ring, np.roll(ring, -1, axis=0)).sum(axis=0)) / 2)

    def pitch(self, names: tuple[str, ...]) -> float:
        """Rise over run of a polygon of points (of its vector area)."""
        ring = np.array([self.points[name] for name in names])
        normal = np.cross(ring, np.roll(ring, -1, axis=0)).sum(axis=0)
        return float(np.hypot(normal[0], normal[1]) / abs(normal[2]))
