"""Figures inside sentences: value and half-width in the visit's units, rounded by survey.units."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from survey.figures import Figure, Measured, NotObserved, Unit
from survey.units import (
    IN_MM,
    System,
    format_area,
    format_length,
    format_measured,
    format_pitch,
    format_pressure,
    format_volume,
    format_weight,
)

SAME_SLOPE = 1e-7  # m/m; a plane file carries slopes to 1e-8


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


def say_between(figure: Figure, interval: Sequence[float] | None, units: str) -> str:
    """Return a figure with both ends of its interval: ``3/8" (1/8" to 7/8")``.

    For figures whose interval is lopsided, as that of a depth near zero is. `interval` is in the
    figure's unit; without one, value ± half-width.
    """
    if interval is None:
        return say(figure, units)
    half_width = max((interval[1] - interval[0]) / 2, 1e-9)
    three = (figure.value, *interval)
    in_mm = max(map(abs, three)) < IN_MM
    value, low, high = (
        _plain(number, figure.unit, half_width, system_of(units), in_mm) for number in three
    )
    if '"' not in low:  # one unit behind both ends is enough
        low = low.partition(" ")[0]
    return f"{value} ({low} to {high})"


def scaled(
    interval: Sequence[float] | None, figure: Figure, of: Measured
) -> tuple[float, float] | None:
    """Return the interval of a figure that grows with another: of a load with its depth.

    `interval` is that of `of`; None where it or the ratio of the two is not known.
    """
    if interval is None or isinstance(of, NotObserved) or of.value <= 0.0:
        return None
    ratio = figure.value / of.value
    return interval[0] * ratio, interval[1] * ratio


def _plain(value: float, unit: Unit, half_width: float, system: System, in_mm: bool) -> str:
    """Return a number in its reader's unit, to the digit that `half_width` deserves."""
    match unit:
        case "m":
            return format_length(value, system, half_width=half_width, in_mm=in_mm)
        case "m2":
            return format_area(value, system, half_width=half_width)
        case "m3":
            return format_volume(value, system, half_width=half_width)
        case "kg":
            return format_weight(value, system, half_width=half_width)
        case "Pa":
            return format_pressure(value, system, half_width=half_width)
        case _:
            return f"{value:.3g} {unit}"


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


def limit_slope(ratio: float, units: str) -> str:
    """Return a slope that a rule or a drawing asks for: ``1/4:12``, ``2.08 %``."""
    if units == "metric":
        return plain_slope(ratio, units)
    sixteenths = round(12 * 16 * ratio)
    exact = Fraction(sixteenths, 12 * 16)
    return format_pitch(float(exact) if abs(float(exact) - ratio) < SAME_SLOPE else ratio)


def plain_length(metres: float, units: str) -> str:
    """Return a length that was written down or is a limit, without interval: ``3' 6"``."""
    return format_length(metres, system_of(units))


def joined(names: tuple[str, ...] | list[str]) -> str:
    """Return names in one breath: ``'a', 'b' and 'c'``."""
    quoted = [f"'{name}'" for name in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} and {quoted[-1]}"
