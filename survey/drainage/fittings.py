"""Where outlets and penetrations lie in the frame of their plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from survey.drainage.edges import Border
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import OutletKind, OutletSpec, PenetrationSpec, Visit

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlaneFrame:
    """Axes of a plane frame: ``X_site = origin + u * across + v * upward``.

    `to_plan` (2, 2) turns plane-frame differences into horizontal ones, site x and y.
    """

    origin: Array
    across: Array
    upward: Array

    @property
    def to_plan(self) -> Array:
        """Horizontal parts of both axes as columns."""
        return np.column_stack([self.across[:2], self.upward[:2]])

    @property
    def plan_share(self) -> float:
        """Horizontal area over area in the plane."""
        return float(abs(np.linalg.det(self.to_plan)))

    def to_plane(self, position: Array) -> Array:
        """Plane-frame coordinates (..., 2) of site positions (..., 3), square to the plane."""
        away = np.asarray(position) - self.origin
        return np.stack([away @ self.across, away @ self.upward], axis=-1)


def plane_frame(plane: MeasuredPlane) -> PlaneFrame:
    """Return the axes that turn a plane's `outline_plane` into its `outline`, least squares."""
    design = np.column_stack([np.ones(len(plane.outline)), plane.outline_plane])
    axes = np.linalg.lstsq(design, plane.outline, rcond=None)[0]
    across = axes[1] / np.linalg.norm(axes[1])
    upward = axes[2] - (axes[2] @ across) * across
    return PlaneFrame(axes[0], across, upward / np.linalg.norm(upward))


def outlets_of(plane: MeasuredPlane, visit: Visit) -> tuple[OutletSpec, ...]:
    """Return the outlets of a plane other than gutters, in the visit's order.

    An outlet is on a plane by its plane, its point, or the edge of the plane that it sits in.
    """
    name = plane.spec.name
    points = {*plane.spec.outline, *plane.spec.points}
    edges = _edge_names(plane, visit)
    return tuple(
        o
        for o in visit.outlets
        if o.kind is not OutletKind.GUTTER
        and (
            o.plane == name
            or (o.plane is None and o.at is not None and o.at in points)
            or (o.plane is None and o.at is None and o.edge in edges)
        )
    )


def _edge_names(plane: MeasuredPlane, visit: Visit) -> set[str]:
    """Every name that an edge of a plane goes by: its own, and its corners' both ways round."""
    corners = plane.spec.outline
    names = set()
    for pair in zip(corners, (*corners[1:], corners[0]), strict=True):
        names |= {"-".join(pair), "-".join(pair[::-1])}
        names |= {e.name for e in visit.edges if {e.start, e.end} == set(pair)}
    return names


def is_edge_of(border: Border, name: str, plane: MeasuredPlane) -> bool:
    """Whether an edge's name, or its two corners joined by a hyphen, means a side of a plane."""
    if name == border.name:
        return True
    corners = dict(zip(plane.spec.outline, plane.outline_plane, strict=True))
    for first, at in corners.items():
        for second, to in corners.items():
            if name == f"{first}-{second}":
                there = np.allclose(at, border.start) and np.allclose(to, border.end)
                return bool(
                    there or (np.allclose(at, border.end) and np.allclose(to, border.start))
                )
    return False


def _place(
    at: str | None,
    along: float | None,
    up: float | None,
    plane: MeasuredPlane,
    planes: PlaneSet,
    frame: PlaneFrame,
) -> Array | None:
    """Plane-frame place of a named point or of tape distances from the first corner."""
    if at is not None:
        for reading in planes.readings:
            if reading.point == at and reading.plane == plane.spec.name:
                return np.array(reading.uv)
        for point in planes.points:
            if point.name == at:
                return frame.to_plane(point.position)
        return None
    if along is None or up is None:
        return None
    first, second = plane.outline_plane[0], plane.outline_plane[1]
    way = (second - first) / np.linalg.norm(second - first)
    placed: Array = first + along * way + up * np.array([-way[1], way[0]])
    return placed


def outlet_place(
    spec: OutletSpec,
    plane: MeasuredPlane,
    planes: PlaneSet,
    frame: PlaneFrame,
    borders: tuple[Border, ...],
) -> Array | None:
    """Place of an outlet; in an edge with nothing more told, the middle of the edge."""
    placed = _place(spec.at, spec.along, spec.up, plane, planes, frame)
    if placed is not None or spec.edge is None:
        return placed
    for border in borders:
        if is_edge_of(border, spec.edge, plane):
            return _along_edge(border, spec, plane)
    return None


def _along_edge(border: Border, spec: OutletSpec, plane: MeasuredPlane) -> Array:
    """Place in an edge: `along` it from the corner its name begins with, or its middle."""
    if spec.along is None:
        middle: Array = (border.start + border.end) / 2
        return middle
    start, end = border.start, border.end
    corners = dict(zip(plane.spec.outline, plane.outline_plane, strict=True))
    first = next((c for c in corners if str(spec.edge).startswith(f"{c}-")), None)
    if first is not None and np.allclose(corners[first], end):
        start, end = end, start
    placed: Array = start + spec.along * (end - start) / np.linalg.norm(end - start)
    return placed


def penetration_footprint(
    spec: PenetrationSpec, plane: MeasuredPlane, planes: PlaneSet, frame: PlaneFrame
) -> Array | None:
    """Plane-frame outline of a penetration of this plane; None when it is elsewhere or unplaced."""
    if spec.plane is not None and spec.plane != plane.spec.name:
        return None
    if spec.plane is None and spec.at not in plane.spec.points:
        return None
    positions = {point.name: point.position for point in planes.points if point.observed}
    if len(spec.outline) >= 3 and all(name in positions for name in spec.outline):
        return frame.to_plane(np.array([positions[name] for name in spec.outline]))
    centre = _place(spec.at, spec.along, spec.up, plane, planes, frame)
    if centre is None or not spec.width:
        return None
    first, second = plane.outline_plane[0], plane.outline_plane[1]
    way = (second - first) / np.linalg.norm(second - first)
    square = np.array([-way[1], way[0]])
    if spec.length is None:
        turn = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)[:, None]
        ring: Array = centre + spec.width / 2 * (np.cos(turn) * way + np.sin(turn) * square)
        return ring
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
    box: Array = centre + half[:, :1] * spec.width * way + half[:, 1:] * spec.length * square
    return box


def place_of_point(
    name: str, plane: MeasuredPlane, planes: PlaneSet, frame: PlaneFrame
) -> Array | None:
    """Plane-frame place (2,) of a named point; None when it was not placed."""
    return _place(name, None, None, plane, planes, frame)


def step_lines(plane: MeasuredPlane, planes: PlaneSet, visit: Visit) -> tuple[Array, ...]:
    """Lines (2, 2) across which a plane's surface may step, plane frame, as the visit tells them.

    One whose points were not placed is left out.
    """
    frame = plane_frame(plane)
    lines = []
    for step in visit.steps:
        if step.plane != plane.spec.name:
            continue
        along, up = step.along or (None, None), step.up or (None, None)
        ends = [
            _place(point, a, v, plane, planes, frame)
            for point, a, v in zip((step.start, step.end), along, up, strict=True)
        ]
        placed = [end for end in ends if end is not None]
        if len(placed) == 2 and not np.allclose(placed[0], placed[1]):
            lines.append(np.array(placed))
    return tuple(lines)
