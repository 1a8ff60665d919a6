"""Printed reference targets: their layouts and sheets, and finding them in photos."""

from __future__ import annotations

from survey.target.boards import layout_of, print_scale
from survey.target.detection import detect_targets
from survey.target.finding import find_targets
from survey.target.model import Layout, Sighting, SightingProblem
from survey.target.picture import sheet_image
from survey.target.printing import format_sheet, write_sheet
from survey.target.sheets import sheet_codes, sheet_layout, sheet_size

__all__ = [
    "Layout",
    "Sighting",
    "SightingProblem",
    "detect_targets",
    "find_targets",
    "format_sheet",
    "layout_of",
    "print_scale",
    "sheet_codes",
    "sheet_image",
    "sheet_layout",
    "sheet_size",
    "write_sheet",
]
