"""What a visit holds once its folder has been read and checked: plain values, SI units.

The three input files (visit.toml, marks.json, readings.csv or .xlsx) are turned into these
values by `survey.visit.reading`; nothing here touches a file. Photo coordinates are in the pixel
frame (x right, y down, centre of the top-left pixel (0, 0), after the Exif orientation has been
applied). "Unknown" is `None` for what a person is asked and may not know.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from survey.visit.observed import OUTLINE_PURPOSES as OUTLINE_PURPOSES
from survey.visit.observed import EdgeMark as EdgeMark
from survey.visit.observed import GravityMark as GravityMark
from survey.visit.observed import Mark as Mark
from survey.visit.observed import OutlineMark as OutlineMark
from survey.visit.observed import PointMark as PointMark
from survey.visit.observed import Reading as Reading
from survey.visit.observed import RodReading as RodReading
from survey.visit.observed import SlopeReading as SlopeReading
from survey.visit.observed import Spot as Spot
from survey.visit.observed import StringReading as StringReading
from survey.visit.observed import TapeReading as TapeReading

COVERING_FAMILIES = (
    "asphalt-shingles",
    "clay-or-concrete-tile",
    "metal-shingles",
    "mineral-surfaced-roll",
    "slate",
    "wood-shingles",
    "wood-shakes",
    "metal-panels-lapped",
    "metal-panels-lapped-with-sealant",
    "standing-seam",
    "built-up",
    "coal-tar-built-up",
    "modified-bitumen",
    "thermoset-single-ply",
    "thermoplastic-single-ply",
    "sprayed-foam",
    "liquid-applied",
    "photovoltaic-shingles",
)
"""Covering families that the model codes give a least slope for (see survey/rules)."""

EXISTING_COVERINGS = (*COVERING_FAMILIES, "asbestos-cement-tile", "other")
"""What may lie on a roof already; no least slope is known for the last two."""

MEETS = (
    "open",
    "gutter",
    "wall",
    "parapet",
    "curb",
    "chimney",
    "gravel stop",
    "steep roof",
    "upper roof",
    "lower roof",
    "roof",
)
"""What may lie beyond an edge: "open" air, or the thing that stands or lies there."""


class EdgeKind(StrEnum):
    """What an edge of a plane is, in the trade's words."""

    EAVE = "eave"
    RAKE = "rake"
    RIDGE = "ridge"
    HIP = "hip"
    VALLEY = "valley"
    HEADWALL = "headwall"
    SIDEWALL = "sidewall"
    TRANSITION = "slope transition"
    PARAPET = "parapet"
    GABLE_END = "gable end"
    CORNER = "wall corner"  # plumb edge of a wall plane
    BASE = "wall base"
    UNKNOWN = "unknown"


class PlaneKind(StrEnum):
    """A roof plane is covered and drained; a wall plane only carries targets and edges."""

    ROOF = "roof"
    WALL = "wall"


class OutletKind(StrEnum):
    """Where water leaves a roof other than over an open edge."""

    DRAIN = "roof drain"
    SCUPPER = "scupper"
    OVERFLOW_DRAIN = "overflow drain"
    OVERFLOW_SCUPPER = "overflow scupper"
    GUTTER = "gutter"


@dataclass(frozen=True, slots=True)
class Deck:
    """The deck under a plane, as a person judged it. Lengths in metres."""

    kind: str | None = None  # "plywood", "osb", "plank", "concrete", "metal", ...
    thickness: float | None = None
    condition: str | None = None  # "sound", "soft", "wet", "rotten", free text


@dataclass(frozen=True, slots=True)
class Edge:
    """An edge between two named points.

    Attributes
    ----------
    start, end : str
        Point names.
    kind : EdgeKind
    meets : str or None
        What lies beyond: "open", "gutter", "wall", "parapet", "steep roof", ...; None: not known.
    drains : bool or None
        Whether water can leave over it; None: by its kind and what it meets.
    dam_height : float or None
        Height that it holds water back above the roof surface, metres (parapet, curb, wall).
    level, plumb : bool or None
        Declared level or plumb (an observation); None: not declared.
    offset : float or None
        Distance that the *marked* edge stands off the plane of target `offset_from`, metres,
        positive towards the viewer (overhang, gutter). None: not declared, never assumed 0.
    offset_sd : float
        Standard deviation of `offset`, metres.
    offset_from : str or None
        Target or plane the offset counts from.
    square_to, parallel_to : str or None
        Another edge, by name or "A-B", that it stands square to or runs along with (a weak
        observation); None: not declared, never presumed.
    marked_as : str or None
        What was pointed at: "fascia", "drip edge", "gutter lip", ...
    """

    name: str
    start: str
    end: str
    kind: EdgeKind = EdgeKind.UNKNOWN
    meets: str | None = None
    drains: bool | None = None
    dam_height: float | None = None
    level: bool | None = None
    plumb: bool | None = None
    offset: float | None = None
    offset_sd: float = 0.01
    offset_from: str | None = None
    marked_as: str | None = None
    square_to: str | None = None
    parallel_to: str | None = None


@dataclass(frozen=True, slots=True)
class PlaneSpec:
    """A plane the estimator wants measured.

    `outline` names its corner points in order, anticlockwise seen from outside (from above for a
    roof). `points` are further points that lie on it. `flatness_sd` is how far its corners may
    depart from a plane (metres), `sag_sd` the same for readings taken in its field.
    """

    name: str
    kind: PlaneKind
    outline: tuple[str, ...]
    points: tuple[str, ...] = ()
    deck: Deck = field(default_factory=Deck)
    covering: str | None = None  # covering family intended (survey.rules), overrides the visit's
    plies: int | None = None
    existing_covering: str | None = None
    coverings_on: int | None = None  # number of coverings already on
    ventilation: str | None = None
    flatness_sd: float = 0.003175  # 1/8 in; common practice
    sag_sd: float = 0.0127  # 1/2 in, decks in service sag; common practice


@dataclass(frozen=True, slots=True)
class OutletSpec:
    """An outlet. `at` is a point name, or `along`/`up` place it on `plane`; `edge` for gutters.

    `invert` is the height of its flow line above the roof surface beside it, metres (0 for a flush
    drain, negative for a sump). `width` and `height` are the opening's, metres; a scupper's height
    counts from its flow line.
    """

    name: str
    kind: OutletKind
    plane: str | None = None
    at: str | None = None
    edge: str | None = None
    along: float | None = None
    up: float | None = None
    invert: float | None = None
    width: float | None = None
    height: float | None = None


@dataclass(frozen=True, slots=True)
class PenetrationSpec:
    """Something that passes through a plane: pipe, vent, chimney, skylight, curb.

    Placed by corner points (`outline`) or by `along`/`up` of its centre on `plane` with `width`
    (across the slope) and `length` (up the slope), metres; a round one has `width` only.
    """

    name: str
    kind: str
    plane: str | None = None
    outline: tuple[str, ...] = ()
    at: str | None = None
    along: float | None = None
    up: float | None = None
    width: float | None = None
    length: float | None = None
    height: float | None = None  # curb height above the surface
    saddle: bool | None = None  # a saddle (cricket) stands behind it


@dataclass(frozen=True, slots=True)
class StepSpec:
    """A line across which a roof's surface may step: a lap, the edge of a patch.

    From point `start` to `end`, or by tape on `plane`: `along` and `up` of both its ends, metres.
    """

    plane: str
    start: str | None = None
    end: str | None = None
    along: tuple[float, float] | None = None
    up: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class TargetSpec:
    """A target that was put up.

    Attributes
    ----------
    name : str
    board : SheetBoard or ForeignBoard
        What is printed on it.
    across, down : float or None
        Measured length of the horizontal and vertical check line, metres (own sheets), or of the
        board's outside (foreign boards); None: nobody measured (print scale sd 3 % and a finding).
    check_sd : float
        Standard deviation of those readings, metres.
    plane : str or None
        Plane it lies on, if any.
    thickness : float
        Printed face above that plane, metres.
    plumb, level : bool
        Whether it was mounted plumb (face vertical) and level (its x axis horizontal), or lies
        flat ("flat" with a bubble: face horizontal) when both are False and `flat` is True.
    mount_sd : float
        Standard deviation of that, radians; with neither, of lying along `plane`.
    """

    name: str
    board: SheetBoard | ForeignBoard
    across: float | None = None
    down: float | None = None
    check_sd: float = 0.0005
    plane: str | None = None
    thickness: float = 0.0
    plumb: bool = False
    level: bool = False
    flat: bool = False
    mount_sd: float = 0.0087266  # 0.5 deg; common practice


@dataclass(frozen=True, slots=True)
class SheetBoard:
    """One of our own sheets by its printed code, e.g. ``"letter-1"``."""

    code: str


@dataclass(frozen=True, slots=True)
class ForeignBoard:
    """A board printed elsewhere. `kind` is "marker", "marker grid" or "charuco"; sizes in metres.

    `columns`/`rows` count markers (grid) or squares (ChArUco); `marker` is the marker's side,
    `square` the ChArUco square, `gap` the space between the markers of a grid.
    """

    kind: str
    dictionary: str  # OpenCV's name, e.g. "DICT_6X6_250"
    marker: float
    first_id: int = 0
    columns: int = 1
    rows: int = 1
    square: float | None = None
    gap: float | None = None
    legacy_layout: bool = False


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """A point with a known elevation (benchmark), metres; sd 0 means exactly fixed."""

    name: str
    elevation: float
    sd: float = 0.0


@dataclass(frozen=True, slots=True)
class Setup:
    """One set-up of a level, laser or water level that rod readings refer to.

    `rod_sd` is one standard deviation of a reading, `rod_length` the longest it can be, metres.
    """

    name: str
    instrument: str | None = None
    rod_sd: float = 0.0015875  # 1/16 in; common practice
    rod_length: float | None = None


@dataclass(frozen=True, slots=True)
class StringSpec:
    """A taut string between two points of a plane, from which offsets are measured down.

    Attributes
    ----------
    start, end : str
        The points that its ends stand over.
    start_height, end_height : float
        Height of the string above the roof there, metres; `end_sd` one standard deviation of each.
    sag : float
        How far it hangs below its straight line in the middle, metres; `sag_sd` its sd.
    """

    name: str
    plane: str
    start: str
    end: str
    start_height: float = 0.0
    end_height: float = 0.0
    end_sd: float = 0.0015875  # 1/16 in; common practice
    sag: float = 0.0
    sag_sd: float = 0.0015875  # 1/16 in; own judgement


@dataclass(frozen=True, slots=True)
class CalibrationRef:
    """A calibration file, with the camera it belongs to (None: applies to every photo)."""

    file: str
    model: str | None = None
    lens: str | None = None


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the day was like, as written down."""

    weather: str | None = None
    temperature: float | None = None  # kelvin
    wind: str | None = None
    last_rain: str | None = None


@dataclass(frozen=True, slots=True)
class Visit:
    """One trip to one site, read and checked.

    `marked_points` are the points that marks.json declares itself, since they stand nowhere in
    visit.toml (yet).
    """

    folder: Path
    name: str
    date: str | None
    place: str | None
    by: str | None
    units: str  # "us" or "metric": how outputs speak
    building: str  # "dwelling" (IRC) or "other" (IBC)
    work: str  # "new", "replacement", "re-cover" or "inspection"
    covering: str | None
    plies: int | None
    conditions: Conditions
    targets: tuple[TargetSpec, ...]
    planes: tuple[PlaneSpec, ...]
    edges: tuple[Edge, ...]
    outlets: tuple[OutletSpec, ...]
    penetrations: tuple[PenetrationSpec, ...]
    benchmarks: tuple[FixedPoint, ...]
    setups: tuple[Setup, ...]
    calibrations: tuple[CalibrationRef, ...]
    marks: tuple[Mark, ...]
    readings: tuple[Reading, ...]
    photo_paths: tuple[Path, ...]
    notes: tuple[str, ...] = ()
    marked_points: tuple[str, ...] = ()
    steps: tuple[StepSpec, ...] = ()
    strings: tuple[StringSpec, ...] = ()
