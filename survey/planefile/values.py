"""How a value is written into a plane file: rounded once, to a digit that is stated.

Lengths carry 6 decimals (micrometres), areas 6, volumes 7, slopes and angles 8, weights 4, loads
and pixels 3, pure numbers 6; covariances 6 significant digits; lines that are only drawn 3 (the
millimetre). All of it is far below what a visit
can measure, and coarse enough that the last bits of a processor's arithmetic leave no trace. A
half-width is rounded up, so that no interval is written narrower than it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from survey.figures import NORMAL_95, Figure, Measured, NotObserved, Unit

COVERAGE = 0.95
DECIMALS: Mapping[str, int] = {
    "m": 6, "m2": 6, "m3": 7, "rad": 8, "m/m": 8, "kg": 4, "Pa": 3, "px": 3, "1": 6,
}  # fmt: skip
HAIR = 1e-3  # of the last digit: a half-width that is this close to a digit is that digit

Json = dict[str, Any]


def number(value: float, unit: str = "m") -> float:
    """Return a number rounded to its unit's digits, never minus zero.

    Raises
    ------
    ValueError
        If it is not finite: what can't be told is written as null or as not observed.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} is no number that a plane file can hold")
    return round(float(value), DECIMALS[unit]) + 0.0


def number_or_null(value: float | None, unit: str = "m") -> float | None:
    """Return a rounded number, or None for what is not known, infinite or not a number."""
    if value is None or not math.isfinite(value):
        return None
    return number(value, unit)


def significant(value: float, digits: int = 6) -> float:
    """Return a number rounded to significant digits (covariances span many powers of ten)."""
    return float(f"{value:.{digits - 1}e}") + 0.0


def write_measured(measured: Measured) -> Json:
    """Return a figure, or the gap where one should be, as JSON-ready values."""
    if isinstance(measured, NotObserved):
        return {"not_observed": measured.why, "cure": measured.cure}
    if not (math.isfinite(measured.value) and math.isfinite(measured.half_width)):
        return {
            "not_observed": "the observations do not fix it",
            "cure": "take one more photo, tape or level reading of it",
        }
    factor = measured.coverage_factor  # 0 where an interval was given as no width at all
    return {
        "value": number(measured.value, measured.unit),
        "half_width": _rounded_up(measured.half_width, DECIMALS[measured.unit]),
        "unit": measured.unit,
        "coverage": COVERAGE,
        "coverage_factor": number(factor if factor > 1e-5 else NORMAL_95, "1"),
        "observed_by": list(measured.observed_by),
    }


def read_measured(entry: Mapping[str, Any]) -> Measured:
    """Return the figure or gap that a plane file's entry holds; sd from half-width and factor."""
    if "not_observed" in entry:
        return NotObserved(entry["not_observed"], entry["cure"])
    unit: Unit = entry["unit"]
    factor = float(entry["coverage_factor"])
    return Figure(
        float(entry["value"]),
        float(entry["half_width"]) / factor,
        unit,
        tuple(entry["observed_by"]),
        factor,
    )


def coordinates(points: npt.ArrayLike) -> list[list[float]] | None:
    """Return rows of coordinates in metres, or None if any is not finite or there are none."""
    array = np.asarray(points, dtype=np.float64)
    if array.size == 0 or not np.isfinite(array).all():
        return None
    return [[number(value) for value in row] for row in array]


def drawn(points: npt.ArrayLike) -> list[list[float]]:
    """Return rows of coordinates for drawing, to the millimetre; what is not finite is left out."""
    array = np.asarray(points, dtype=np.float64)
    rows = array.reshape(-1, array.shape[-1]) if array.size else array.reshape(0, 2)
    return [[round(float(v), 3) + 0.0 for v in row] for row in rows if np.isfinite(row).all()]


def vector(values: npt.ArrayLike, unit: str = "m") -> list[float] | None:
    """Return one row of numbers, or None if any is not finite."""
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        return None
    return [number(value, unit) for value in array]


def matrix(values: npt.ArrayLike) -> list[list[float]] | None:
    """Return a covariance matrix to six significant digits, or None if any is not finite."""
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        return None
    return [[significant(value) for value in row] for row in array]


def cleaned(value: Any) -> Any:
    """Return JSON-ready values with every text on one line and without control signs."""
    if isinstance(value, str):
        plain = "".join(c if c.isprintable() or c.isspace() else " " for c in value)
        return " ".join(plain.split())
    if isinstance(value, dict):
        return {key: cleaned(part) for key, part in value.items()}
    return [cleaned(part) for part in value] if isinstance(value, list) else value


def sum_of(parts: Sequence[Measured], what: str) -> Measured:
    """Return a sum whose half-width is the sum of the parts' half-widths.

    An upper limit to first order, whatever the parts have in common (they share the print scale of
    a target, so their errors may all lean one way). Parts that are not observed are left out.
    """
    figures = [part for part in parts if isinstance(part, Figure)]
    if not figures:
        gaps = [part for part in parts if isinstance(part, NotObserved)]
        return gaps[0] if gaps else NotObserved(f"there is no {what}", "mark or measure one")
    value = math.fsum(figure.value for figure in figures)
    half_width = math.fsum(figure.half_width for figure in figures)
    seen_by = tuple(dict.fromkeys(id for figure in figures for id in figure.observed_by))
    return Figure(value, half_width / NORMAL_95, figures[0].unit, seen_by)


def _rounded_up(half_width: float, decimals: int) -> float:
    """Return a half-width rounded up to its last digit."""
    ticks = half_width * 10.0**decimals
    return round(math.ceil(ticks - HAIR) / 10.0**decimals, decimals) + 0.0
