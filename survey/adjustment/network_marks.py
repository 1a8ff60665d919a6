"""Observations from what was pointed at in photos: points, edges, plumb and level lines, outlines.

A building line marked in several photos departs from true once, not once a photo. Where the mark
names the edge, the edge carries that departure; where it does not, the marks of one direction
share it out, as if all photos showed the same lines.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

from survey.adjustment.model import (
    PLANE,
    TARGET,
    EdgeInPhoto,
    GravityLineInPhoto,
    Key,
    Observation,
    OnSurface,
    PointInPhoto,
    SameElevation,
)
from survey.adjustment.network_planes import level_edge, plumb_edge
from survey.findings import Finding, Severity
from survey.visit.model import (
    Edge,
    EdgeMark,
    GravityMark,
    Mark,
    OutlineMark,
    PenetrationSpec,
    PointMark,
    RodReading,
    TapeReading,
    Visit,
)

TIDE_LINE_SD = 0.003175  # 1/8 in; common practice
TIDE_LINE = "tide line"
PENETRATION = "penetration"


def observe_marks(visit: Visit, photos: frozenset[str]) -> tuple[list[Observation], list[Finding]]:
    """Take the marks on photos that can be used; count and name the others."""
    observations: list[Observation] = []
    findings = _lost_marks(visit.marks, photos)
    usable = [mark for mark in visit.marks if mark.photo in photos]
    for mark in usable:
        match mark:
            case PointMark():
                observations.append(
                    PointInPhoto(
                        id=mark.id,
                        where=f"point {mark.point} in {mark.photo}",
                        photo=mark.photo,
                        point=mark.point,
                        px=mark.px,
                        sd_px=mark.sd_px,
                    )
                )
            case EdgeMark():
                observations.append(_edge_in_photo(mark.id, mark, mark.start, mark.end))
            case OutlineMark():
                observations += _outline(mark, visit)
    lines, remarks = _gravity_lines(visit, [m for m in usable if isinstance(m, GravityMark)])
    return [*observations, *lines], [*findings, *remarks]


def _lost_marks(marks: Iterable[Mark], photos: frozenset[str]) -> list[Finding]:
    lost = Counter(mark.photo for mark in marks if mark.photo not in photos)
    return [
        Finding(
            "marks-not-used",
            Severity.CHECK,
            photo,
            f"{count} mark{'s' if count > 1 else ''} in {photo} not used, because the photo can't "
            "be used or is not there",
            "see the photo log for the reason, or mark the same things in another photo",
        )
        for photo, count in lost.items()
    ]


def _edge_in_photo(ident: str, mark: EdgeMark | GravityMark, start: str, end: str) -> EdgeInPhoto:
    return EdgeInPhoto(
        id=ident,
        where=f"edge {start}-{end} in {mark.photo}",
        photo=mark.photo,
        start=start,
        end=end,
        px=mark.px,
        sd_px=mark.sd_px,
    )


def outline_points(mark: OutlineMark) -> tuple[str, ...]:
    """Names of the points that an outline mark stands for."""
    return tuple(f"{mark.name}#{i + 1} in {mark.photo}" for i in range(len(mark.px)))


def penetrations_of(visit: Visit) -> tuple[PenetrationSpec, ...]:
    """Penetrations of a visit, their outlines taken from photos where they were traced.

    An outline mark of the same name gives a penetration without corner points its outline; one of
    another name is a penetration of which nothing else was told.
    """
    traced = {
        mark.name: mark
        for mark in reversed(visit.marks)
        if isinstance(mark, OutlineMark) and mark.purpose == PENETRATION
    }
    found = []
    for spec in visit.penetrations:
        mark = traced.pop(spec.name, None)
        if mark is not None and not spec.outline:
            spec = replace(spec, plane=spec.plane or mark.plane, outline=outline_points(mark))
        found.append(spec)
    fresh = [
        PenetrationSpec(mark.name, "penetration", mark.plane, outline_points(mark))
        for mark in reversed(traced.values())
    ]
    return (*found, *fresh)


def _outline(mark: OutlineMark, visit: Visit) -> list[Observation]:
    plane = next((p for p in visit.planes if p.name == mark.plane), None)
    if plane is None:
        return []
    observations: list[Observation] = []
    for name, px in zip(outline_points(mark), mark.px, strict=True):
        observations.append(
            PointInPhoto(
                id=f"{mark.id}: {name}",
                where=f"{mark.purpose} {mark.name} in {mark.photo}",
                photo=mark.photo,
                point=name,
                px=px,
                sd_px=mark.sd_px,
            )
        )
        observations.append(
            OnSurface(
                id=f"{name} on {plane.name}",
                where=f"{mark.purpose} {mark.name} on plane {plane.name}",
                on=(PLANE, plane.name),
                point=name,
                sd=plane.sag_sd,
                may_sag=True,
            )
        )
        if mark.purpose == TIDE_LINE:
            observations.append(
                SameElevation(
                    id=f"{name} at {mark.name}",
                    where=f"tide line {mark.name} in {mark.photo}",
                    point=name,
                    level=mark.name,
                    sd=TIDE_LINE_SD,
                )
            )
    return observations


def _gravity_lines(
    visit: Visit, marks: list[GravityMark]
) -> tuple[list[Observation], list[Finding]]:
    """Plumb and level lines; those along a named edge whose ends are observed become that edge."""
    edges = {edge.name: edge for edge in visit.edges}
    surfaces: dict[str, Key] = {target.name: (TARGET, target.name) for target in visit.targets}
    surfaces |= {plane.name: (PLANE, plane.name) for plane in visit.planes}
    placed = _placed_points(visit)
    observations: dict[str, Observation] = {}
    findings = []
    free: list[GravityLineInPhoto] = []
    for mark in marks:
        edge = edges.get(mark.on or "")
        if edge and {edge.start, edge.end} <= placed:
            observations[mark.id] = _edge_in_photo(mark.id, mark, edge.start, edge.end)
            truth = plumb_edge(edge) if mark.direction == "plumb" else level_edge(edge)
            declared = edge.plumb if mark.direction == "plumb" else edge.level
            if not declared:
                observations[truth.id] = truth
            continue
        on = surfaces.get(mark.on or "") or (_plane_of_edge(visit, edge) if edge else None)
        if mark.direction == "level" and on is None:
            findings.append(_level_along_nothing(mark))
            continue
        free.append(
            GravityLineInPhoto(
                id=mark.id,
                where=f"{mark.direction} line in {mark.photo}",
                photo=mark.photo,
                direction=mark.direction,
                px=mark.px,
                sd_px=mark.sd_px,
                departure_sd=mark.departure_sd,
                on=on if mark.direction == "level" else None,
            )
        )
    return [*observations.values(), *_shared_departure(free)], findings


def _shared_departure(lines: list[GravityLineInPhoto]) -> list[GravityLineInPhoto]:
    """Widen each line's departure by the root of the number of photos that may show it again."""
    photos: dict[tuple[str, Key | None], set[str]] = {}
    for line in lines:
        photos.setdefault((line.direction, line.on), set()).add(line.photo)
    return [
        replace(
            line,
            departure_sd=line.departure_sd * math.sqrt(len(photos[(line.direction, line.on)])),
        )
        for line in lines
    ]


def _placed_points(visit: Visit) -> set[str]:
    """Points that something other than an edge observes."""
    names = {mark.point for mark in visit.marks if isinstance(mark, PointMark)}
    for reading in visit.readings:
        if isinstance(reading, RodReading) and reading.spot:
            names.add(reading.point)
        elif isinstance(reading, TapeReading):
            names |= {reading.start, reading.end}
    return names


def _plane_of_edge(visit: Visit, edge: Edge) -> Key | None:
    for plane in visit.planes:
        if edge.start in plane.outline and edge.end in plane.outline:
            return (PLANE, plane.name)
    return None


def _level_along_nothing(mark: GravityMark) -> Finding:
    return Finding(
        "level-line-along-nothing",
        Severity.CHECK,
        mark.id,
        f"level line {mark.id} in {mark.photo} does not say what it runs along"
        + (f" ('{mark.on}' is no plane, target or edge of the visit)" if mark.on else "")
        + ", and level lines run in every direction, so it was not used",
        "set 'on' to the wall plane, target or edge it runs along",
    )
