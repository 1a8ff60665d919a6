"""Figures of a plane file in words, in the units that the reader asked for."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from survey.figures import Figure, Measured
from survey.rules.wording import say, system_of
from survey.units import format_area, format_feet_inches, format_measured

LEAST_SHARE = 0.005  # of a plane; less is written as none


def show_measured(measured: Measured, units: str) -> str:
    """Return a figure with its half-width, or why it is not observed and what would give it."""
    if isinstance(measured, Figure):
        return say(measured, units)
    return format_measured(measured, system_of(units))


def show_area(measured: Measured, units: str) -> str:
    """Return an area, in US units with its squares."""
    text = show_measured(measured, units)
    if units == "metric" or not isinstance(measured, Figure):
        return text
    squares = format_area(measured.value, "us", half_width=measured.half_width, squares=True)
    return f"{text} ({squares})"


def show_share(share: Figure) -> str:
    """Return a share of one with both ends of its interval: ``20 % (10 to 30 %)``."""
    low = max(share.value - share.half_width, 0.0)
    high = min(share.value + share.half_width, 1.0)
    if high < LEAST_SHARE:
        return "none"
    return f"{100 * share.value:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def show_place(place: Sequence[float], units: str) -> str:
    """Return plane coordinates in words, to the inch or centimetre."""
    return f"at {show_distance(place[0], units)} along, {show_distance(place[1], units)} up"


def show_distance(metres: float, units: str) -> str:
    """Return where to put a tape or a saddle's end, to the inch or centimetre."""
    if units == "metric":
        return f"{metres:.2f} m"
    return format_feet_inches(metres, Fraction(1))
