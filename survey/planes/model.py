"""What the adjustment says of planes and edges: figures only, site frame made for reading.

Site frame for reporting: origin at the first outline point of the first roof plane, x along its
first edge, z up by gravity (if observed), y completing the right hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from survey.figures import Measured
from survey.visit.model import Edge, PlaneSpec

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """A named point in the site frame; `covariance` (3, 3) relative to the site frame's datum."""

    name: str
    position: Array
    covariance: Array
    observed: bool
    observed_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MeasuredEdge:
    """An edge with its true length (m), its rise over its run and the planes it parts."""

    edge: Edge
    length: Measured
    slope: Measured  # rise over run along the edge, m/m, absolute value
    planes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MeasuredPlane:
    """A plane of the visit, measured.

    Attributes
    ----------
    spec : PlaneSpec
    outline : (n, 3) array
        Corners, site frame.
    outline_plane : (n, 2) array
        Corners, plane frame: u along the first edge, v square to it in the plane.
    normal, normal_covariance : (3,) and (3, 3) arrays
        Unit normal out of the roof, site frame.
    gradient, gradient_covariance : (2,), (2, 2) arrays or None
        Fall as a vector dz/dx, dz/dy; None when gravity is not observed or the plane is vertical.
    pitch : Measured
        Rise over run (m/m), steepest; never negative.
    fall_azimuth : Measured
        Direction water runs, radians clockwise from the site frame's y axis, seen from above.
    area, plan_area : Measured
        True and horizontal area, m2.
    fit_rms : Measured
        Root mean square distance of its observed points from the plane, m.
    off_plane : tuple of (point name, distance)
        Points farther off than three of their sds.
    """

    spec: PlaneSpec
    outline: Array
    outline_plane: Array
    normal: Array
    normal_covariance: Array
    gradient: Array | None
    gradient_covariance: Array | None
    pitch: Measured
    fall_azimuth: Measured
    area: Measured
    plan_area: Measured
    fit_rms: Measured
    edges: tuple[MeasuredEdge, ...]
    observed_points: int
    off_plane: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class FieldReading:
    """A point read in the field of a roof plane, for drainage.

    `uv` plane frame (m); `height` distance above the horizontal datum through the site frame's
    origin (m, z up). Covariances between readings stand in `Planes.field_covariance`.
    """

    point: str
    plane: str
    uv: tuple[float, float]
    height: float


@dataclass(frozen=True, slots=True)
class PlaneSet:
    """All planes, points and field readings of a visit."""

    planes: tuple[MeasuredPlane, ...]
    edges: tuple[MeasuredEdge, ...]
    points: tuple[MeasuredPoint, ...]
    readings: tuple[FieldReading, ...]
    readings_covariance: Array  # (m, m) of the heights of `readings`, m2
    gravity_observed: bool
    scale_observed: bool
