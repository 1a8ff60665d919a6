"""Sums an estimate starts from, with what their parts have in common."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from survey.adjustment.model import POINT, Array, Key, State
from survey.adjustment.solution import Solution
from survey.figures import Figure, Measured, NotObserved
from survey.geometry.planes import polygon_area_vector
from survey.planefile.values import Json, sum_of, write_measured
from survey.planes.drawing import Drawing, drawing_of
from survey.planes.model import MeasuredEdge, MeasuredPlane, PlaneSet
from survey.planes.site_frame import point_of
from survey.visit.model import EdgeKind, PlaneKind

COMBINED = (
    "the half-width of a sum takes account of what its parts have in common; of the sums named in "
    "added_up it is the sum of the parts' half-widths, an upper limit"
)
SAME = 1e-6  # relative; a sum drawn from the adjustment must be that of the parts as reported
UNFIXED = NotObserved("the observations do not fix the sum", "measure its parts")


def write_totals(planes: PlaneSet, solution: Solution) -> Json:
    """Return area and plan area of the roof planes, and length of their edges by kind.

    Parts that are not observed are left out and named. A sum of parts that share a target's print
    scale is less sure than independent parts would be, so it is drawn from the adjustment with its
    covariance; where that can't be done, half-widths are added up.
    """
    drawing = drawing_of(solution)
    roofs = [plane for plane in planes.planes if plane.spec.kind is PlaneKind.ROOF]
    names = {plane.spec.name for plane in roofs}
    edges = [edge for edge in planes.edges if names & set(edge.planes)]
    added_up: list[str] = []

    def total(name: str, parts: Sequence[Measured], drawn: Measured, what: str) -> Json:
        summed = sum_of(parts, what)
        if sum(isinstance(part, Figure) for part in parts) < 2:
            return write_measured(summed)
        if isinstance(summed, Figure) and _is_same(summed, drawn):
            return write_measured(drawn)
        added_up.append(name)
        return write_measured(summed)

    counted = [plane for plane in roofs if isinstance(plane.area, Figure)]
    level = [plane for plane in roofs if isinstance(plane.plan_area, Figure)]
    document: Json = {
        "area": total(
            "area", [p.area for p in roofs], _draw_area(drawing, counted, plan=False), "roof plane"
        ),
        "plan_area": total(
            "plan_area",
            [p.plan_area for p in roofs],
            _draw_area(drawing, level, plan=True) if planes.gravity_observed else UNFIXED,
            "roof plane",
        ),
        "planes": [plane.spec.name for plane in counted],
        "not_counted": [p.spec.name for p in roofs if isinstance(p.area, NotObserved)],
        "edges": [],
    }
    for kind in EdgeKind:
        of_kind = [edge for edge in edges if edge.edge.kind is kind]
        measured = [edge for edge in of_kind if isinstance(edge.length, Figure)]
        if of_kind:
            lengths = [edge.length for edge in of_kind]
            drawn = _draw_length(drawing, measured)
            document["edges"].append(
                {
                    "kind": kind.value,
                    "length": total(kind.value, lengths, drawn, kind.value),
                    "edges": [edge.edge.name for edge in measured],
                    "not_counted": [
                        e.edge.name for e in of_kind if isinstance(e.length, NotObserved)
                    ],
                }
            )
    return document | {"combined": COMBINED, "added_up": added_up}


def _is_same(summed: Figure, drawn: Measured) -> bool:
    """Whether a drawn sum is that of the parts, and no surer than they allow."""
    return (
        isinstance(drawn, Figure)
        and math.isclose(drawn.value, summed.value, rel_tol=SAME)
        and drawn.half_width <= summed.half_width * (1 + SAME)
    )


def _draw_area(drawing: Drawing, planes: Sequence[MeasuredPlane], *, plan: bool) -> Measured:
    """Draw the sum of areas of several planes, true or as seen from above."""
    outlines = [plane.spec.outline for plane in planes]
    keys = _keys(name for outline in outlines for name in outline)

    def area(state: State) -> Array:
        vectors = [
            polygon_area_vector(np.array([point_of(state, name) for name in outline]))
            for outline in outlines
        ]
        parts = [abs(v[2]) if plan else np.linalg.norm(v) for v in vectors]
        return np.array([math.fsum(parts)])

    return drawing.measure(area, keys, "m2", UNFIXED) if keys else UNFIXED


def _draw_length(drawing: Drawing, edges: Sequence[MeasuredEdge]) -> Measured:
    """Draw the sum of lengths of several edges."""
    ends = [(edge.edge.start, edge.edge.end) for edge in edges]
    keys = _keys(name for pair in ends for name in pair)

    def length(state: State) -> Array:
        steps = [point_of(state, b) - point_of(state, a) for a, b in ends]
        return np.array([math.fsum(float(np.linalg.norm(step)) for step in steps)])

    return drawing.measure(length, keys, "m", UNFIXED) if keys else UNFIXED


def _keys(names: Iterable[str]) -> tuple[Key, ...]:
    """Return the unknowns of named points, each once."""
    return tuple((POINT, name) for name in dict.fromkeys(names))
