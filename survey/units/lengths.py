"""Lengths as people write them, exact until the last step."""

from __future__ import annotations

import re
from fractions import Fraction

from survey.errors import InputError
from survey.units.numbers import (
    FRACTION,
    NUMBER,
    parse_number,
    quoted,
    refuse_strange_text,
    tidy,
)

INCH = 0.0254  # m, exact; international yard and pound agreement, 1959
FOOT = 0.3048  # m, exact; the same
SQUARE = 100 * FOOT**2  # m2; a roofing square is 100 sq ft

EXACT_INCH = Fraction(254, 10000)
EXACT_FOOT = 12 * EXACT_INCH
_WORDS = {
    "ft": EXACT_FOOT, "foot": EXACT_FOOT, "feet": EXACT_FOOT, "'": EXACT_FOOT,
    "in": EXACT_INCH, "inch": EXACT_INCH, "inches": EXACT_INCH, '"': EXACT_INCH,
    "mm": Fraction(1, 1000), "millimetre": Fraction(1, 1000), "millimetres": Fraction(1, 1000),
    "millimeter": Fraction(1, 1000), "millimeters": Fraction(1, 1000),
    "cm": Fraction(1, 100), "centimetre": Fraction(1, 100), "centimetres": Fraction(1, 100),
    "centimeter": Fraction(1, 100), "centimeters": Fraction(1, 100),
    "m": Fraction(1), "metre": Fraction(1), "metres": Fraction(1), "meter": Fraction(1),
    "meters": Fraction(1),
}  # fmt: skip
_FEET = r"(?:'|feet\b\.?|foot\b\.?|ft\b\.?|(?<=[0-9 ])ft\.?)"
_INCHES = r"(?:\"|inches\b\.?|inch\b\.?|in\b\.?)"
_SINGLE = re.compile(rf"({NUMBER}) ?(\"|'|[a-z]+)\.?")
_FEET_INCHES = re.compile(rf"({NUMBER}) ?{_FEET} ?-? ?({NUMBER}) ?{_INCHES}?")
_DASHED = re.compile(rf"([0-9]{{1,4}})-([0-9]{{1,2}}[ -]{FRACTION}) ?{_INCHES}?")
_DASHED_MARKED = re.compile(rf"([0-9]{{1,4}})-([0-9]{{1,2}}(?:\.[0-9]{{1,9}})?) ?{_INCHES}")
_BARE = re.compile(NUMBER)
EXAMPLE = """12' 6-1/2" or 3.82 m"""


def parse_length(text: str, *, where: str = "", unit: str | None = None) -> float:
    """Read a length as people write it.

    Parameters
    ----------
    text : str
        ``12' 6-1/2"``, ``12-6 1/2``, ``12 ft 6 1/2 in``, ``150.5 in``, ``12.54 ft``, ``3.82 m``,
        ``3820 mm``, ``382 cm``, with a sign if it has one; ``0`` needs no unit.
    where : str
        Place to name in the error.
    unit : str, optional
        Unit of a number that bears none ("in", "ft", "m", "cm", "mm"), when the file declares one.

    Returns
    -------
    float
        Metres, rounded once from the exact value.

    Raises
    ------
    InputError
        If it is no length, or could mean more than one.
    """
    return float(parse_exact_length(text, where=where, unit=unit))


def parse_exact_length(text: str, *, where: str = "", unit: str | None = None) -> Fraction:
    """Read a length like `parse_length`, metres as an exact fraction."""
    refuse_strange_text(text, "length", where, EXAMPLE)
    plain = tidy(text).lower()
    sign = -1 if plain.startswith("-") else 1
    body = plain.removeprefix("-" if sign < 0 else "+").lstrip()
    try:
        return sign * _parse_unsigned(body, unit)
    except ValueError as reason:
        what, cure = reason.args[0], reason.args[1] if len(reason.args) > 1 else ""
        raise InputError(
            f"{quoted(text.strip())} can't be read as a length: {what}",
            where=where,
            cure=cure or f"write it like {EXAMPLE}",
        ) from reason


def unit_factor(word: str) -> Fraction | None:
    """Metres in one of the named unit, or None if the word names no length unit."""
    return _WORDS.get(word.lower())


def _parse_unsigned(body: str, unit: str | None) -> Fraction:
    """Metres of a tidied text without sign; ValueError(reason, cure) when it is not one length."""
    if match := _FEET_INCHES.fullmatch(body):
        return _feet_and_inches(match[1], match[2])
    if match := _DASHED.fullmatch(body) or _DASHED_MARKED.fullmatch(body):
        return _feet_and_inches(match[1], match[2])
    if match := _SINGLE.fullmatch(body):
        factor = _WORDS.get(match[2])
        if factor is None:
            raise ValueError(f"{quoted(match[2])} is no unit of length", "use ft, in, m, cm or mm")
        return parse_number(match[1]) * factor
    if _BARE.fullmatch(body):
        return _bare(body, unit)
    if re.fullmatch(r"[0-9]+-[0-9.]+", body):
        raise ValueError(
            "it could be feet and inches or a range",
            """mark feet and inches, like 12' 6\"""",
        )
    if re.search(r"[0-9]\.(?![0-9])(?!$)|[0-9]\.$", body) and not re.search("[a-z]", body):
        raise ValueError("a decimal point has no digit after it")
    raise ValueError("its form is not known")


def _bare(body: str, unit: str | None) -> Fraction:
    """Metres of a number without unit: zero, or in the unit that the file declares."""
    number = parse_number(body)
    if number == 0:
        return number
    if unit is None:
        raise ValueError("it bears no unit", "add ft, in, m or mm")
    factor = unit_factor(unit)
    assert factor is not None, unit
    return number * factor


def _feet_and_inches(feet_text: str, inches_text: str) -> Fraction:
    """Metres of whole feet and inches under twelve."""
    feet, inches = parse_number(feet_text), parse_number(inches_text)
    if feet.denominator != 1 or "." in feet_text:
        raise ValueError("feet followed by inches must be whole")
    if inches >= 12:
        raise ValueError("inches after feet must be under 12")
    return feet * EXACT_FOOT + inches * EXACT_INCH
