"""Heights read in the field of roof planes, with their covariance, for drainage."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from survey.adjustment.model import POINT, Array, Key, State
from survey.adjustment.network_planes import field_points
from survey.adjustment.solution import Solution
from survey.planes.measured_planes import plane_axes
from survey.planes.model import FieldReading
from survey.planes.site_frame import SiteFrame, plane_of, point_of
from survey.visit.model import PlaneKind, RodReading, Visit


def field_readings(
    solution: Solution, frame: SiteFrame, visit: Visit, places: Mapping[str, Array]
) -> tuple[tuple[FieldReading, ...], Array]:
    """Rod-read points of every roof plane with height and place in it.

    Corners read by the rod count too. The plane's own prior pulls a height by the share that the
    rod's variance has of the sag's: 1/65 with a rod read to 1/16 in and 1/2 in of sag.

    Returns
    -------
    readings : tuple of FieldReading
    covariance : (m, m) array
        Of their heights relative to the site frame's origin, m2.
    """
    read = {reading.point for reading in visit.readings if isinstance(reading, RodReading)}
    found: list[tuple[str, str]] = []
    readings: list[FieldReading] = []
    for spec in visit.planes:
        if spec.kind is not PlaneKind.ROOF or ("plane", spec.name) not in solution.state:
            continue
        corners = [places.get(name) for name in spec.outline[:2]]
        if any(corner is None for corner in corners):
            continue
        axes, _ = frame.axes(solution.state)
        normal = axes @ plane_of(solution.state, spec.name).normal
        first, second = (np.asarray(corner) for corner in corners)
        along, up = plane_axes(first, second, normal)
        for name in (*spec.outline, *field_points(visit, spec)):
            place = places.get(name)
            if name not in read or place is None:
                continue
            step = place - first
            uv = (float(step @ along), float(step @ up))
            readings.append(FieldReading(name, spec.name, uv, float(place[2])))
            found.append((spec.name, name))
    return tuple(readings), _heights_covariance(solution, frame, [name for _, name in found])


def _heights_covariance(solution: Solution, frame: SiteFrame, names: list[str]) -> Array:
    if not names:
        return np.zeros((0, 0))
    keys: tuple[Key, ...] = tuple(dict.fromkeys((POINT, name) for name in [*names, frame.origin]))

    def heights(state: State) -> Array:
        origin = point_of(state, frame.origin)[2]
        return np.array([point_of(state, name)[2] - origin for name in names])

    return solution.propagate(heights, keys)[1]
