"""Measures roof planes from photos with a printed target, level readings and tapes."""

from __future__ import annotations

from survey.measure import measure
from survey.planefile import PlaneFile, read_plane_file, write_plane_file
from survey.visit import begin_visit, open_visit

__all__ = [
    "PlaneFile",
    "begin_visit",
    "measure",
    "open_visit",
    "read_plane_file",
    "write_plane_file",
]
