"""What is said of water on a plane."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from survey.figures import Measured
from survey.findings import Finding

Array = npt.NDArray[np.float64]


class Likelihood(StrEnum):
    """How sure a low spot is; thresholds in docs/method.md."""

    SHOWN = "shown"
    LIKELY = "likely"
    POSSIBLE = "possible"
    NOT_SHOWN = "not shown by these readings"


@dataclass(frozen=True, slots=True)
class LowSpot:
    """A place that would hold water, with figures for when it is full to its spill.

    `outline` (n, 2) plane frame, closed implicitly; `deepest`, `spill` (2,) plane frame.
    `probability` that it holds at least the countable depth and area (see docs/method.md).
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


@dataclass(frozen=True, slots=True)
class SlopeField:
    """Local fall over a plane against the minimum for the intended covering.

    `share_under` is the share of the plane's area under `minimum` (m/m) with its interval;
    `strips` are (n, 2) plane-frame outlines of the parts under it; `backfall_share` the share that
    falls towards a wall or dam.
    """

    minimum: float | None
    share_under: Measured
    strips: tuple[Array, ...]
    backfall_share: Measured


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
