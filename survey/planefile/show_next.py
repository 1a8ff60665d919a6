"""Which further measurement would help most, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from survey.planefile.values import Json, number_or_null
from survey.planes import NextMeasurement
from survey.rules.wording import system_of
from survey.units import format_length, format_pitch

FINER = 4  # half-widths are compared to a quarter of themselves


def write_next_measurement(found: NextMeasurement) -> Json:
    """Return a further measurement as JSON-ready values."""
    return {
        "what": found.what,
        "photo": found.photo,
        "figure": found.figure,
        "unit": found.unit,
        "half_width_now": number_or_null(found.half_width_now, found.unit),
        "half_width_then": number_or_null(found.half_width_then, found.unit),
    }


def say_next_measurement(entry: Mapping[str, Any], units: str) -> str:
    """Say what to do and what it would bring, half-widths before and after."""
    what = f"{entry['what'][:1].upper()}{entry['what'][1:]}"
    now, then = (
        "" if value is None else f"± {_half_width(value, entry['unit'], units)}"
        for value in (entry["half_width_now"], entry["half_width_then"])
    )
    if not now:
        bring = f", and would then be known to {then}" if then else ""
        return f"{what}: {entry['figure']} is fixed by nothing yet{bring}"
    return f"{what}: {entry['figure']} would be known to {then} instead of {now}"


def _half_width(half_width: float, unit: str, units: str) -> str:
    if unit == "m":
        return format_length(half_width, system_of(units), half_width=half_width / FINER)
    style = "percent" if units == "metric" else "rise"
    return format_pitch(half_width, style, half_width=half_width / FINER)
