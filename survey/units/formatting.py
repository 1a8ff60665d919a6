"""Quantities for people's eyes: rounded once, to a digit that the half-width deserves.

Value and half-width end at the same digit (JCGM 100:2008, 7.2.6). Decimal half-widths keep one
digit, or two where the first is 1 to 3; feet and inches go to the largest mark of a tape that is at
most half of the half-width. Rounding moves the value by a quarter of the half-width at most; the
half-width itself is always rounded up.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import Literal, Protocol, runtime_checkable

from survey.units.lengths import EXACT_INCH, FOOT, SQUARE

System = Literal["us", "metric"]
SQUARE_FOOT = FOOT**2
CUBIC_FOOT = FOOT**3
POUND = 0.45359237  # kg, exact; international yard and pound agreement, 1959
PSF = POUND * 9.80665 / SQUARE_FOOT  # Pa in one pound-force per square foot
LITRE = 1e-3  # m3
IN_MM = 0.1  # m; metric lengths under it read better in millimetres
MOST_PLACES = 6
TWO_DIGITS = 4  # first digit of a half-width under which it keeps a second one; common practice
_INCH_STEPS = tuple(Fraction(1, n) for n in (1, 2, 4, 8, 16, 32))  # marks on a tape or rod


@runtime_checkable
class FigureLike(Protocol):
    """A measured number with its half-width (`survey.figures.Figure`)."""

    @property
    def value(self) -> float:
        """Best estimate."""

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval."""

    @property
    def unit(self) -> str:
        """SI unit."""


@runtime_checkable
class GapLike(Protocol):
    """A number that was not observed (`survey.figures.NotObserved`)."""

    @property
    def why(self) -> str:
        """Return the reason."""

    @property
    def cure(self) -> str:
        """What would give it."""


def format_measured(
    measured: FigureLike | GapLike, system: System = "us", *, pitch_as: str | None = None
) -> str:
    """Value and half-width in the reader's units, or why there is none.

    ``24' 6-1/8" ± 5/16"``, ``0.27:12 ± 0.05``, ``not observed: why; cure``. Slopes (``m/m``) are
    written as `format_pitch` does, in the style `pitch_as`.
    """
    if isinstance(measured, GapLike):
        return f"not observed: {measured.why}" + (f"; {measured.cure}" if measured.cure else "")
    value, half_width = measured.value, measured.half_width
    match measured.unit:
        case "m":
            return format_length(value, system, half_width=half_width, with_half_width=True)
        case "m2":
            return format_area(value, system, half_width=half_width, with_half_width=True)
        case "m3":
            return format_volume(value, system, half_width=half_width, with_half_width=True)
        case "m/m":
            style = pitch_as or ("rise" if system == "us" else "percent")
            return format_pitch(value, style, half_width=half_width, with_half_width=True)
        case "rad":
            return format_angle(value, half_width=half_width, with_half_width=True)
        case "kg":
            return format_weight(value, system, half_width=half_width, with_half_width=True)
        case "Pa":
            return format_pressure(value, system, half_width=half_width, with_half_width=True)
        case unit:
            suffix = "" if unit == "1" else f" {unit}"
            return _decimal(value, half_width, suffix, with_half_width=True)


def format_length(
    metres: float,
    system: System = "us",
    *,
    half_width: float | None = None,
    with_half_width: bool = False,
    in_mm: bool | None = None,
) -> str:
    """Feet-inches (``24' 6-1/8"``) or metres (``7.471 m``), rounded as `half_width` deserves.

    Without a half-width: to the nearest 1/32 in, or to the millimetre. Metric lengths under 0.1 m
    are in millimetres, unless `in_mm` says otherwise (for two ends of one interval).
    """
    if system == "metric" and (abs(metres) < IN_MM if in_mm is None else in_mm):
        scaled = None if half_width is None else half_width * 1000
        return _decimal(metres * 1000, scaled, " mm", with_half_width, most=1, default=0)
    if system == "metric":
        return _decimal(metres, half_width, " m", with_half_width, most=4, default=3)
    step = _INCH_STEPS[-1] if half_width is None else _inch_step(half_width)
    text = format_feet_inches(metres, step)
    if half_width is None or not with_half_width:
        return text
    inches = Fraction(half_width) / EXACT_INCH
    finer = max(step / 2, Fraction(1, 64))
    rounded = Fraction(math.ceil(inches / finer)) * finer
    return f'{text} ± {_inches_text(rounded)}"'


def format_feet_inches(metres: float, step: Fraction = _INCH_STEPS[-1]) -> str:
    """Feet and inches to the nearest `step` of an inch, whatever the half-width.

    Under one foot the feet are left out: ``6-1/2"``, ``-1/4"``.
    """
    steps = round(Fraction(metres) / EXACT_INCH / step)
    inches = abs(steps) * step
    sign = "-" if steps < 0 else ""
    feet, rest = divmod(inches, 12)
    if feet == 0:
        return f'{sign}{_inches_text(rest)}"'
    return f"{sign}{feet}' {_inches_text(rest, after_feet=True)}\""


def format_pitch(
    slope: float,
    style: str = "rise",
    *,
    half_width: float | None = None,
    with_half_width: bool = False,
) -> str:
    """Rise over run as rise in 12 (``0.27:12``), percent (``2.2 %``) or degrees (``1.3°``).

    Parameters
    ----------
    slope : float
        Rise over run, m/m.
    style : str
        "rise", "percent" or "degrees".
    half_width : float, optional
        Half-width of `slope`, m/m. Without it, a rise that is a whole number of 1/16 in 12 is
        written as a fraction (``3/4:12``).
    with_half_width : bool
        Whether to write the half-width too.
    """
    if style == "percent":
        scaled = None if half_width is None else half_width * 100
        return _decimal(slope * 100, scaled, " %", with_half_width, default=2)
    if style == "degrees":
        angle = math.atan(slope)
        scaled = None if half_width is None else math.degrees(half_width / (1 + slope * slope))
        return _decimal(math.degrees(angle), scaled, "°", with_half_width, default=2)
    rise = slope * 12
    sixteenths = round(rise * 16)
    if half_width is None and abs(rise - sixteenths / 16) < 1e-9:
        sign = "-" if sixteenths < 0 else ""
        return f"{sign}{_inches_text(Fraction(abs(sixteenths), 16))}:12"
    scaled = None if half_width is None else half_width * 12
    text = _decimal(rise, scaled, "", False, default=3) + ":12"
    if scaled is None or not with_half_width:
        return text
    return f"{text} ± {_up(scaled, _places(scaled, MOST_PLACES))}"


def format_area(
    square_metres: float,
    system: System = "us",
    *,
    half_width: float | None = None,
    with_half_width: bool = False,
    squares: bool = False,
) -> str:
    """Square feet (``312.4 sq ft``), roofing squares (``3.12 squares``) or ``29.02 m2``."""
    if system == "metric":
        return _decimal(square_metres, half_width, " m2", with_half_width, most=2)
    unit, suffix = (SQUARE, " squares") if squares else (SQUARE_FOOT, " sq ft")
    most = 2 if squares else 1
    scaled = None if half_width is None else half_width / unit
    return _decimal(square_metres / unit, scaled, suffix, with_half_width, most=most)


def format_volume(
    cubic_metres: float,
    system: System = "us",
    *,
    half_width: float | None = None,
    with_half_width: bool = False,
) -> str:
    """Cubic feet or litres."""
    unit, suffix = (CUBIC_FOOT, " cu ft") if system == "us" else (LITRE, " L")
    scaled = None if half_width is None else half_width / unit
    return _decimal(cubic_metres / unit, scaled, suffix, with_half_width, most=2)


def format_weight(
    kilograms: float,
    system: System = "us",
    *,
    half_width: float | None = None,
    with_half_width: bool = False,
) -> str:
    """Pounds or kilograms."""
    unit, suffix = (POUND, " lb") if system == "us" else (1.0, " kg")
    scaled = None if half_width is None else half_width / unit
    return _decimal(kilograms / unit, scaled, suffix, with_half_width, most=1)


def format_pressure(
    pascals: float,
    system: System = "us",
    *,
    half_width: float | None = None,
    with_half_width: bool = False,
) -> str:
    """Pounds per square foot or kilopascals."""
    unit, suffix = (PSF, " psf") if system == "us" else (1000.0, " kPa")
    scaled = None if half_width is None else half_width / unit
    return _decimal(pascals / unit, scaled, suffix, with_half_width, most=3, default=2)


def format_angle(
    radians: float, *, half_width: float | None = None, with_half_width: bool = False
) -> str:
    """Degrees."""
    scaled = None if half_width is None else math.degrees(half_width)
    return _decimal(math.degrees(radians), scaled, "°", with_half_width, default=2)


def format_temperature(kelvin: float, system: System = "us") -> str:
    """Degrees Fahrenheit or Celsius, whole."""
    if system == "us":
        return f"{round(kelvin * 9 / 5 - 459.67)} °F"
    return f"{round(kelvin - 273.15)} °C"


def _inch_step(half_width: float) -> Fraction:
    """Largest mark of a tape that is at most half of `half_width` (metres), in inches."""
    inches = half_width / float(EXACT_INCH)
    return next((step for step in _INCH_STEPS if step <= inches / 2), _INCH_STEPS[-1])


def _inches_text(inches: Fraction, *, after_feet: bool = False) -> str:
    """Return inches as a tape shows them: ``6-1/2``, ``1/4``, ``0``; after feet ``0-1/4``."""
    whole, part = divmod(inches, 1)
    if part == 0:
        return str(whole)
    fraction = f"{part.numerator}/{part.denominator}"
    return fraction if whole == 0 and not after_feet else f"{whole}-{fraction}"


def _decimal(
    value: float,
    half_width: float | None,
    suffix: str,
    with_half_width: bool = False,
    *,
    most: int = MOST_PLACES,
    default: int = 1,
) -> str:
    """Decimal text with as many places as the half-width deserves, `most` at the most."""
    places = default if half_width is None else _places(half_width, most)
    text = _rounded(value, places)
    if half_width is None or not with_half_width:
        return text + suffix
    return f"{text}{suffix} ± {_up(half_width, places)}{suffix}"


def _places(half_width: float, most: int) -> int:
    """Decimal places of value and half-width; never negative.

    One digit of the half-width stays, or two where the first is under `TWO_DIGITS`.
    """
    if not half_width > 0:
        return most
    exponent = math.floor(math.log10(half_width))
    digits = 1 if half_width < TWO_DIGITS * 10.0**exponent else 0
    return min(max(digits - exponent, 0), most)


def _rounded(value: float, places: int) -> str:
    """Round half to even, without an exponent and without a negative zero."""
    rounded = Decimal(value).quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    return f"{abs(rounded) if rounded == 0 else rounded:f}"


def _up(half_width: float, places: int) -> str:
    """Return the half-width rounded up, so that it never flatters."""
    if not half_width > 0:
        return "0"
    ticks = Decimal(f"{half_width:.12g}").quantize(Decimal(1).scaleb(-places), ROUND_CEILING)
    return f"{ticks:f}"
