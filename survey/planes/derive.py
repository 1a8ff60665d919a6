"""From the adjusted unknowns to what the estimator asked: planes, edges, points, readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from survey.adjustment.model import POINT, Array, Key, State
from survey.adjustment.solution import Solution
from survey.figures import NotObserved
from survey.planes.drawing import Drawing, drawing_of
from survey.planes.measured_edges import Sides, measure_edges
from survey.planes.measured_planes import measure_plane
from survey.planes.model import FieldReading, MeasuredPoint, PlaneSet
from survey.planes.readings import field_readings
from survey.planes.site_frame import SiteFrame, choose_frame, point_of
from survey.visit.model import Visit

NOWHERE = NotObserved("it has no place", "mark it in two photos")


def derive_planes(solution: Solution, visit: Visit) -> PlaneSet:
    """Everything the adjustment says of the planes of a visit.

    Parameters
    ----------
    solution : Solution
        From `survey.adjustment.adjust`.
    visit : Visit

    Returns
    -------
    PlaneSet
        Every plane the visit names, in its order. Figures that the observations do not fix are
        `NotObserved`; a corner without a place is a row of nan in its plane's outline and no
        point of the set.
    """
    drawing = drawing_of(solution)
    frame = choose_frame(solution, visit.planes)
    points = _points(drawing, frame)
    places = {point.name: point.position for point in points}
    sides = Sides.of(visit, solution)
    edges = measure_edges(drawing, visit, sides)
    planes = tuple(
        measure_plane(drawing, frame, visit, spec, places, edges) for spec in visit.planes
    )
    readings, covariance = _readings(drawing, frame, visit, places)
    declared = {edge.name for edge in visit.edges}
    return PlaneSet(
        planes=planes,
        edges=tuple(edge for edge in edges if edge.edge.name in declared or edge.planes),
        points=points,
        readings=readings,
        readings_covariance=covariance,
        gravity_observed=solution.gravity_observed,
        scale_observed=solution.scale_observed,
    )


def _readings(
    drawing: Drawing, frame: SiteFrame | None, visit: Visit, places: dict[str, Array]
) -> tuple[tuple[FieldReading, ...], Array]:
    if frame is None or not drawing.solution.gravity_observed:
        return (), np.zeros((0, 0))
    return field_readings(drawing.solution, frame, visit, places)


def _points(drawing: Drawing, frame: SiteFrame | None) -> tuple[MeasuredPoint, ...]:
    """Every point with a fixed place relative to the site frame."""
    if frame is None:
        return ()
    names = sorted(name for kind, name in drawing.solution.state if kind == POINT)
    measured = [_point(drawing, frame, name) for name in names]
    return tuple(point for point in measured if point is not None)


def _point(drawing: Drawing, frame: SiteFrame, name: str) -> MeasuredPoint | None:
    def function(state: State) -> Array:
        axes, origin = frame.axes(state)
        place = axes @ (point_of(state, name) - origin)
        if name == frame.along:
            place[1] = 0.0  # by definition, and so without rounding
        return np.asarray(place)

    keys: Sequence[Key] = tuple(dict.fromkeys([(POINT, name), *frame.keys()]))
    solution = drawing.solution
    if not solution.is_estimable(function, keys):
        return None
    place, covariance = solution.propagate(function, keys)
    for other in drawing.others:
        if any(key not in other.state for key in keys):
            return None
        there = other.propagate(function, keys)[0]
        if np.any(np.abs(there - place) > 3 * np.sqrt(np.diag(covariance)) + 0.01):
            return None
    return MeasuredPoint(name, place, covariance, True, solution.observed_by(function, keys))
