"""Unknowns and observations of the adjustment, as plain values.

An unknown is named by a key, (kind, name); its value is one of the parameter types below. Every
observation is a small frozen record that names the unknowns it touches; its model and derivatives
stand in `survey.adjustment.equations`. Nothing here knows a file or a roof word.

Frames: site frame (z up); a `Pose` maps its own frame into the site frame,
``X_site = rotation @ X_own + translation``, for cameras and targets alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from survey.findings import Finding
from survey.photo.model import CameraPrior

Array = npt.NDArray[np.float64]
Key = tuple[str, str]  # (kind, name)

CAMERA = "camera"  # Pose, 6 parameters
LENS = "lens"  # (5,) array: focal_px, centre_x_px, centre_y_px, k1, k2; one per photo
LENS_MEAN = "lens mean"  # (5,) array shared by the photos of one camera and lens
TARGET = "target"  # Pose, 6 parameters
PRINT_SCALE = "print scale"  # (2,) array: true / nominal size along the target's x and y
POINT = "point"  # (3,) array, site frame
PLANE = "plane"  # PlaneParameters, 3 parameters
SETUP = "setup"  # (1,) array: height of instrument, site frame z
WATER_LEVEL = "water level"  # (1,) array: elevation of one tide line


@dataclass(frozen=True, slots=True)
class Pose:
    """A frame's place: ``X_site = rotation @ X_own + translation``."""

    rotation: Array  # (3, 3)
    translation: Array  # (3,)


@dataclass(frozen=True, slots=True)
class PlaneParameters:
    """Plane ``normal @ X_site + offset = 0`` with unit normal, pointing out of the roof."""

    normal: Array  # (3,)
    offset: float


Parameter = Array | Pose | PlaneParameters
State = dict[Key, Parameter]


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """What every observation carries: an id that stays the same from run to run and a place.

    `where` is how a message names it ("tape T3, readings.csv line 9"; "point P2 in IMG_4.jpg").
    """

    id: str
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetCorners(Observation):
    """Corners of one target in one photo: project(camera, lens, target pose . scaled corner)."""

    photo: str
    target: str
    corners_target: Array  # (n, 2) nominal metres, target frame
    corners_px: Array  # (n, 2)
    sd_px: Array  # (n,)


@dataclass(frozen=True, slots=True, kw_only=True)
class PointInPhoto(Observation):
    """A point mark: project(camera, lens, X)."""

    photo: str
    point: str
    px: tuple[float, float]
    sd_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeInPhoto(Observation):
    """Distance in pixels of both mark ends from the projected line through two points."""

    photo: str
    start: str
    end: str
    px: tuple[tuple[float, float], tuple[float, float]]
    sd_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GravityLineInPhoto(Observation):
    """A plumb or level line in a photo.

    Distance in pixels of the second end from the line that starts at the first end and runs towards
    the direction's vanishing point. `direction` is "plumb" or "level"; a level line runs
    horizontally within `on`, the key of a plane or a target. Its sd combines both ends' marking and
    `departure_sd` times the length.
    """

    photo: str
    direction: str
    px: tuple[tuple[float, float], tuple[float, float]]
    sd_px: float
    departure_sd: float
    on: Key | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeLength(Observation):
    """Distance between two points, metres."""

    start: str
    end: str
    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RodHeight(Observation):
    """Rod reading: height of instrument minus the point's z, metres."""

    setup: str
    point: str
    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeOfPlane(Observation):
    """Angle above horizontal within a plane, radians.

    With `start` and `end`: along the horizontal direction from one to the other, positive when it
    rises that way. Without: the steepest fall, positive.
    """

    plane: str
    value: float
    sd: float
    start: str | None = None
    end: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OnSurface(Observation):
    """Signed distance of a point from a plane's or target's face, metres (0: it lies on it).

    `on` is the key of a plane or a target; positive out of the roof, or towards the viewer of the
    print. With `may_sag` the point stands in the field of a plane: what departs there is the roof,
    not a reading.
    """

    on: Key
    point: str
    value: float = 0.0
    sd: float
    may_sag: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotOnPlane(Observation):
    """A point placed by tape on a plane: along the line `origin`-`direction` and square to it."""

    plane: str
    point: str
    origin: str
    direction: str
    along: float
    up: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelEdge(Observation):
    """z(start) - z(end) = 0, metres."""

    start: str
    end: str
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlumbEdge(Observation):
    """Horizontal offset between two points of a plumb edge, two components, radians of lean."""

    start: str
    end: str
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetMount(Observation):
    """How a target hangs, radians.

    `axis` "normal" or "x"; `is_level` True: that axis is horizontal; False: that axis is vertical
    (a board lying flat has a vertical normal).
    """

    target: str
    axis: str
    is_level: bool
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetOnPlane(Observation):
    """A target on a plane.

    Its face is parallel to it (two components, `tilt_sd` radians) and `thickness` metres out of it
    (`thickness_sd`).
    """

    target: str
    plane: str
    thickness: float
    tilt_sd: float
    thickness_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Elevation(Observation):
    """A point's known z (benchmark), metres; sd 0 fixes it."""

    point: str
    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SameElevation(Observation):
    """A point lies at a tide line's elevation, metres."""

    point: str
    level: str
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeAngle(Observation):
    """Angle between two edges (0 parallel, pi/2 square), radians; weak, off unless asked."""

    first: tuple[str, str]
    second: tuple[str, str]
    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior(Observation):
    """Direct observation of a vector unknown (print scale, lens), component by component.

    `mean_of` (a LENS_MEAN key) makes it relative: value - mean_of ~ (mean, sd).
    """

    key: Key
    mean: Array
    sd: Array
    mean_of: Key | None = None


@dataclass(slots=True)
class Network:
    """Everything observed on a visit, ready to be adjusted.

    `cameras` gives each photo's prior (its fixed distortion terms are used in projection).
    `overhangs` lists edges marked on a wall plane whose distance off it nobody declared:
    (edge, start, end, plane).
    """

    observations: list[Observation] = field(default_factory=list)
    cameras: dict[str, CameraPrior] = field(default_factory=dict)
    outlines: dict[str, tuple[str, ...]] = field(default_factory=dict)  # plane -> point names
    wall_planes: frozenset[str] = frozenset()
    findings: list[Finding] = field(default_factory=list)  # noticed while building
    overhangs: list[tuple[str, str, str, str]] = field(default_factory=list)
    units: str = "us"  # or "metric": how findings speak
