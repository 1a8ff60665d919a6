"""The measured part of a plane file: planes, edges, points, water, openings, totals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from survey.drainage.model import PlaneDrainage
from survey.figures import NORMAL_95, Figure, Measured, NotObserved
from survey.planefile.drainage_part import write_drainage
from survey.planefile.traced import Traced
from survey.planefile.values import (
    Json,
    coordinates,
    matrix,
    number,
    number_or_null,
    vector,
    write_measured,
)
from survey.planes.model import Array, MeasuredEdge, MeasuredPlane, MeasuredPoint, PlaneSet
from survey.rules import Judgement, PlaneJudgement
from survey.rules.places import belongs_to, outline_on, place_on, points_by_name, size_of
from survey.visit.model import (
    OutletSpec,
    PenetrationSpec,
    PlaneKind,
    Visit,
)


def write_planes(
    planes: PlaneSet, drainage: Sequence[PlaneDrainage], judgement: Judgement
) -> list[Json]:
    """Return the planes in the order of the visit."""
    water = {judged.plane: judged for judged in drainage}
    rules = {judged.plane: judged for judged in judgement.planes}
    return [
        _write_plane(plane, water.get(plane.spec.name), rules.get(plane.spec.name))
        for plane in planes.planes
    ]


def write_edges(edges: Sequence[MeasuredEdge]) -> list[Json]:
    """Return the edges in the order of the visit."""
    return [
        {
            "name": measured.edge.name,
            "kind": measured.edge.kind.value,
            "start": measured.edge.start,
            "end": measured.edge.end,
            "planes": list(measured.planes),
            "length": write_measured(measured.length),
            "slope": write_measured(measured.slope),
            "meets": measured.edge.meets,
            "drains": measured.edge.drains,
            "dam_height": number_or_null(measured.edge.dam_height),
            "offset": number_or_null(measured.edge.offset),
            "marked_as": measured.edge.marked_as,
        }
        for measured in edges
    ]


def write_points(points: Sequence[MeasuredPoint]) -> list[Json]:
    """Return the named points, by name; position and half-widths are null where not observed."""
    return [_write_point(point) for point in sorted(points, key=lambda point: point.name)]


def write_field_readings(planes: PlaneSet) -> list[Json]:
    """Return the heights read in the field of planes, in their order."""
    variances = np.asarray(planes.readings_covariance).diagonal()
    return [
        {
            "point": reading.point,
            "plane": reading.plane,
            "place": vector(reading.uv),
            "height": write_measured(
                Figure(reading.height, float(variance) ** 0.5, "m", (reading.point,))
            ),
        }
        for reading, variance in zip(planes.readings, variances, strict=True)
    ]


def write_outlets(visit: Visit, planes: PlaneSet) -> list[Json]:
    """Return the outlets with their measured or taped places."""
    return [_write_outlet(outlet, planes) for outlet in visit.outlets]


def write_penetrations(
    visit: Visit, planes: PlaneSet, outlines: Sequence[Traced] = ()
) -> list[Json]:
    """Return the penetrations with measured places and sizes where there are any.

    One without measured corners takes the outline that was traced under its name in a photo.
    """
    traced = {
        outline.mark.name: outline.outline
        for outline in outlines
        if outline.mark.purpose == "penetration" and outline.outline is not None
    }
    return [
        _write_penetration(penetration, planes, traced.get(penetration.name))
        for penetration in visit.penetrations
    ]


def _write_plane(
    plane: MeasuredPlane, water: PlaneDrainage | None, rules: PlaneJudgement | None
) -> Json:
    spec = plane.spec
    return {
        "name": spec.name,
        "kind": spec.kind.value,
        "pitch": write_measured(plane.pitch),
        "fall_azimuth": write_measured(plane.fall_azimuth),
        "area": write_measured(plane.area),
        "plan_area": write_measured(plane.plan_area),
        "outline": list(spec.outline),
        "outline_site": coordinates(plane.outline),
        "outline_plane": coordinates(plane.outline_plane),
        "normal": vector(plane.normal, "1"),
        "gradient": _write_gradient(plane),
        "edges": [edge.edge.name for edge in plane.edges],
        "fit": {
            "rms": write_measured(plane.fit_rms),
            "points": plane.observed_points,
            "off_plane": [
                {"point": point, "distance": number(distance)}
                for point, distance in plane.off_plane
            ],
        },
        "deck": {
            "kind": spec.deck.kind,
            "thickness": number_or_null(spec.deck.thickness),
            "condition": spec.deck.condition,
        },
        "existing_covering": spec.existing_covering,
        "coverings_on": spec.coverings_on,
        "plies": spec.plies,
        "ventilation": spec.ventilation,
        "coverings": None if rules is None else _write_rules(rules),
        "drainage": None if water is None else write_drainage(water),
    }


def _write_gradient(plane: MeasuredPlane) -> Json | None:
    """Return the fall as a vector with covariance, or None where it is not observed."""
    if plane.gradient is None or plane.gradient_covariance is None:
        return None
    value, covariance = vector(plane.gradient, "m/m"), matrix(plane.gradient_covariance)
    if value is None or covariance is None:
        return None
    return {"value": value, "covariance": covariance}


def _write_rules(judged: PlaneJudgement) -> Json:
    return {
        "intended": judged.intended,
        "minimum": number_or_null(judged.minimum, "m/m"),
        "families": [
            {
                "covering": verdict.covering,
                "verdict": verdict.verdict.value,
                "minimum": number(verdict.minimum, "m/m"),
                "rule": verdict.rule,
                "sentence": verdict.sentence,
                "underlayment": verdict.underlayment,
            }
            for verdict in judged.coverings
        ],
        "falls": [
            {"rule": fall.rule, "verdict": fall.verdict.value, "sentence": fall.sentence}
            for fall in judged.falls
        ],
        "notes": [note for note in judged.notes],
    }


def _write_point(point: MeasuredPoint) -> Json:
    observed = point.observed and bool(
        np.isfinite(point.position).all() and np.isfinite(point.covariance).all()
    )
    half_widths = NORMAL_95 * np.sqrt(np.clip(np.diagonal(point.covariance), 0.0, None))
    return {
        "name": point.name,
        "position": vector(point.position) if observed else None,
        "half_widths": vector(half_widths) if observed else None,
        "observed_by": list(point.observed_by),
    }


def _plane_of(thing: OutletSpec | PenetrationSpec, planes: PlaneSet) -> MeasuredPlane | None:
    """Return the plane that an outlet or penetration is on, roof planes first."""
    found = [plane for plane in planes.planes if belongs_to(thing, plane)]
    found.sort(key=lambda plane: plane.spec.kind is not PlaneKind.ROOF)
    return found[0] if found else None


def _place(thing: OutletSpec | PenetrationSpec, planes: PlaneSet) -> list[float] | None:
    plane = _plane_of(thing, planes)
    place = None if plane is None else place_on(thing, plane, points_by_name(planes))
    return None if place is None else vector(place)


def _write_outlet(outlet: OutletSpec, planes: PlaneSet) -> Json:
    plane = _plane_of(outlet, planes)
    return {
        "name": outlet.name,
        "kind": outlet.kind.value,
        "plane": None if plane is None else plane.spec.name,
        "edge": outlet.edge,
        "at": outlet.at,
        "place": _place(outlet, planes),
        "written": _written(
            outlet.along, outlet.up, width=outlet.width, height=outlet.height, invert=outlet.invert
        ),
    }


def _write_penetration(
    penetration: PenetrationSpec, planes: PlaneSet, traced: Array | None
) -> Json:
    plane = _plane_of(penetration, planes)
    points = points_by_name(planes)
    outline = None if plane is None else outline_on(penetration, plane, points)
    place = _place(penetration, planes)
    if outline is None and traced is not None:
        outline, place = traced, place or vector(traced.mean(axis=0))
    sizes = [_size(penetration, plane, points, across=across) for across in (True, False)]
    return {
        "name": penetration.name,
        "kind": penetration.kind,
        "plane": None if plane is None else plane.spec.name,
        "place": place,
        "outline": None if outline is None else coordinates(outline),
        "width": write_measured(sizes[0]),
        "length": write_measured(sizes[1]),
        "written": _written(
            penetration.along,
            penetration.up,
            width=penetration.width,
            length=penetration.length,
            height=penetration.height,
        ),
        "saddle": penetration.saddle,
    }


def _size(
    penetration: PenetrationSpec,
    plane: MeasuredPlane | None,
    points: Mapping[str, MeasuredPoint],
    *,
    across: bool,
) -> Measured:
    size = None if plane is None else size_of(penetration, plane, points, across=across)
    if size is not None:
        return size
    name = penetration.name
    return NotObserved(
        f"its corners were not measured on '{name}'", f"mark the corners of '{name}' in two photos"
    )


def _written(along: float | None, up: float | None, **sizes: float | None) -> Json:
    """Return what a person wrote down: taped numbers without an interval of their own."""
    return {
        "along": number_or_null(along),
        "up": number_or_null(up),
        **{key: number_or_null(value) for key, value in sizes.items()},
    }
