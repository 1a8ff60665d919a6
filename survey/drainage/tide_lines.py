"""Water seen: pond edges and stain rings, all of whose points stand at one unknown height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from survey.adjustment.network_marks import TIDE_LINE, outline_points
from survey.drainage.domain import PlaneFrame
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import OutlineMark, Visit

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

PLAN_SD = 0.03  # m, 0.1 ft: how well a water's edge can be pointed at; own judgement
FULL_SHARE = 0.7  # a stain ring is mostly the edge of the full pond; own judgement
LEVEL_SD = 0.0008  # m, 1/32 in: film and meniscus at the edge; own judgement
USUAL_DEPTH = 0.015  # m, 0.6 in: depth of dish that a ring's wall is taken to have; own judgement
INSIDE_SHARE = 0.5  # of the way from the ring's middle to its edge at which it must be lower
SLACK = 0.0015  # m, 1/16 in by which drawn surfaces may break what a ring says; own judgement


@dataclass(frozen=True, slots=True)
class TideLine:
    """A water's edge on a plane: `outline` (n, 2) plane frame, `plan_sd` metres a coordinate.

    `full_share` is how likely the pond was full to its spill when it left that edge.
    """

    name: str
    plane: str
    outline: Array
    plan_sd: float = PLAN_SD
    full_share: float = FULL_SHARE

    @property
    def middle(self) -> Array:
        """Centroid of the ring, plane frame."""
        centroid = shapely.Polygon(self.outline).centroid
        return np.array([centroid.x, centroid.y])

    @property
    def inside(self) -> Array:
        """Places (m, 2) within the ring at which the roof must be lower than its edge."""
        middle = self.middle
        inner: Array = middle + INSIDE_SHARE * (self.outline - middle)
        return np.vstack([middle[None], inner[:: max(1, len(inner) // 6)]])


def tide_lines_of(
    plane: MeasuredPlane, planes: PlaneSet, visit: Visit, frame: PlaneFrame
) -> tuple[TideLine, ...]:
    """Tide lines traced in photos whose points the adjustment placed on a plane."""
    placed = {point.name: point for point in planes.points if point.observed}
    found = []
    for mark in visit.marks:
        if not isinstance(mark, OutlineMark) or mark.purpose != TIDE_LINE:
            continue
        names = outline_points(mark)
        if mark.plane != plane.spec.name or len(names) < 4 or any(n not in placed for n in names):
            continue
        positions = np.array([placed[name].position for name in names])
        spread = np.array([np.trace(placed[name].covariance[:2, :2]) / 2 for name in names])
        plan_sd = float(np.sqrt(np.median(spread) + PLAN_SD**2))
        found.append(TideLine(mark.name, plane.spec.name, frame.to_plane(positions), plan_sd))
    return tuple(found)


def ring_sd(line: TideLine, fall: float) -> float:
    """Return the sd of the roof's height at a traced point about the water's level, metres.

    A point traced off the water's edge is off in height by the slope there, and the slope is that
    of the dish's wall, 2 d / a for depth d and radius a, on top of the roof's. Plan error times
    the roof's own slope is several times too small (own simulation, docs/drainage-accuracy.md).
    """
    radius = float(np.sqrt(shapely.Polygon(line.outline).area / np.pi))
    wall = fall + 2.0 * USUAL_DEPTH / max(radius, 0.3)
    return float(np.hypot(line.plan_sd * wall, LEVEL_SD))


def keeps_to_ring(level: float, inside: Array, standing: Array, sd: float) -> bool:
    """Whether one drawn surface agrees with what a ring says on one side.

    Parameters
    ----------
    level : float
        Height of the ring's water on this surface.
    inside : (m,) array
        Surface at the places inside the ring.
    standing : (m,) array
        Level water would stand at there when full to its spill.
    sd : float
        Of a traced point's height, from `ring_sd`.
    """
    lower = bool((inside <= level + SLACK).all())
    held = bool(standing[0] >= level - 2 * sd - SLACK)
    return lower and held
