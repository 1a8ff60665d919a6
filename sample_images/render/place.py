"""The invented house in numbers: one source for the mesh, the truth file and the readings.

Site frame: x to the right along the front wall seen from the lawn, y into the house, z up; metres.
The front wall is y = 0, the lawn z = 0. Only numpy is used, so that Blender's Python reads it too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FT = 0.3048
IN = 0.0254

# House
HOUSE_WIDTH = 38 * FT
HOUSE_DEPTH = 30 * FT
WALL_BASE = 1.25 * FT
STEEP_EAVE = 16 * FT  # top of the shingles at the eave
STEEP_PITCH = 8 / 12
EAVE_OVERHANG = 1 * FT
RAKE_OVERHANG = 9 * IN
FASCIA = 8 * IN
WALL_TOP = STEEP_EAVE - FASCIA
RIDGE_Y = HOUSE_DEPTH / 2
RIDGE_Z = STEEP_EAVE + (RIDGE_Y + EAVE_OVERHANG) * STEEP_PITCH

# Porch
PORCH_X0 = 13 * FT
PORCH_WIDTH = 22 * FT
PORCH_DEPTH = 12 * FT
PORCH_X1 = PORCH_X0 + PORCH_WIDTH
PORCH_FLOOR = 1.5 * FT
PORCH_CEILING = 9.0 * FT
HEADWALL_Z = 10.2 * FT
MAIN_FALL = 0.375 / 12  # rise over run off the strip
STRIP_FALL = 0.1875 / 12
STRIP = (3 * FT, 6 * FT)  # up from the eave
STRIP_BLEND = 0.35 * FT  # half-width over which the fall changes
CROSS_DROP = 0.15 * IN  # the right end of the eave is lower
WAVE = 0.02 * IN  # amplitude of the deck's waviness
DISH = (15.5 * FT, 4.9 * FT, 5.5 * FT, 1.1 * IN)  # along, up, diameter, depth

CURB = (4.6 * FT, 8.9 * FT, 2.5 * FT, 2.0 * FT, 7 * IN)  # along, up (centre), width, length, height
PIPE = (19.2 * FT, 9.3 * FT, 3.5 * IN, 14 * IN)  # along, up, diameter, height


def _strip_profile(up: np.ndarray) -> np.ndarray:
    """Height above the eave of the bare profile, by exact integration of the blended fall."""

    def ramp(edge: float) -> np.ndarray:
        # integral of a linear 0-to-1 step of half-width STRIP_BLEND centred on `edge`
        t = np.clip((up - edge + STRIP_BLEND) / (2 * STRIP_BLEND), 0.0, 1.0)
        return STRIP_BLEND * t**2 + np.maximum(up - edge - STRIP_BLEND, 0.0)

    return MAIN_FALL * up - (MAIN_FALL - STRIP_FALL) * (ramp(STRIP[0]) - ramp(STRIP[1]))


def bare_height(along: np.ndarray, up: np.ndarray) -> np.ndarray:
    """Porch surface without the dish, metres above the left end of the eave."""
    along, up = np.asarray(along, float), np.asarray(up, float)
    cross = -CROSS_DROP * along / PORCH_WIDTH
    # zero at all four corners
    wave = np.sin(2 * np.pi * along / (11 * FT)) * np.sin(np.pi * up / (4 * FT))
    return _strip_profile(up) + cross + WAVE * wave


def surface_height(along: np.ndarray, up: np.ndarray) -> np.ndarray:
    """Porch surface with the dish, metres above the left end of the eave."""
    centre_along, centre_up, diameter, depth = DISH
    radius2 = (np.asarray(along) - centre_along) ** 2 + (np.asarray(up) - centre_up) ** 2
    dish = depth * np.maximum(1 - radius2 / (diameter / 2) ** 2, 0.0)
    return bare_height(along, up) - dish


EAVE_Z = HEADWALL_Z - float(bare_height(np.array(0.0), np.array(PORCH_DEPTH)))


def porch_point(along: float, up: float) -> np.ndarray:
    """A point of the porch surface, site frame."""
    z = EAVE_Z + float(surface_height(np.array(along), np.array(up)))
    return np.array([PORCH_X0 + along, up - PORCH_DEPTH, z])


def above(point: np.ndarray, height: float) -> np.ndarray:
    """The place `height` over a point."""
    return np.asarray(point) + np.array([0.0, 0.0, height])


def named_points() -> dict[str, np.ndarray]:
    """Corner points that the visit names, site frame."""
    left, right = -RAKE_OVERHANG, HOUSE_WIDTH + RAKE_OVERHANG
    return {
        "porch eave left": porch_point(0.0, 0.0),
        "porch eave right": porch_point(PORCH_WIDTH, 0.0),
        "porch wall right": porch_point(PORCH_WIDTH, PORCH_DEPTH),
        "porch wall left": porch_point(0.0, PORCH_DEPTH),
        "steep eave left": np.array([left, -EAVE_OVERHANG, STEEP_EAVE]),
        "steep eave right": np.array([right, -EAVE_OVERHANG, STEEP_EAVE]),
        "ridge right": np.array([right, RIDGE_Y, RIDGE_Z]),
        "ridge left": np.array([left, RIDGE_Y, RIDGE_Z]),
        "wall base left": np.array([0.0, 0.0, WALL_BASE]),
        "wall base right": np.array([HOUSE_WIDTH, 0.0, WALL_BASE]),
        "wall top right": np.array([HOUSE_WIDTH, 0.0, WALL_TOP]),
        "wall top left": np.array([0.0, 0.0, WALL_TOP]),
    }


OUTLINES = {
    "porch": ("porch eave left", "porch eave right", "porch wall right", "porch wall left"),
    "steep roof": ("steep eave left", "steep eave right", "ridge right", "ridge left"),
    "front wall": ("wall base left", "wall base right", "wall top right", "wall top left"),
}

EDGES = {
    "porch eave": ("porch eave left", "porch eave right"),
    "porch right rake": ("porch eave right", "porch wall right"),
    "porch headwall": ("porch wall right", "porch wall left"),
    "porch left rake": ("porch wall left", "porch eave left"),
    "steep eave": ("steep eave left", "steep eave right"),
    "steep right rake": ("steep eave right", "ridge right"),
    "ridge": ("ridge right", "ridge left"),
    "steep left rake": ("ridge left", "steep eave left"),
    "wall base": ("wall base left", "wall base right"),
    "wall corner right": ("wall base right", "wall top right"),
    "wall corner left": ("wall top left", "wall base left"),
}


@dataclass(frozen=True)
class Hung:
    """A printed target: centre of the print, its axes in the site frame, print scales."""

    name: str
    code: str
    centre: np.ndarray
    right: np.ndarray
    up: np.ndarray
    scale: tuple[float, float]
    thickness: float

    def to_site(self, points: np.ndarray) -> np.ndarray:
        """Points of the target frame as nominally printed (n, 2) to the site frame (n, 3)."""
        x, y = points[:, :1] * self.scale[0], points[:, 1:2] * self.scale[1]
        return self.centre + x * self.right + y * self.up


def _flat_on_porch(along: float, up: float, turn: float, thickness: float) -> tuple:
    step = 0.15
    east = porch_point(along + step, up) - porch_point(along - step, up)
    north = porch_point(along, up + step) - porch_point(along, up - step)
    normal = np.cross(east, north)
    normal /= np.linalg.norm(normal)
    east /= np.linalg.norm(east)
    north = np.cross(normal, east)
    right = np.cos(turn) * east + np.sin(turn) * north
    return porch_point(along, up) + thickness * normal, right, np.cross(normal, right)


def targets() -> tuple[Hung, ...]:
    """The three targets of the visit, where they were put up."""
    roof = _flat_on_porch(10.9 * FT, 8.6 * FT, 0.09, 0.005)
    tilt = 0.003  # radians; a hung board is never quite level
    wall_right = np.array([np.cos(tilt), 0.0, np.sin(tilt)])
    wall_up = np.array([-np.sin(tilt), 0.0, np.cos(tilt)])
    lean = -0.004
    rail_up = np.array([0.0, np.sin(lean), np.cos(lean)])
    return (
        Hung(
            "wall board",
            "board-24-1",
            np.array([1.45, -0.0127, 1.72]),
            wall_right,
            wall_up,
            (0.985, 0.985),
            0.0127,
        ),
        Hung("roof board", "board-24-2", roof[0], roof[1], roof[2], (0.985, 0.987), 0.005),
        Hung(
            "rail board",
            "board-24-3",
            np.array([9.35, -PORCH_DEPTH + 0.055, 1.01]),
            np.array([1.0, 0.0, 0.0]),
            rail_up,
            (0.991, 0.991),
            0.005,
        ),
    )


# --- cameras -----------------------------------------------------------------------------------

SENSOR = (3024, 2268)
MAIN_F35, TELE_F35 = 26, 52
LENSES = {"main": (0.026, -0.011), "tele": (-0.014, 0.006)}  # k1, k2
FOCAL_MM = {"main": 5.6, "tele": 7.4}


@dataclass(frozen=True)
class Shot:
    """One photo: where the phone was, what it looked at and its interior orientation (upright)."""

    name: str
    lens: str
    centre: np.ndarray
    look_at: np.ndarray
    roll: float
    portrait: bool
    focal_factor: float
    shift_px: tuple[float, float]
    from_ladder: bool

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the upright image, pixels."""
        return (SENSOR[1], SENSOR[0]) if self.portrait else SENSOR

    @property
    def nominal_focal(self) -> float:
        """Focal length by the 35 mm equivalent over the diagonal, pixels."""
        f35 = MAIN_F35 if self.lens == "main" else TELE_F35
        return f35 / np.hypot(36, 24) * float(np.hypot(*SENSOR))

    @property
    def focal(self) -> float:
        """True focal length, pixels."""
        return self.nominal_focal * self.focal_factor

    @property
    def principal_point(self) -> tuple[float, float]:
        """True principal point, pixels, centre of the top-left pixel (0, 0)."""
        width, height = self.size
        return (width - 1) / 2 + self.shift_px[0], (height - 1) / 2 + self.shift_px[1]

    @property
    def rotation(self) -> np.ndarray:
        """R_camera_site: rows are the camera's right, down and forward axes in the site frame."""
        forward = self.look_at - self.centre
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        c, s = np.cos(self.roll), np.sin(self.roll)
        return np.array([c * right + s * down, -s * right + c * down, forward])

    def project(self, points: np.ndarray) -> np.ndarray:
        """Project site points (n, 3) to distorted pixels (n, 2); nan behind the camera."""
        camera = (np.atleast_2d(points) - self.centre) @ self.rotation.T
        depth = np.where(camera[:, 2] > 0.05, camera[:, 2], np.nan)
        x, y = camera[:, 0] / depth, camera[:, 1] / depth
        k1, k2 = LENSES[self.lens]
        r2 = x**2 + y**2
        stretch = 1 + k1 * r2 + k2 * r2**2
        cx, cy = self.principal_point
        return np.column_stack([self.focal * x * stretch + cx, self.focal * y * stretch + cy])


def _shot(name, lens, centre, look_at, roll_deg, factor, shift, *, portrait=False, ladder=False):
    return Shot(
        name,
        lens,
        np.array(centre, float),
        np.array(look_at, float),
        float(np.radians(roll_deg)),
        portrait,
        factor,
        shift,
        ladder,
    )


SHOTS = (
    _shot("front_left.jpg", "main", (3.0, -13.6, 1.63), (5.5, 0, 3.35), 0.6, 1.004, (4.2, -3.1)),
    _shot("front_right.jpg", "main", (10.4, -12.8, 1.58), (6.0, 0, 3.4), -0.9, 0.997, (-2.5, 5.6)),
    _shot("left_side.jpg", "main", (-8.0, -7.6, 1.66), (4.2, 1.3, 3.6), 0.4, 1.002, (1.1, 2.9)),
    _shot(
        "right_corner.jpg",
        "main",
        (17.8, -8.2, 1.61),
        (9.7, 0.0, 3.9),
        -0.5,
        0.999,
        (-3.8, -1.7),
        portrait=True,
    ),
    _shot("lawn_far.jpg", "tele", (14.5, -21.0, 1.68), (6.3, 0, 3.7), 0.3, 1.006, (6.0, -4.4)),
    _shot(
        "ladder_left.jpg",
        "main",
        (2.4, -5.7, 5.15),
        (6.4, -1.85, 3.0),
        1.1,
        1.001,
        (2.7, 0.8),
        ladder=True,
    ),
    _shot(
        "ladder_right.jpg",
        "main",
        (12.3, -5.6, 5.2),
        (8.3, -1.75, 3.05),
        -1.3,
        0.996,
        (-1.4, 3.3),
        ladder=True,
    ),
    _shot(
        "ladder_middle.jpg",
        "main",
        (7.6, -5.3, 5.1),
        (7.9, -2.0, 3.0),
        0.8,
        1.003,
        (3.5, -2.2),
        ladder=True,
    ),
)

CHECK_LINES = {"board-24": (22 * IN, 22 * IN), "board-18": (16 * IN, 16 * IN)}  # as drawn
