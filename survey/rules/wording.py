"""Figures inside sentences: value and half-width in the visit's units, rounded by survey.units."""

from __future__ import annotations

from survey.figures import Figure, Measured, NotObserved
from survey.units import System, format_length, format_measured, format_pitch


def system_of(units: str) -> System:
    """Return the system of units that a visit or plane file names; US unless it says metric."""
    return "metric" if units == "metric" else "us"


def say(measured: Measured, units: str) -> str:
    """Return a figure with its half-width, or why there is none: ``24' 6-1/8" ± 5/16"``."""
    match measured:
        case NotObserved():
            return f"not observed ({measured.why})"
        case Figure(unit="m/m"):
            return say_pitch(measured, units)
        case _:
            return format_measured(measured, system_of(units))


def say_pitch(pitch: Figure, units: str) -> str:
    """Return a slope with the other forms beside it: ``0.27:12 ± 0.05 (2.2 %, 1.3°)``."""
    half_width = pitch.half_width
    first, second = ("percent", "rise") if units == "metric" else ("rise", "percent")
    head = format_pitch(pitch.value, first, half_width=half_width, with_half_width=True)
    beside = format_pitch(pitch.value, second, half_width=half_width)
    degrees = format_pitch(pitch.value, "degrees", half_width=half_width)
    return f"{head} ({beside}, {degrees})"


def plain_slope(ratio: float, units: str) -> str:
    """Return a slope without interval: ``0.02 in 12``, ``0.17 %``."""
    return f"{100 * ratio:.2f} %" if units == "metric" else f"{12 * ratio:.2f} in 12"


def plain_length(metres: float, units: str) -> str:
    """Return a length that was written down or is a limit, without interval: ``3' 6"``."""
    return format_length(metres, system_of(units))


def joined(names: tuple[str, ...] | list[str]) -> str:
    """Return names in one breath: ``'a', 'b' and 'c'``."""
    quoted = [f"'{name}'" for name in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} and {quoted[-1]}"
