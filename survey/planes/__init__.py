"""Planes, edges and points as figures, from the adjusted unknowns."""

from __future__ import annotations

from survey.planes.derive import derive_planes
from survey.planes.model import MeasuredEdge, MeasuredPlane, MeasuredPoint, PlaneSet

__all__ = ["MeasuredEdge", "MeasuredPlane", "MeasuredPoint", "PlaneSet", "derive_planes"]
