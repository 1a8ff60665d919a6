"""Observations that follow from what the estimator declared: planes, edges, offsets."""

from __future__ import annotations

import math

from survey.adjustment.model import (
    PLANE,
    TARGET,
    EdgeAngle,
    Key,
    LevelEdge,
    Observation,
    OnSurface,
    PlumbEdge,
)
from survey.findings import Finding, Severity
from survey.visit.model import Edge, EdgeKind, PlaneKind, PlaneSpec, RodReading, Visit

LEVEL_EDGE_SD = 0.00635  # 1/4 in; common practice
EDGE_ANGLE_SD = 0.01  # radians, 10 mm per m: framing is no squarer; common practice
PLUMB_EDGE_SD = 0.002  # radians, 2 mm per m; common practice
OVERHANG_SD = 0.28  # metres each end, 0.2 m for both together; eaves overhang 0-0.6 m
OVERHANGING = (EdgeKind.EAVE, EdgeKind.RAKE)


def observe_planes(visit: Visit) -> tuple[list[Observation], list[Finding]]:
    """Which points lie on which plane, how nearly, and how far marked edges stand off it."""
    offsets, findings = _edge_offsets(visit)
    placed = {(o.on, o.point) for o in offsets}
    loose = {
        (plane, point)
        for edge, plane in undeclared_overhangs(visit)
        for point in (edge.start, edge.end)
    }
    observations: list[Observation] = []
    for plane in visit.planes:
        key: Key = (PLANE, plane.name)
        for point in plane.outline:
            if (key, point) in placed:
                continue
            sd = OVERHANG_SD if (plane.name, point) in loose else plane.flatness_sd
            observations.append(_on(plane, point, sd))
        for point in field_points(visit, plane):
            if (key, point) not in placed:
                observations.append(_on(plane, point, plane.sag_sd, may_sag=True))
    return [*observations, *offsets], findings


def _on(plane: PlaneSpec, point: str, sd: float, *, may_sag: bool = False) -> OnSurface:
    return OnSurface(
        id=f"{point} on {plane.name}",
        where=f"point {point} on plane {plane.name}",
        on=(PLANE, plane.name),
        point=point,
        sd=sd,
        may_sag=may_sag,
    )


def field_points(visit: Visit, plane: PlaneSpec) -> tuple[str, ...]:
    """Points in the field of a plane, in the order they were named; none of its corners."""
    names = list(plane.points)
    for reading in visit.readings:
        if isinstance(reading, RodReading) and reading.spot and reading.spot.plane == plane.name:
            names.append(reading.point)
    for outlet in visit.outlets:
        if outlet.plane == plane.name and outlet.at:
            names.append(outlet.at)
    for penetration in visit.penetrations:
        if penetration.plane == plane.name:
            names += [*penetration.outline, *([penetration.at] if penetration.at else [])]
    return tuple(name for name in dict.fromkeys(names) if name not in plane.outline)


def undeclared_overhangs(visit: Visit) -> list[tuple[Edge, str]]:
    """Eaves and rakes that bound a wall plane though nobody said how far they stand off it.

    The wall's outline is then only roughly in its plane at their ends (0.2 m), so that a length
    read through the wall carries what an overhang would do to it.
    """
    walls = [plane for plane in visit.planes if plane.kind is PlaneKind.WALL]
    return [
        (edge, plane.name)
        for edge in visit.edges
        if edge.kind in OVERHANGING and edge.offset is None
        for plane in walls
        if edge.start in plane.outline and edge.end in plane.outline
    ]


def _edge_offsets(visit: Visit) -> tuple[list[OnSurface], list[Finding]]:
    """Collect declared distances of marked edges off a plane or target, one for each end."""
    planes = {plane.name: plane for plane in visit.planes}
    targets = {target.name: target for target in visit.targets}
    offsets: dict[tuple[Key, str, float], OnSurface] = {}
    findings = []
    for edge in visit.edges:
        if edge.offset is None:
            continue
        name = edge.offset_from
        if name is None:
            findings.append(_offset_from_nothing(edge))
            continue
        if name in targets and targets[name].plane in planes:
            # The plane carries further than the board: the board's tilt on it is small but real.
            name = targets[name].plane
        if name in planes:
            on: Key = (PLANE, str(name))
        elif name in targets:
            on = (TARGET, str(name))
        else:
            findings.append(_offset_from_nothing(edge))
            continue
        for point in (edge.start, edge.end):
            offsets.setdefault(
                (on, point, edge.offset),
                OnSurface(
                    id=f"{point} off {name} by {edge.name}",
                    where=f"offset of edge {edge.name} from {name}",
                    on=on,
                    point=point,
                    value=edge.offset,
                    sd=edge.offset_sd,
                ),
            )
    return list(offsets.values()), findings


def _offset_from_nothing(edge: Edge) -> Finding:
    return Finding(
        "offset-from-nothing",
        Severity.CHECK,
        edge.name,
        f"edge {edge.name} is declared {edge.offset:.3f} m off a surface, but which target or "
        "plane that counts from is not told or not known, so the offset was not used",
        "set offset_from to a target or plane of the visit",
    )


def observe_edges(visit: Visit) -> tuple[list[Observation], list[Finding]]:
    """Edges declared level or plumb, square to another or parallel to it."""
    observations: list[Observation] = []
    ends = _edge_ends(visit)
    for edge in visit.edges:
        if edge.level:
            observations.append(level_edge(edge))
        if edge.plumb:
            observations.append(plumb_edge(edge))
        for word, other, angle in (
            ("square", edge.square_to, math.pi / 2),
            ("parallel", edge.parallel_to, 0.0),
        ):
            if other in ends:
                observations.append(
                    EdgeAngle(
                        id=f"{edge.name} {word} to {other}",
                        where=f"edge {edge.name} {word} to {other}",
                        first=(edge.start, edge.end),
                        second=ends[other],
                        value=angle,
                        sd=EDGE_ANGLE_SD,
                    )
                )
    return observations, []


def _edge_ends(visit: Visit) -> dict[str | None, tuple[str, str]]:
    """Both ends of every edge, by its name and, as sides of outlines, by "A-B" and "B-A"."""
    ends: dict[str | None, tuple[str, str]] = {}
    for plane in visit.planes:
        for a, b in zip(plane.outline, (*plane.outline[1:], *plane.outline[:1]), strict=True):
            ends[f"{a}-{b}"] = (a, b)
            ends[f"{b}-{a}"] = (a, b)
    return ends | {edge.name: (edge.start, edge.end) for edge in visit.edges}


def level_edge(edge: Edge) -> LevelEdge:
    """Edge whose ends stand equally high; `adjust` adds 2 mm for each metre of its length."""
    return LevelEdge(
        id=f"level {edge.name}",
        where=f"edge {edge.name} level",
        start=edge.start,
        end=edge.end,
        sd=LEVEL_EDGE_SD,
    )


def plumb_edge(edge: Edge) -> PlumbEdge:
    """Edge whose ends stand above each other."""
    return PlumbEdge(
        id=f"plumb {edge.name}",
        where=f"edge {edge.name} plumb",
        start=edge.start,
        end=edge.end,
        sd=PLUMB_EDGE_SD,
    )
