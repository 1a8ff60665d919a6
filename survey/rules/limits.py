"""Published limits as data: limits.toml, read into exact values with their source."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

INCH = Fraction(254, 10_000)  # metres, exact by definition
POUND_FORCE = Fraction(44_482_216_152_605, 10**13)  # newtons, exact by definition
PSF = POUND_FORCE / (12 * INCH) ** 2  # pascals

# What a value may be written in, and how many of `unit` one of it is.
WRITTEN_UNITS: Mapping[str, tuple[Fraction, str]] = {
    "in": (INCH, "m"),
    "ft": (12 * INCH, "m"),
    "%": (Fraction(1, 100), "m/m"),
    "deg": (Fraction(1), "deg"),
    "h": (Fraction(1), "h"),
    "psf/in": (PSF / INCH, "Pa/m"),
    "": (Fraction(1), "1"),
}
_RATIO = re.compile(r"([0-9.]+(?:/[0-9]+)?):([0-9]+)")
_QUANTITY = re.compile(r"([0-9]+(?:\.[0-9]+)?(?:/[0-9]+)?) ?([a-z%/]*)")


@dataclass(frozen=True, slots=True)
class Limit:
    """One published limit.

    Attributes
    ----------
    id : str
        How findings and the plane file name it.
    topic : str
        "minimum-slope", "underlayment", "reroofing", "drainage", "overflow", "saddle",
        "re-cover", "rain-load", "low-slope", "access", "fall".
    written : str
        The value as limits.toml has it: "2:12", "30 in", "48 h".
    value : Fraction or None
        The same, exact, in `unit`; None for a rule without a number.
    unit : str
        "m/m" (rise over run), "m", "deg", "h", "Pa/m" or "1".
    bound : str
        "at least", "at most", "under", "over" or "is"; empty for a rule without a number.
    code, edition, clause : str
        Where it stands; "-" where the source has none.
    says : str
        What it asks, in our own words.
    sources : tuple of str
        Where the number was read; empty for common practice.
    confirmed : str
        How far it was checked: "clause", "clause extract", "adoption", "secondary text",
        "letter" or "common practice".
    not_read : str
        What was not read in the named edition, or empty.
    building : str
        "dwelling", "other" or "any".
    work : str
        "new", "re-cover", "reroof" or "any".
    covering : str
        Covering family it speaks of, or empty.
    region : str
        "US", "UK" or "DE".
    label : str
        Rounded figure that the source prints beside the value; never to be compared with.
    relief : str
        Id of the limit that waives this one for existing roofs, or empty.
    renumbered : str
        Clause number in other editions, or empty.
    """

    id: str
    topic: str
    written: str
    value: Fraction | None
    unit: str
    bound: str
    code: str
    edition: str
    clause: str
    says: str
    sources: tuple[str, ...]
    confirmed: str
    not_read: str = ""
    building: str = "any"
    work: str = "any"
    covering: str = ""
    region: str = "US"
    label: str = ""
    relief: str = ""
    renumbered: str = ""

    @property
    def amount(self) -> Fraction:
        """The value of a limit that has one."""
        assert self.value is not None, f"{self.id} is a rule without a number"
        return self.value

    @property
    def citation(self) -> str:
        """Code, edition and clause in one breath: "IRC 2018 R905.2.2"."""
        edition = "" if self.edition in ("-", "as quoted") else f" {self.edition}"
        clause = "" if self.clause == "-" else f" {self.clause}"
        return f"{self.code}{edition}{clause}"


def parse_limit_value(written: str) -> tuple[Fraction, str]:
    """Return the exact value and unit of a limit as it is written.

    Parameters
    ----------
    written : str
        "2.5:12", "1/4:12", "1:40", "2 %", "30 in", "6 ft", "10 deg", "48 h", "5.2 psf/in", "3".

    Raises
    ------
    ValueError
        If it is none of these (a fault of our own data file).
    """
    if ratio := _RATIO.fullmatch(written):
        return Fraction(ratio[1]) / Fraction(ratio[2]), "m/m"
    quantity = _QUANTITY.fullmatch(written)
    if quantity is None or quantity[2] not in WRITTEN_UNITS:
        raise ValueError(f"limit value {written!r} is in no form that limits.toml may use")
    factor, unit = WRITTEN_UNITS[quantity[2]]
    return Fraction(quantity[1]) * factor, unit


@cache
def limits() -> Mapping[str, Limit]:
    """All limits by id, in the order of limits.toml."""
    data = tomllib.loads((files("survey.rules") / "limits.toml").read_text(encoding="utf-8"))
    read = (_limit(table, data["source"]) for table in data["limit"])
    return MappingProxyType({limit.id: limit for limit in read})


def limit(id: str) -> Limit:
    """Return the limit of that id."""
    return limits()[id]


def minimum_for(covering: str, building: str) -> Limit:
    """Return the least slope of a new covering.

    Parameters
    ----------
    covering : str
        One of `survey.visit.model.COVERING_FAMILIES`.
    building : str
        "dwelling" (IRC) or "other" (IBC); anything else takes the steeper of the two.
    """
    rows = [
        row
        for row in limits().values()
        if row.topic == "minimum-slope" and row.covering == covering
    ]
    fitting = [row for row in rows if row.building in (building, "any")] or rows
    return max(fitting, key=lambda row: row.amount)


def _limit(table: Mapping[str, Any], sources: Mapping[str, str]) -> Limit:
    """Turn one table of limits.toml into a Limit."""
    written = table.get("value", "")
    value, unit = parse_limit_value(written) if written else (None, "")
    plain = {key: text for key, text in table.items() if key not in ("value", "read_in")}
    return Limit(
        written=written,
        value=value,
        unit=unit,
        sources=tuple(sources[key] for key in table["read_in"]),
        **({"bound": ""} | plain),
    )
