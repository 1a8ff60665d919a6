"""Which edges of a plane let water off, which hold it back, and which nobody told."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import Edge, EdgeKind

Array = npt.NDArray[np.float64]

OPEN_BEYOND = frozenset({"open", "gutter", "drip edge", "fascia", "eave", "air", "valley"})
DAM_BEYOND = frozenset(
    {"wall", "house", "parapet", "curb", "chimney", "headwall", "sidewall", "gravel stop"}
)
ROOF_BEYOND = frozenset({"roof", "steep roof", "steeper roof", "upper roof", "lower roof"})
OPEN_KINDS = frozenset(
    {EdgeKind.EAVE, EdgeKind.RAKE, EdgeKind.GABLE_END, EdgeKind.RIDGE, EdgeKind.HIP}
)
DAM_KINDS = frozenset(
    {EdgeKind.HEADWALL, EdgeKind.SIDEWALL, EdgeKind.PARAPET, EdgeKind.CORNER, EdgeKind.BASE}
)
RISING_BESIDE = 0.02  # m/m; a neighbouring plane that rises faster than this holds water back


class Role(StrEnum):
    """What an edge does to water that reaches it."""

    OPEN = "open"
    DAM = "dam"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Border:
    """One side of a plane's outline.

    `start`, `end` (2,) plane frame; `dam_height` above the roof surface in metres, infinite for a
    wall of unknown height; 0 for an open edge.
    """

    name: str
    kind: EdgeKind
    start: Array
    end: Array
    role: Role
    dam_height: float
    why: str


def edge_role(edge: Edge, rises_beyond: bool | None) -> tuple[Role, str]:
    """Say whether water can leave over an edge, and by what that was judged.

    Parameters
    ----------
    edge : Edge
    rises_beyond : bool or None
        Whether the roof plane on the other side rises away from the edge; None: no such plane.
    """
    meets = (edge.meets or "").strip().lower()
    if edge.drains is not None:
        return (Role.OPEN, "declared to drain") if edge.drains else (Role.DAM, "declared a dam")
    if meets in OPEN_BEYOND:
        return Role.OPEN, f"meets {meets}"
    if meets in DAM_BEYOND:
        return Role.DAM, f"meets {meets}"
    if edge.kind in DAM_KINDS:
        return Role.DAM, f"a {edge.kind.value}"
    if edge.kind in (EdgeKind.TRANSITION, EdgeKind.VALLEY) or meets in ROOF_BEYOND:
        return _beside_a_roof(edge, meets, rises_beyond)
    if meets:
        return Role.UNKNOWN, f"meets {meets!r}, which says neither open nor wall"
    if edge.kind in OPEN_KINDS:
        return Role.OPEN, f"a {edge.kind.value} with nothing beyond it told"
    return Role.UNKNOWN, "neither its kind nor what it meets is told"


def _beside_a_roof(edge: Edge, meets: str, rises_beyond: bool | None) -> tuple[Role, str]:
    """Judge an edge with another roof plane beyond it."""
    if edge.kind is EdgeKind.VALLEY:
        return Role.OPEN, "a valley, which carries water along"
    if meets in {"steep roof", "steeper roof", "upper roof"} or rises_beyond:
        return Role.DAM, "the roof beyond rises away from it"
    if meets == "lower roof" or rises_beyond is False:
        return Role.OPEN, "the roof beyond falls away from it"
    return Role.UNKNOWN, "nobody told which way the roof beyond it falls"


def borders_of(plane: MeasuredPlane, planes: PlaneSet) -> tuple[Border, ...]:
    """Return the sides of a plane's outline in order, each with its role."""
    names = plane.spec.outline
    known = {frozenset((e.edge.start, e.edge.end)): e for e in (*planes.edges, *plane.edges)}
    borders = []
    for i, (first, second) in enumerate(zip(names, (*names[1:], names[0]), strict=True)):
        start = plane.outline_plane[i]
        end = plane.outline_plane[(i + 1) % len(names)]
        measured = known.get(frozenset((first, second)))
        if measured is None:
            why = "no edge of the visit describes it"
            borders.append(
                Border(f"{first}-{second}", EdgeKind.UNKNOWN, start, end, Role.UNKNOWN, np.inf, why)
            )
            continue
        edge = measured.edge
        beyond = _rises_beyond(plane, measured.planes, i, planes)
        role, why = edge_role(edge, beyond)
        height = 0.0 if role is Role.OPEN else np.inf
        if role is not Role.OPEN and edge.dam_height is not None:
            height = edge.dam_height
        borders.append(Border(edge.name, edge.kind, start, end, role, height, why))
    return tuple(borders)


def _rises_beyond(
    plane: MeasuredPlane, beside: tuple[str, ...], side: int, planes: PlaneSet
) -> bool | None:
    """Whether the other roof plane at an outline side rises away from it; None without one."""
    start = plane.outline[side]
    end = plane.outline[(side + 1) % len(plane.outline)]
    for other in planes.planes:
        if other.spec.name == plane.spec.name or other.spec.name not in beside:
            continue
        if other.gradient is None:
            return True  # vertical: a wall
        middle = (start + end) / 2
        away = other.outline.mean(axis=0)[:2] - middle[:2]
        along = (end - start)[:2]
        along = along / max(float(np.hypot(*along)), 1e-9)
        away = away - (away @ along) * along
        distance = float(np.hypot(*away))
        if distance < 1e-6:
            continue
        return bool(other.gradient @ (away / distance) > RISING_BESIDE)
    return None
