"""Planes, edges, areas and heights from the adjusted points. See docs/method.md."""

from __future__ import annotations

from survey.planes.derive import derive_planes

__all__ = ["derive_planes"]
