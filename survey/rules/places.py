"""Where outlets and penetrations lie on their plane, and how wide they stand across its slope."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from survey.figures import Figure
from survey.planes.model import Array, MeasuredPlane, MeasuredPoint, PlaneSet
from survey.visit.model import OutletKind, OutletSpec, PenetrationSpec, PlaneKind

Placeable = OutletSpec | PenetrationSpec


@dataclass(frozen=True, slots=True)
class PlaneBasis:
    """Plane frame of one plane in the site frame: ``X = origin + u * along + v * up``."""

    origin: Array  # (3,), site frame
    origin_uv: Array  # (2,), the same point in the plane frame
    along: Array  # (3,) unit vector
    up: Array  # (3,) unit vector

    def to_plane(self, position: Array) -> Array:
        """Return plane coordinates (2,) of a site position (3,)."""
        offset = position - self.origin
        return np.asarray(self.origin_uv + np.array([offset @ self.along, offset @ self.up]))

    def to_site(self, uv: Array) -> Array:
        """Return the site position (3,) of plane coordinates (2,)."""
        du, dv = uv - self.origin_uv
        return np.asarray(self.origin + du * self.along + dv * self.up)


def basis_of(plane: MeasuredPlane) -> PlaneBasis | None:
    """Return the plane's frame, or None when its first edge was not measured."""
    corners = plane.outline[:2]
    if len(corners) < 2 or not (np.isfinite(corners).all() and np.isfinite(plane.normal).all()):
        return None
    first_edge = corners[1] - corners[0]
    first_edge = first_edge - (first_edge @ plane.normal) * plane.normal
    length = float(np.linalg.norm(first_edge))
    if length == 0.0:
        return None
    along = first_edge / length
    return PlaneBasis(corners[0], plane.outline_plane[0], along, np.cross(plane.normal, along))


def roof_planes(planes: PlaneSet) -> tuple[MeasuredPlane, ...]:
    """Return the planes that are covered and drained."""
    return tuple(plane for plane in planes.planes if plane.spec.kind is PlaneKind.ROOF)


def points_by_name(planes: PlaneSet) -> Mapping[str, MeasuredPoint]:
    """Return the measured points by name."""
    return {point.name: point for point in planes.points}


def belongs_to(thing: Placeable, plane: MeasuredPlane) -> bool:
    """Whether an outlet or penetration is on a plane: declared, at its points, or on its edges."""
    if thing.plane is not None:
        return thing.plane == plane.spec.name
    named = plane.spec.outline + plane.spec.points
    if thing.at is not None:
        return thing.at in named
    if isinstance(thing, OutletSpec):
        return thing.edge is not None and thing.edge in {edge.edge.name for edge in plane.edges}
    return bool(thing.outline) and set(thing.outline) <= set(named)


def place_on(
    thing: Placeable, plane: MeasuredPlane, points: Mapping[str, MeasuredPoint]
) -> Array | None:
    """Return where an outlet or penetration's centre lies, plane frame (2,), or None."""
    basis = basis_of(plane)
    if basis is None:
        return None
    if thing.at is not None:
        return _to_plane(basis, points.get(thing.at))
    if thing.along is not None and thing.up is not None:
        return np.asarray(plane.outline_plane[0] + np.array([thing.along, thing.up]))
    if isinstance(thing, PenetrationSpec) and thing.outline:
        outline = outline_on(thing, plane, points)
        return None if outline is None else np.asarray(outline.mean(axis=0))
    return None


def outline_on(
    penetration: PenetrationSpec, plane: MeasuredPlane, points: Mapping[str, MeasuredPoint]
) -> Array | None:
    """Return a penetration's corners in the plane frame (n, 2), or None if any is not measured."""
    basis = basis_of(plane)
    if basis is None or not penetration.outline:
        return None
    corners = [_to_plane(basis, points.get(name)) for name in penetration.outline]
    found = [corner for corner in corners if corner is not None]
    return np.array(found) if len(found) == len(corners) else None


def upslope(plane: MeasuredPlane) -> Array:
    """Return the unit direction up the slope in the plane frame (2,).

    Square to the first edge where the fall is not measured.
    """
    basis = basis_of(plane)
    if basis is None or plane.gradient is None:
        return np.array([0.0, 1.0])
    rise = float(plane.gradient @ plane.gradient)
    steepest = np.array([plane.gradient[0], plane.gradient[1], rise])
    direction = np.array([steepest @ basis.along, steepest @ basis.up])
    length = float(np.linalg.norm(direction))
    return direction / length if length > 0.0 else np.array([0.0, 1.0])


def size_of(
    penetration: PenetrationSpec,
    plane: MeasuredPlane,
    points: Mapping[str, MeasuredPoint],
    *,
    across: bool,
) -> Figure | None:
    """Return a penetration's extent across the slope or up it, from its measured corners.

    Parameters
    ----------
    across : bool
        True: square to the slope, the width that decides on a saddle; False: up the slope.

    Returns
    -------
    Figure or None
        Metres; None when a corner is not measured. The corners' covariances are added as if they
        were independent; what they share cancels in a short distance, so the interval is on the
        wide side.
    """
    outline = outline_on(penetration, plane, points)
    basis = basis_of(plane)
    if outline is None or basis is None:
        return None
    up = upslope(plane)
    direction = np.array([up[1], -up[0]]) if across else up
    extents = outline @ direction
    ends = [int(np.argmin(extents)), int(np.argmax(extents))]
    direction_site = direction[0] * basis.along + direction[1] * basis.up
    corners = [points[penetration.outline[end]] for end in ends]
    variance = sum(float(direction_site @ corner.covariance @ direction_site) for corner in corners)
    seen_by = tuple(dict.fromkeys(id for corner in corners for id in corner.observed_by))
    width = float(extents[ends[1]] - extents[ends[0]])
    return Figure(width, max(variance, 0.0) ** 0.5, "m", seen_by)


def is_drain(outlet: OutletSpec) -> bool:
    """Whether an outlet is a primary way out through the roof or its perimeter."""
    return outlet.kind in (OutletKind.DRAIN, OutletKind.SCUPPER)


def is_overflow(outlet: OutletSpec) -> bool:
    """Whether an outlet is there for when the others are blocked."""
    return outlet.kind in (OutletKind.OVERFLOW_DRAIN, OutletKind.OVERFLOW_SCUPPER)


def _to_plane(basis: PlaneBasis, point: MeasuredPoint | None) -> Array | None:
    """Return a measured point in the plane frame, or None."""
    if point is None or not point.observed or not np.isfinite(point.position).all():
        return None
    return basis.to_plane(point.position)
