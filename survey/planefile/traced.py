"""Polygons traced in a photo, carried onto the plane they lie on: outline and area.

Each pressed pixel is a ray; where it meets the adjusted plane is the point that was meant. The area
stands on camera, lens, plane and the pressing itself; all of them are in its interval.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.model import (
    CAMERA,
    LENS,
    PLANE,
    POINT,
    Array,
    Key,
    Network,
    PlaneParameters,
    Pose,
    State,
)
from survey.adjustment.solution import Solution
from survey.figures import Figure, Measured, NotObserved
from survey.geometry.cameras import rays
from survey.geometry.planes import meet_plane
from survey.planes.drawing import drawing_of, placed
from survey.planes.measured_planes import plane_axes
from survey.visit.model import OutlineMark, PlaneSpec, Visit

STEP_PX = 0.5  # pixel step of the derivative by the pressed places


@dataclass(frozen=True, slots=True)
class Traced:
    """A traced polygon: `outline` (n, 2) in the plane frame or None, and its true `area`."""

    mark: OutlineMark
    outline: Array | None
    area: Measured


def trace_outlines(visit: Visit, network: Network, solution: Solution) -> list[Traced]:
    """Carry every traced polygon of a visit onto its plane, by name and photo."""
    planes = {plane.name: plane for plane in visit.planes}
    marks = [mark for mark in visit.marks if isinstance(mark, OutlineMark)]
    marks.sort(key=lambda mark: (mark.name, mark.photo, mark.id))
    return [_trace(mark, planes.get(mark.plane), network, solution) for mark in marks]


def _trace(
    mark: OutlineMark, spec: PlaneSpec | None, network: Network, solution: Solution
) -> Traced:
    gap = NotObserved(
        f"photo {mark.photo} or plane '{mark.plane}' has no place",
        f"tie {mark.photo} in by a target or marks, and measure '{mark.plane}'",
    )
    prior = network.cameras.get(mark.photo)
    if spec is None or prior is None:
        return Traced(mark, None, gap)
    keys: tuple[Key, ...] = ((CAMERA, mark.photo), (LENS, mark.photo), (PLANE, spec.name))
    if not placed(solution, keys):
        return Traced(mark, None, gap)
    fixed = np.array([prior.p1, prior.p2, prior.k3])
    px = np.array(mark.px, dtype=np.float64)
    corners = _carry(solution.state, keys, px, fixed)
    if not np.isfinite(corners).all():
        why = f"a line of sight of '{mark.name}' in {mark.photo} does not meet the plane"
        return Traced(mark, None, NotObserved(why, "trace it in a photo that looks onto the plane"))

    def area_of(state: State) -> Array:
        return np.array([_area(_carry(state, keys, px, fixed))])

    area = drawing_of(solution).measure(area_of, keys, "m2", gap)
    if isinstance(area, Figure):
        pressing = _pressing_sd(
            lambda pressed: _area(_carry(solution.state, keys, pressed, fixed)), px, mark.sd_px
        )
        seen_by = tuple(dict.fromkeys((mark.id, *area.observed_by)))
        area = replace(area, sd=math.hypot(area.sd, pressing), observed_by=seen_by)
    return Traced(mark, _in_plane_frame(corners, spec, solution.state), area)


def _carry(state: State, keys: tuple[Key, ...], px: Array, fixed: Array) -> Array:
    """Points (n, 3) where the rays through pixels meet the plane; nan where one misses it."""
    pose, lens, plane = (state[key] for key in keys)
    assert isinstance(pose, Pose) and isinstance(plane, PlaneParameters)
    assert isinstance(lens, np.ndarray)
    directions = rays(px, lens, fixed) @ pose.rotation.T
    return meet_plane(pose.translation, directions, plane.normal, plane.offset)


def _area(corners: Array) -> float:
    """Area of a plane polygon (n, 3): half the length of its vector area."""
    vector = np.cross(corners, np.roll(corners, -1, axis=0)).sum(axis=0) / 2
    return float(np.linalg.norm(vector))


def _in_plane_frame(corners: Array, spec: PlaneSpec, state: State) -> Array | None:
    """Return corners (n, 3) in the plane frame (n, 2), or None if its first edge has no place."""
    first, second = (state.get((POINT, name)) for name in spec.outline[:2])
    plane = state[(PLANE, spec.name)]
    assert isinstance(plane, PlaneParameters)
    if not isinstance(first, np.ndarray) or not isinstance(second, np.ndarray):
        return None
    along, up = plane_axes(first, second, plane.normal)
    offset = corners - first
    return np.column_stack([offset @ along, offset @ up])


def _pressing_sd(area_of: Callable[[Array], float], px: Array, sd_px: float) -> float:
    """Return the sd of an area by the places pressed, each coordinate with `sd_px`."""
    variance = 0.0
    for index in np.ndindex(*px.shape):
        ahead, behind = px.copy(), px.copy()
        ahead[index] += STEP_PX
        behind[index] -= STEP_PX
        slope = (area_of(ahead) - area_of(behind)) / (2 * STEP_PX)
        variance += (slope * sd_px) ** 2
    return math.sqrt(variance)
