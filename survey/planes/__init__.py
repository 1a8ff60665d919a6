"""Planes, edges, areas and heights from the adjusted points. See docs/method.md."""

from __future__ import annotations

from survey.planes.derive import derive_planes
from survey.planes.next_measurements import NextMeasurement, find_next_measurements

__all__ = ["NextMeasurement", "derive_planes", "find_next_measurements"]
