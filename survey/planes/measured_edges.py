"""Edges with their true lengths and slopes, and what they are between measured planes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.model import PLANE, POINT, Array, Key, State
from survey.adjustment.solution import Solution
from survey.figures import Figure, Measured, NotObserved
from survey.planes.drawing import Drawing, placed
from survey.planes.edge_kinds import Side, kind_between
from survey.planes.model import MeasuredEdge
from survey.planes.site_frame import plane_of, point_of
from survey.visit.model import Edge, EdgeKind, PlaneKind, PlaneSpec, Visit

STEEPEST = 4.0  # rise over run above which an edge stands upright and has no slope to speak of


@dataclass(frozen=True, slots=True)
class Sides:
    """Which planes lie beside each pair of neighbouring corners."""

    planes: dict[frozenset[str], tuple[PlaneSpec, ...]]

    @classmethod
    def of(cls, visit: Visit, solution: Solution) -> Sides:
        """Planes of the visit by the corner pairs of their outlines."""
        found: dict[frozenset[str], tuple[PlaneSpec, ...]] = {}
        for plane in visit.planes:
            for pair in outline_sides(plane):
                found[frozenset(pair)] = (*found.get(frozenset(pair), ()), plane)
        return cls(found)


def outline_sides(plane: PlaneSpec) -> list[tuple[str, str]]:
    """Pairs of neighbouring corners of a plane, in the order of its outline."""
    ring = plane.outline
    return list(zip(ring, (*ring[1:], *ring[:1]), strict=True))


def measure_edges(drawing: Drawing, visit: Visit, sides: Sides) -> tuple[MeasuredEdge, ...]:
    """Measure declared edges, then sides of outlines that nobody named, as of unknown kind."""
    declared = {frozenset((edge.start, edge.end)) for edge in visit.edges}
    edges = list(visit.edges)
    for pair in sides.planes:
        if pair not in declared and len(pair) == 2:
            spec = sides.planes[pair][0]
            start, end = next(p for p in outline_sides(spec) if frozenset(p) == pair)
            edges.append(Edge(f"{start}-{end}", start, end))
    return tuple(_measure_edge(drawing, edge, sides) for edge in edges)


def _measure_edge(drawing: Drawing, edge: Edge, sides: Sides) -> MeasuredEdge:
    beside = sides.planes.get(frozenset((edge.start, edge.end)), ())
    keys: tuple[Key, ...] = ((POINT, edge.start), (POINT, edge.end))

    def step(state: State) -> Array:
        return point_of(state, edge.end) - point_of(state, edge.start)

    def length(state: State) -> Array:
        return np.array([np.linalg.norm(step(state))])

    def slope(state: State) -> Array:
        x, y, z = step(state)
        return np.array([abs(z) / max(float(np.hypot(x, y)), 1e-9)])

    gap = _edge_gap(drawing, edge)
    measured = drawing.measure(length, keys, "m", gap)
    if isinstance(measured, Figure) and measured.value <= measured.half_width:
        # A length that reaches down to nothing: its ends collapsed for want of a reading.
        measured = gap
    return MeasuredEdge(
        _typed(drawing, edge, beside),
        measured,
        _slope(drawing, edge, slope, keys, gap),
        tuple(plane.name for plane in beside),
    )


def _edge_gap(drawing: Drawing, edge: Edge) -> NotObserved:
    missing = [p for p in (edge.start, edge.end) if (POINT, p) not in drawing.solution.state]
    if missing:
        ends = " and ".join(missing)
        return NotObserved(
            f"the place of {ends} is not fixed by any photo or reading",
            f"mark {ends} in two photos from different stands, or tape the edge",
        )
    if not drawing.solution.scale_observed:
        return NotObserved(
            "nothing gives a scale: no target with a measured check line and no tape",
            f"tape '{edge.name}', or put up a target and measure its check lines",
        )
    return NotObserved(
        f"photos and readings do not fix the distance from {edge.start} to {edge.end}",
        f"tape '{edge.name}', or mark both ends in two photos from different stands",
    )


def _slope(
    drawing: Drawing,
    edge: Edge,
    function: object,
    keys: tuple[Key, ...],
    gap: NotObserved,
) -> Measured:
    solution = drawing.solution
    if not placed(solution, keys):
        return gap
    if not solution.gravity_observed:
        return NotObserved(
            "gravity is not observed, so nothing tells where is up",
            "mark a plumb wall corner or a level edge in a photo, or take one level reading",
        )
    x, y, z = point_of(solution.state, edge.end) - point_of(solution.state, edge.start)
    if abs(z) > STEEPEST * np.hypot(x, y):
        return NotObserved(f"'{edge.name}' stands upright, so it has no rise over run", "")
    return drawing.measure(function, keys, "m/m", gap)  # type: ignore[arg-type]


def _typed(drawing: Drawing, edge: Edge, beside: tuple[PlaneSpec, ...]) -> Edge:
    """Give an edge of unknown kind between two measured planes the kind that its shape shows."""
    state = drawing.solution.state
    if edge.kind is not EdgeKind.UNKNOWN or len(beside) != 2 or drawing.others:
        return edge
    keys = [(PLANE, plane.name) for plane in beside]
    corners = [(POINT, name) for plane in beside for name in plane.outline]
    known = placed(drawing.solution, [*keys, *corners])
    if not known or not drawing.solution.gravity_observed:
        return edge
    first, second = (
        Side(
            plane_of(state, plane.name).normal,
            np.mean([point_of(state, name) for name in plane.outline], axis=0),
            plane.kind is PlaneKind.WALL,
        )
        for plane in beside
    )
    ends = point_of(state, edge.start), point_of(state, edge.end)
    return replace(edge, kind=kind_between(*ends, first, second))
