"""What is said of water on a plane."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from survey.figures import Measured
from survey.findings import Finding

Array = npt.NDArray[np.float64]


class Likelihood(StrEnum):
    """How sure a low spot is; thresholds in docs/drainage.md."""

    SHOWN = "shown"
    LIKELY = "likely"
    POSSIBLE = "possible"
    NOT_SHOWN = "not shown by these readings"


@dataclass(frozen=True, slots=True)
class NestedLow:
    """A low spot within a low spot, of a typical surface: `depth` m to its own rim, `area` m2."""

    deepest: Array  # (2,) plane frame
    depth: float
    area: float
    volume: float


@dataclass(frozen=True, slots=True)
class LowSpot:
    """A place that would hold water, with figures for when it is full to its spill.

    `outline` (n, 2) plane frame, closed implicitly, wet in half of the surfaces that hold it;
    `deepest`, `spill` (2,) plane frame. `probability` that it holds at least the countable depth
    and area (see docs/drainage.md). `stages` (k, 3): depth above its bottom (m), area (m2) and
    volume (m3) as it fills, of a typical surface.
    """

    name: str
    plane: str
    likelihood: Likelihood
    probability: float
    outline: Array
    outer_outline: Array  # where water stands in at least 2.5 % of the surfaces
    deepest: Array
    spill: Array
    depth: Measured  # m
    area: Measured  # m2
    volume: Measured  # m3
    weight: Measured  # kg of water
    load: Measured  # Pa at the deepest point
    drains_to: str  # edge or outlet name it spills towards, or another low spot
    outlet: str | None  # an outlet inside it, if any
    observed_by: tuple[str, ...] = ()
    depth_range: tuple[float, float] | None = None  # m, 95 % over all surfaces, 0 where dry
    depth_interval: tuple[float, float] | None = None  # m, 95 % given that it is there
    area_interval: tuple[float, float] | None = None  # m2, 95 % given that it is there
    volume_interval: tuple[float, float] | None = None  # m3, 95 % given that it is there
    only_if: str = ""  # what an edge nobody described must do for it to exist, or empty
    sure_outline: Array | None = None  # wet in 95 % of the surfaces that hold it
    stages: Array | None = None
    fills_at_rain: float | None = None  # m of rain that fill it, all of it running off
    nested: tuple[NestedLow, ...] = ()


@dataclass(frozen=True, slots=True)
class SlopeField:
    """Local fall over a plane against the minimum for the intended covering.

    `share_under` is the share of the plane's area under `minimum` (m/m) with its interval;
    `strips` are (n, 2) plane-frame outlines of the parts under it; `backfall_share` the share that
    falls towards a wall or dam; `backfall_strips` where it does.
    """

    minimum: float | None
    share_under: Measured
    strips: tuple[Array, ...]
    backfall_share: Measured
    backfall_strips: tuple[Array, ...] = ()


@dataclass(frozen=True, slots=True)
class FlowPath:
    """The way water runs from a place to where it leaves, (n, 2) plane frame."""

    points: Array
    to: str


@dataclass(frozen=True, slots=True)
class FallArrow:
    """Local fall: where, which way water runs (unit, plane frame), how steep (m/m)."""

    at: Array
    direction: Array
    fall: float


@dataclass(frozen=True, slots=True)
class Contour:
    """Lines of one height above the lowest point drawn, (n, 2) plane frame each."""

    height: float
    lines: tuple[Array, ...]


@dataclass(frozen=True, slots=True)
class ValleyFall:
    """Fall along a valley, which is less than that of the planes it parts (p / sqrt 2 if equal)."""

    edge: str
    fall: Measured
    minimum: float | None


@dataclass(frozen=True, slots=True)
class OutletState:
    """An outlet against the low point it serves.

    `above_low_point` height of its flow line above the lowest point of the roof near it, m.
    """

    name: str
    kind: str
    above_low_point: Measured


@dataclass(frozen=True, slots=True)
class BlockedOutlets:
    """Water behind blocked outlets, information only: a licensed engineer judges loads.

    `depth` at the deepest point (m), `load` there (Pa), `area` m2, `volume` m3; `spills_over` the
    edge or overflow that water then leaves by.
    """

    blocked: tuple[str, ...]
    spills_over: str
    depth: Measured
    load: Measured
    area: Measured
    volume: Measured


@dataclass(frozen=True, slots=True)
class NextReading:
    """A place at which one more rod reading would help most, the best first.

    `along` and `up` are tape distances from the outline's first corner along its first edge and
    square to it; `gain` the share of the doubt about low spots that it would remove.
    """

    at: Array
    along: float
    up: float
    gain: float


@dataclass(frozen=True, slots=True)
class Taper:
    """Fill that brings a plane to a minimum fall towards a way out; figures, not a design.

    Thicknesses in metres: the thickest anywhere, the mean at the end by the way out and at the far
    end.
    """

    towards: str
    fall: float
    volume: Measured
    thickest: Measured
    low_end: Measured
    high_end: Measured


@dataclass(frozen=True, slots=True)
class Saddle:
    """A saddle behind a curb; figures, not a design.

    `width` across the fall, `length` up the fall, `height` of its level ridge at the curb, metres;
    `volume` m3; `valley_fall` along its valleys, m/m. `present`: one is there already.
    """

    behind: str
    width: float
    length: float
    height: Measured
    volume: Measured
    valley_fall: Measured
    present: bool | None


@dataclass(frozen=True, slots=True)
class TideLineFit:
    """How a tide line agrees with the readings.

    `level_above` height of its water over the deepest point inside, m; `agrees` in words of the
    finding otherwise.
    """

    name: str
    outline: Array
    level_above: Measured
    agrees: bool


@dataclass(frozen=True, slots=True)
class PlaneDrainage:
    """Everything said of water on one roof plane."""

    plane: str
    low_spots: tuple[LowSpot, ...]
    slope_field: SlopeField | None
    leaves_by: tuple[str, ...]  # edges and outlets that water leaves by, the busiest first
    smallest_findable: Measured  # m, diameter of the smallest pond the readings could have shown
    reading_spacing: float | None  # m, typical distance between readings
    reading_count: int
    not_judged: str = ""  # why drainage could not be judged, or empty
    notes: tuple[str, ...] = ()  # what was presumed, one sentence each
    findings: tuple[Finding, ...] = ()
    flow_paths: tuple[FlowPath, ...] = ()
    arrows: tuple[FallArrow, ...] = ()
    contours: tuple[Contour, ...] = ()
    valleys: tuple[ValleyFall, ...] = ()
    outlets: tuple[OutletState, ...] = ()
    blocked: BlockedOutlets | None = None
    next_readings: tuple[NextReading, ...] = ()
    taper: Taper | None = None
    saddles: tuple[Saddle, ...] = ()
    tide_lines: tuple[TideLineFit, ...] = ()
    readings: Array = field(default_factory=lambda: np.zeros((0, 2)))  # (n, 2) plane frame
    outline: Array = field(default_factory=lambda: np.zeros((0, 2)))  # (n, 2) plane frame
    edge_roles: tuple[tuple[str, str], ...] = ()  # (edge, "open", "dam" or "unknown") in order
    curbs: tuple[tuple[str, Array], ...] = ()  # penetrations in the plane frame
    outlet_places: tuple[tuple[str, Array], ...] = ()  # outlets in the plane frame
