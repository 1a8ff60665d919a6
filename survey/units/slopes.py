"""Slopes, angles and temperatures as people write them."""

from __future__ import annotations

import math
import re
from fractions import Fraction

from survey.errors import InputError
from survey.units.lengths import parse_exact_length, unit_factor
from survey.units.numbers import NUMBER, parse_number, quoted, refuse_strange_text, tidy

EXAMPLE = "3/4:12, 6.25 % or 3.6 deg"
_DEGREES = re.compile(rf"({NUMBER}) ?(?:°|degrees?|deg)\.?")
_PERCENT = re.compile(rf"({NUMBER}) ?(?:%|percent|per cent|pct)")
_RATIO = re.compile(rf"({NUMBER})\"? ?(?::| in |-in-| on |/(?=12\b)) ?({NUMBER})\"?")
_PER = re.compile(r"(.+?) ?(?:\bper\b|/ ?(?=[a-z])) ?(.+)")
_BARE = re.compile(NUMBER)
_TEMPERATURE = re.compile(
    r"([+-]?) ?([0-9]{1,4}(?:\.[0-9]{1,3})?) ?(?:°|deg\.?)? ?"
    r"(?:(f)(?:ahrenheit)?|(c)(?:elsius)?|(k)(?:elvin)?)"
)


def parse_slope(text: str, *, where: str = "", unit: str | None = None) -> float:
    """Read a slope and return its rise over run.

    Parameters
    ----------
    text : str
        ``3/4:12``, ``3 in 12``, ``1/4 in per ft``, ``1/4"/ft``, ``20 mm/m``, ``6.25 %``,
        ``3.6 deg``, ``1:40`` (rise 1 in a run of 12 or more); ``0`` needs no unit.
    where : str
        Place to name in the error.
    unit : str, optional
        Unit of a number that bears none ("deg", "%" or ":12"), when the file declares one.

    Returns
    -------
    float
        Rise over run, m/m; negative when written so.

    Raises
    ------
    InputError
        If it is no slope, or could mean more than one.
    """
    ratio, degrees = _parse(text, where, unit)
    return float(ratio) if degrees is None else math.tan(math.radians(float(degrees)))


def parse_angle(text: str, *, where: str = "", unit: str | None = None) -> float:
    """Read a slope like `parse_slope` and return its angle above horizontal, radians."""
    ratio, degrees = _parse(text, where, unit)
    return math.atan(ratio) if degrees is None else math.radians(float(degrees))


def parse_temperature(text: str, *, where: str = "") -> float:
    """Read a temperature with its scale, ``68 F`` or ``20 C``; kelvin.

    Raises
    ------
    InputError
        If no scale is given, or it is below absolute zero.
    """
    cure = "write it like 68 F or 20 C"
    refuse_strange_text(text, "temperature", where, "68 F or 20 C")
    match = _TEMPERATURE.fullmatch(tidy(text).lower())
    if match is None:
        raise InputError(
            f"{quoted(text.strip())} can't be read as a temperature", where=where, cure=cure
        )
    number = float(match[1] + match[2])
    scale = match[3] or match[4] or match[5]
    kelvin = {"k": number, "c": number + 273.15, "f": (number + 459.67) * 5 / 9}[scale]
    if kelvin < 0:
        raise InputError(
            f"{quoted(text.strip())} is below absolute zero", where=where, cure="check the sign"
        )
    return kelvin


def _parse(text: str, where: str, unit: str | None) -> tuple[Fraction, Fraction | None]:
    """Return (rise over run, None), or (0, degrees) when degrees were written; exact."""
    refuse_strange_text(text, "slope", where, EXAMPLE)
    plain = tidy(text).lower()
    sign = -1 if plain.startswith("-") else 1
    body = plain.removeprefix("-" if sign < 0 else "+").lstrip()
    try:
        if _BARE.fullmatch(body) and not _RATIO.fullmatch(body):  # 3/12 is 3 in 12
            body = _bare(body, unit)
        if match := _DEGREES.fullmatch(body):
            degrees = parse_number(match[1])
            if degrees >= 90:
                raise ValueError("a slope is under 90 degrees")
            return Fraction(0), sign * degrees
        return sign * _parse_ratio(body), None
    except ValueError as reason:
        what, cure = reason.args[0], reason.args[1] if len(reason.args) > 1 else ""
        raise InputError(
            f"{quoted(text.strip())} can't be read as a slope: {what}",
            where=where,
            cure=cure or f"write it like {EXAMPLE}",
        ) from reason


def _bare(body: str, unit: str | None) -> str:
    """Give a number without unit the declared one; level (0) needs none."""
    if parse_number(body) == 0:
        return "0%"
    if unit is None:
        raise ValueError("it bears no unit")
    return body + unit


def _parse_ratio(body: str) -> Fraction:
    """Rise over run of a tidied text without sign; ValueError(reason, cure) if it is not one."""
    if match := _PERCENT.fullmatch(body):
        return parse_number(match[1]) / 100
    if match := _RATIO.fullmatch(body):
        return _rise_in_run(parse_number(match[1]), parse_number(match[2]))
    if match := _PER.fullmatch(body):
        return _length_per_length(match[1], match[2])
    if re.fullmatch(rf"{NUMBER} ?(\"|'|in|inch|inches|ft|mm|cm|m)", body):
        raise ValueError("it is a length without a run", "write it like 1/4 in per ft or 1/4:12")
    raise ValueError("its form is not known")


def _rise_in_run(rise: Fraction, run: Fraction) -> Fraction:
    """``x:12`` is rise in 12; ``1:40`` is rise 1 in a run of 40. The rest has two readings.

    ``2:1`` is run to rise among earthworkers and rise to run among carpenters; ``1:4`` may be a
    fall of one in four, or a hasty 1/4:12.
    """
    if run == 12 or (rise == 1 and run > 12) or (rise == run == 1):
        return rise / run
    if run == 0:
        raise ValueError("its run is zero")
    raise ValueError(
        "only rise:12, and 1:run with a run over 12, have one meaning",
        "write the rise in 12, percent or degrees",
    )


def _length_per_length(rise_text: str, run_text: str) -> Fraction:
    """``1/4 in per ft``, ``20 mm/m``, ``1 in per 4 ft``."""
    one = unit_factor(run_text.rstrip("."))
    try:
        run = one if one is not None else parse_exact_length(run_text)
        rise = parse_exact_length(rise_text)
    except InputError as error:
        raise ValueError(error.what) from error
    if run <= 0:
        raise ValueError("its run is not over zero")
    return rise / run
