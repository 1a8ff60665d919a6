"""Printed reference targets: their layouts and sheets, and finding them in photos."""

from __future__ import annotations

from survey.target.picture import sheet_image
from survey.target.sheets import sheet_codes, sheet_layout, sheet_size

__all__ = ["sheet_codes", "sheet_image", "sheet_layout", "sheet_size"]
