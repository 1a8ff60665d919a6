"""The sample visit's own scripts, for tests: `place`, `truth`, `paperwork` and `develop`."""

from __future__ import annotations

import json
import sys
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

SAMPLE = Path(__file__).parents[2] / "sample_images"
PORCH = SAMPLE / "porch"
sys.path.insert(0, str(SAMPLE / "render"))

develop, paperwork, place, truth = map(import_module, ("develop", "paperwork", "place", "truth"))

__all__ = ["PORCH", "SAMPLE", "develop", "paperwork", "place", "true_figures", "truth"]


@cache
def true_figures() -> dict[str, Any]:
    """What truth.json says."""
    figures: dict[str, Any] = json.loads((PORCH / "truth.json").read_text())
    return figures
