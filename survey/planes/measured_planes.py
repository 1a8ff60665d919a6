"""One plane: outline, pitch, fall, areas, and how well its points fit it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from survey.adjustment.adjusted import Derived
from survey.adjustment.model import PLANE, POINT, Array, Key, State
from survey.adjustment.network_planes import field_points
from survey.adjustment.solution import Solution
from survey.figures import NORMAL_95, Figure, Measured, NotObserved
from survey.geometry import polygon_area_vector
from survey.planes.drawing import Drawing, StateFunction, placed
from survey.planes.measured_edges import outline_sides
from survey.planes.model import MeasuredEdge, MeasuredPlane
from survey.planes.pitch import fall_direction, pitch_interval
from survey.planes.site_frame import SiteFrame, plane_of, point_of
from survey.visit.model import PlaneKind, PlaneSpec, Visit

OFF_PLANE = 3.0  # sds
STEEPEST = 0.05  # vertical component of a normal under which a plane has no fall worth naming


def measure_plane(
    drawing: Drawing,
    frame: SiteFrame | None,
    visit: Visit,
    spec: PlaneSpec,
    places: Mapping[str, Array],
    edges: Sequence[MeasuredEdge],
) -> MeasuredPlane:
    """Measure one plane of the visit."""
    outline = np.array([places.get(name, np.full(3, np.nan)) for name in spec.outline])
    outline = outline.reshape(-1, 3)
    normal, normal_covariance = _normal(drawing, frame, spec)
    fall = _gradient(drawing, frame, spec)
    complete = bool(np.isfinite(outline).all())
    members = _members(drawing, visit, spec)
    fit, off = _fit(drawing, spec, members)
    area, plan_area = _areas(drawing, spec)
    return MeasuredPlane(
        spec=spec,
        outline=outline,
        outline_plane=_in_plane(outline, normal),
        normal=normal,
        normal_covariance=normal_covariance,
        gradient=fall.value if fall and complete else None,
        gradient_covariance=fall.covariance if fall and complete else None,
        pitch=_pitch(drawing, frame, spec),
        fall_azimuth=_azimuth(drawing, frame, spec),
        area=area,
        plan_area=plan_area,
        fit_rms=fit,
        edges=_edges_in_order(spec, edges),
        observed_points=len(members),
        off_plane=off,
    )


def _edges_in_order(spec: PlaneSpec, edges: Sequence[MeasuredEdge]) -> tuple[MeasuredEdge, ...]:
    by_ends = {frozenset((e.edge.start, e.edge.end)): e for e in reversed(edges)}
    return tuple(
        by_ends[frozenset(pair)] for pair in outline_sides(spec) if frozenset(pair) in by_ends
    )


def _in_plane(outline: Array, normal: Array) -> Array:
    """Corners in the plane frame: u along the first edge, v square to it."""
    if len(outline) < 2 or not np.isfinite(outline[:2]).all() or not np.isfinite(normal).all():
        return np.full((len(outline), 2), np.nan)
    along, up = plane_axes(outline[0], outline[1], normal)
    return np.column_stack([(outline - outline[0]) @ along, (outline - outline[0]) @ up])


def plane_axes(first: Array, second: Array, normal: Array) -> tuple[Array, Array]:
    """Give unit vectors u along the first edge within the plane, and v square to it."""
    along = second - first
    along = along - (along @ normal) * normal
    along = along / np.linalg.norm(along)
    return along, np.cross(normal, along)


def normal_of(solution: Solution, spec: PlaneSpec) -> tuple[StateFunction, tuple[Key, ...]] | None:
    """Outward unit normal of a plane as a function of the unknowns, and those unknowns.

    It is that of the outline's vector area, so that pitch and both areas agree exactly; while a
    corner has no place, that of the adjusted plane. None if there is neither.
    """
    key: Key = (PLANE, spec.name)
    corners = tuple(dict.fromkeys((POINT, name) for name in spec.outline))

    def of_corners(state: State) -> Array:
        vector = polygon_area_vector(np.array([point_of(state, name) for name in spec.outline]))
        unit: Array = vector / np.linalg.norm(vector)
        return unit

    def of_plane(state: State) -> Array:
        return plane_of(state, spec.name).normal

    if len(spec.outline) >= 3 and placed(solution, corners):
        if solution.is_estimable(_own_shape(spec), corners):
            return of_corners, corners
    if placed(solution, [key]):
        return of_plane, (key,)
    return None


def _own_shape(spec: PlaneSpec) -> StateFunction:
    """Distances of a plane's corners from its first: fixed wherever its shape is."""

    def function(state: State) -> Array:
        ring = np.array([point_of(state, name) for name in spec.outline])
        distances: Array = np.linalg.norm(ring[1:] - ring[0], axis=1)
        return distances

    return function


def _normal(drawing: Drawing, frame: SiteFrame | None, spec: PlaneSpec) -> tuple[Array, Array]:
    found = normal_of(drawing.solution, spec)
    if frame is None or found is None:
        return np.full(3, np.nan), np.full((3, 3), np.nan)
    normal, own = found

    def function(state: State) -> Array:
        turned: Array = frame.axes(state)[0] @ normal(state)
        return turned

    keys = tuple(dict.fromkeys([*own, *frame.keys()]))
    if not drawing.solution.is_estimable(function, keys):
        return np.full(3, np.nan), np.full((3, 3), np.nan)
    return drawing.solution.propagate(function, keys)


# --- pitch and fall ---------------------------------------------------------------------------


def _pitch_gap(drawing: Drawing, spec: PlaneSpec) -> NotObserved | None:
    """Why a plane has no pitch, or None."""
    solution = drawing.solution
    if spec.kind is PlaneKind.WALL:
        return NotObserved(f"'{spec.name}' is a wall: it has no pitch", "")
    found = normal_of(solution, spec)
    if found is None:
        return NotObserved(
            f"fewer than three points of '{spec.name}' have a place",
            f"mark its corners in two photos, or read the rod at three places of '{spec.name}'",
        )
    if abs(found[0](solution.state)[2]) < STEEPEST:
        return NotObserved(f"'{spec.name}' stands upright", "declare it a wall if it is one")
    return None


def _loose(drawing: Drawing, spec: PlaneSpec) -> NotObserved:
    if not drawing.solution.gravity_observed:
        return NotObserved(
            f"no plumb or level target, mark, edge or reading tells where is up on '{spec.name}'",
            f"take one slope reading on '{spec.name}', or mark a plumb wall corner in a photo",
        )
    return NotObserved(
        f"nothing fixes how '{spec.name}' is inclined",
        f"take one level reading on '{spec.name}', or mark its corners in a second photo",
    )


def _gradient(drawing: Drawing, frame: SiteFrame | None, spec: PlaneSpec) -> Derived | None:
    """Gradient in the frame for reading; None where direction or gravity is not fixed."""
    if frame is None or frame.plane is not None or _pitch_gap(drawing, spec) is not None:
        return None
    found = normal_of(drawing.solution, spec)
    if found is None:
        return None
    normal, own = found

    def function(state: State) -> Array:
        n = frame.axes(state)[0] @ normal(state)
        return np.array([-n[0] / n[2], -n[1] / n[2]])

    keys = tuple(dict.fromkeys([*own, *frame.keys()]))
    if not drawing.solution.is_estimable(function, keys):
        return None
    return drawing.solution.derive(function, keys)


def _pitch(drawing: Drawing, frame: SiteFrame | None, spec: PlaneSpec) -> Measured:
    gap = _pitch_gap(drawing, spec)
    if gap is not None:
        return gap
    figure = _pitch_by(drawing, 0, frame, spec)
    if isinstance(figure, NotObserved) or not drawing.others:
        return figure
    others = [_pitch_by(drawing, i + 1, frame, spec) for i in range(len(drawing.others))]
    return drawing.reconciled(figure, others)


def _pitch_by(drawing: Drawing, answer: int, frame: SiteFrame | None, spec: PlaneSpec) -> Measured:
    """Pitch by one answer: through the gradient, else (direction unknown) by its length alone."""
    solution = (drawing.solution, *drawing.others)[answer]
    alone = Drawing(solution, (), "", "")
    if normal_of(solution, spec) is None:
        return _loose(alone, spec)
    found = _gradient(alone, frame, spec)
    if found is None:
        return alone.measure(
            steepness_of(spec.name), ((PLANE, spec.name),), "m/m", _loose(alone, spec)
        )
    gradient, covariance = found.value, found.covariance
    value, low, high = pitch_interval(gradient, covariance)
    # Student's factor of what the variances are known by, over the normal one the bounds stand on.
    wider = max(1.0, float(np.max(found.coverage_factor)) / NORMAL_95)
    half = max(value - low, high - value) * wider
    along = gradient / value if value > 1e-12 else np.array([1.0, 0.0])
    sd = math.sqrt(max(float(along @ covariance @ along), 1e-24))
    return Figure(value, sd, "m/m", found.observed_by, half / sd)


def steepness_of(name: str) -> StateFunction:
    """Rise over run of the adjusted plane `name`, whichever way it falls."""

    def function(state: State) -> Array:
        n = plane_of(state, name).normal
        return np.array([float(np.hypot(n[0], n[1]) / abs(n[2]))])

    return function


def _azimuth(drawing: Drawing, frame: SiteFrame | None, spec: PlaneSpec) -> Measured:
    gap = _pitch_gap(drawing, spec)
    if gap is not None:
        return gap
    shown = _gradient(drawing, frame, spec)
    if shown is None:
        return _loose(drawing, spec)
    found = fall_direction(shown.value, shown.covariance)
    if found is None:
        return NotObserved(
            f"'{spec.name}' is level within its interval, so no direction of fall is shown",
            f"read the rod at the corners of '{spec.name}'",
        )
    for other in drawing.others:
        there = _gradient(Drawing(other, (), "", ""), frame, spec)
        direction = fall_direction(there.value, there.covariance) if there else None
        if direction is None:
            return NotObserved(drawing.undecided, drawing.cure)
        if abs(np.angle(np.exp(1j * (direction[0] - found[0])))) > 3 * found[1]:
            return NotObserved(drawing.undecided, drawing.cure)
    return Figure(found[0], found[1], "rad", shown.observed_by)


# --- areas ------------------------------------------------------------------------------------


def _areas(drawing: Drawing, spec: PlaneSpec) -> tuple[Measured, Measured]:
    keys = tuple(dict.fromkeys((POINT, name) for name in spec.outline))
    missing = [name for kind, name in keys if (kind, name) not in drawing.solution.state]
    if len(spec.outline) < 3:
        gap = NotObserved(f"'{spec.name}' has no outline", "name three or more corners of it")
    elif missing:
        gap = NotObserved(
            f"the place of {', '.join(missing)} of '{spec.name}' is not fixed",
            f"mark {', '.join(missing)} in two photos from different stands, or tape to it",
        )
    else:
        gap = NotObserved(
            f"photos and readings do not fix the shape of '{spec.name}'",
            "tape its sides and one diagonal, or mark its corners in a second photo",
        )

    def vector(state: State) -> Array:
        return polygon_area_vector(np.array([point_of(state, name) for name in spec.outline]))

    def area(state: State) -> Array:
        return np.array([np.linalg.norm(vector(state))])

    def plan(state: State) -> Array:
        return np.array([abs(vector(state)[2])])

    def foreshortened(state: State) -> Array:
        return np.array([area(state)[0] * abs(plane_of(state, spec.name).normal[2])])

    if len(spec.outline) < 3 or missing:
        return gap, gap
    true = drawing.measure(area, keys, "m2", gap)
    if spec.kind is PlaneKind.WALL:
        return true, NotObserved(f"'{spec.name}' is a wall: it has no plan area", "")
    if isinstance(true, NotObserved):
        return true, true
    if drawing.solution.gravity_observed:
        return true, drawing.measure(plan, keys, "m2", gap)
    # One slope reading fixes how steep the plane is though not which way it falls.
    tilted: tuple[Key, ...] = (*keys, (PLANE, spec.name))
    unlevel = NotObserved(
        "gravity is not observed, so nothing tells what is horizontal",
        f"take one slope reading on '{spec.name}'",
    )
    return true, drawing.measure(foreshortened, tilted, "m2", unlevel)


# --- fit --------------------------------------------------------------------------------------


def _members(drawing: Drawing, visit: Visit, spec: PlaneSpec) -> list[tuple[str, float]]:
    """Placed points of a plane with the sd in which each may depart from it."""
    members = [(name, spec.flatness_sd) for name in dict.fromkeys(spec.outline)]
    members += [(name, spec.sag_sd) for name in field_points(visit, spec)]
    state = drawing.solution.state
    return [(name, sd) for name, sd in members if (POINT, name) in state]


def _fit(
    drawing: Drawing, spec: PlaneSpec, members: Sequence[tuple[str, float]]
) -> tuple[Measured, tuple[tuple[str, float], ...]]:
    key: Key = (PLANE, spec.name)
    solution = drawing.solution
    names = [name for name, _ in members]
    keys: tuple[Key, ...] = (key, *((POINT, name) for name in names))
    if len(members) < 4 or not placed(solution, keys):
        gap = NotObserved(
            f"fewer than four points of '{spec.name}' have a place, and three always fit a plane",
            f"mark or read one more point of '{spec.name}'",
        )
        return gap, ()

    def distances(state: State) -> Array:
        plane = plane_of(state, spec.name)
        places = np.array([point_of(state, name) for name in names])
        return np.asarray(places @ plane.normal + plane.offset)

    if not solution.is_estimable(distances, keys):
        return _loose(drawing, spec), ()
    off, covariance = solution.propagate(distances, keys)
    rms = float(np.sqrt(np.mean(off**2)))
    by_each = off / (len(off) * max(rms, 1e-9))
    sd = math.sqrt(max(float(by_each @ covariance @ by_each), 0.0))
    allowed = OFF_PLANE * np.hypot(
        np.array([sd for _, sd in members]), np.sqrt(np.diag(covariance))
    )
    far = tuple(
        (name, float(d)) for name, d, most in zip(names, off, allowed, strict=True) if abs(d) > most
    )
    return Figure(rms, sd, "m", solution.observed_by(distances, keys)), far
