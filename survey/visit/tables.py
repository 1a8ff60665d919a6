"""One table of visit.toml or object of marks.json, asked for key after key.

Each question names what is expected; what does not fit becomes a problem with its line and the
answer is the default, so that one reading finds everything that is wrong.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import fields
from fractions import Fraction
from typing import Any, TypeVar

from survey.errors import InputError, Problem
from survey.units import INCH, format_feet_inches, parse_angle, parse_length, parse_temperature
from survey.visit.problems import offer, shown

LONGEST_TEXT = 200
LONGEST_NAME = 60
MOST_NAMES = 500
UNKNOWN = "unknown"
Quantity = TypeVar("Quantity")


class Table:
    """A table of keys with its place.

    Parameters
    ----------
    values : dict
        Keys and values as parsed.
    noun : str
        What the table is, for sentences: ``"[[plane]]"``, ``"mark"``.
    locate : callable
        Gives the place of a path of keys under this table; the empty path is the table itself.
    problems : list of Problem
        Collects what is wrong.
    """

    def __init__(
        self,
        values: dict[str, Any],
        noun: str,
        locate: Callable[[tuple[str, ...]], str],
        problems: list[Problem],
    ) -> None:
        self.values = values
        self.noun = noun
        self.locate = locate
        self.problems = problems
        self.asked: set[str] = set()

    def where(self, key: str | None = None) -> str:
        """Return the place of a key, or of the table."""
        return self.locate((key,) if key else ())

    def wrong(self, what: str, cure: str = "", key: str | None = None) -> None:
        """Note a problem at a key, or at the table."""
        self.problems.append(Problem(what, self.where(key), cure))

    def has(self, key: str) -> bool:
        """Whether the key is there and not "unknown"."""
        return self._get(key) is not None

    def finish(self) -> None:
        """Note every key that nobody asked for."""
        for key in self.values:
            if key not in self.asked:
                self.wrong(
                    f"{self.noun} has no key {shown(key)}", offer(key, self.asked, "key"), key
                )

    def name(self, key: str = "name") -> str:
        """Return a required name; "" when it is missing or unfit."""
        self.asked.add(key)
        value = self.values.get(key)
        if value is None:
            self.wrong(f"{self.noun} has no {key}", f'add {key} = "..."')
            return ""
        return value if self._is_name(value, key) else ""

    def optional_name(self, key: str) -> str | None:
        """Return a name, or None."""
        value = self._get(key)
        return value if value is not None and self._is_name(value, key) else None

    def names(self, key: str, least: int = 0, most: int = MOST_NAMES) -> tuple[str, ...]:
        """Return a list of names of a length between `least` and `most`."""
        value = self._get(key)
        if value is None and least == 0:
            return ()
        if not isinstance(value, list):
            got = "is missing" if value is None else f"is {shown(value)}, not a list of names"
            self.wrong(f"{key} of {self.noun} {got}", f'write {key} = ["A", "B", ...]', key)
            return ()
        if not all([self._is_name(item, key) for item in value]):
            return ()
        if not least <= len(value) <= most:
            wanted = f"exactly {least}" if least == most else f"{least} or more"
            if len(value) > most > least:
                wanted = f"{most} at most"
            held = "1 name" if len(value) == 1 else f"{len(value)} names"
            self.wrong(f"{key} holds {held}, but needs {wanted}", "", key)
            return ()
        return tuple(value)

    def text(self, key: str, longest: int = LONGEST_TEXT) -> str | None:
        """Return free text on one line, or None."""
        value = self._get(key)
        if value is None:
            return None
        if not isinstance(value, str):
            self.wrong(f"{key} is {shown(value)}, not text", "put it between quotes", key)
            return None
        if len(value) > longest or not value.strip() or not value.isprintable():
            fault = "is empty" if not value.strip() else f"is over {longest} characters"
            if len(value) <= longest and value.strip():
                fault = "holds a tab, a line's end or a control sign"
            self.wrong(f"{key} = {shown(value)} {fault}", "write some words on one line", key)
            return None
        return value.strip()

    def choice(self, key: str, choices: Sequence[str], default: str | None = None) -> str | None:
        """Return one of `choices`, or the default when the key is absent or "unknown"."""
        value = self._get(key, keep_unknown=UNKNOWN in choices)
        if value is None:
            return default
        if isinstance(value, str) and value in choices:
            return value
        cure = offer(value, choices, key) if isinstance(value, str) else "put it between quotes"
        self.wrong(f"{key} = {shown(value)} is not known here", cure, key)
        return default

    def flag(self, key: str, default: bool | None = None) -> bool | None:
        """Return true or false, or the default when the key is absent or "unknown"."""
        value = self._get(key)
        if value is None or isinstance(value, bool):
            return default if value is None else value
        self.wrong(
            f"{key} is {shown(value)}, not true or false", 'write true, false or "unknown"', key
        )
        return default

    def count(self, key: str, low: int, high: int, default: int | None = None) -> int | None:
        """Return a whole number from `low` to `high`, or the default."""
        value = self._get(key)
        if value is None:
            return default
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        self.wrong(f"{key} is {shown(value)}, not a whole number from {low} to {high}", "", key)
        return default

    def number(self, key: str, low: float, high: float) -> float | None:
        """Return a finite number from `low` to `high`, or None when the key is absent."""
        value = self._get(key)
        if value is None:
            return None
        if is_number(value) and low <= value <= high:
            return float(value)
        self.wrong(f"{key} is {shown(value)}, not a number from {low:g} to {high:g}", "", key)
        return None

    def length(self, key: str, low: float, high: float) -> float | None:
        """Return a length in metres from `low` to `high`, or None when absent or "unknown"."""
        metres = self._quantity(key, parse_length)
        if metres is None or low <= metres <= high:
            return metres
        self.wrong(
            f"{key} = {shown(self.values[key])} is not between {_bound(low)} and {_bound(high)}",
            "check the unit and the point",
            key,
        )
        return None

    def angle(self, key: str, low_deg: float, high_deg: float) -> float | None:
        """Return an angle in radians, or None when absent or "unknown"."""
        radians = self._quantity(key, parse_angle)
        if radians is None or low_deg <= math.degrees(radians) <= high_deg:
            return radians
        self.wrong(
            f"{key} = {shown(self.values[key])} is not between {low_deg:g} and {high_deg:g} deg",
            "check the unit and the point",
            key,
        )
        return None

    def temperature(self, key: str) -> float | None:
        """Return a temperature in kelvin that a person could work in, or None."""
        kelvin = self._quantity(key, parse_temperature)
        if kelvin is None or 213.15 <= kelvin <= 333.15:  # -60 to 60 C
            return kelvin
        self.wrong(
            f"{key} = {shown(self.values[key])} is not between -76 F (-60 C) and 140 F (60 C)",
            "check the scale",
            key,
        )
        return None

    def table(self, key: str, noun: str) -> Table | None:
        """Return the table under a key, or None."""
        value = self._get(key)
        if value is None:
            return None
        if isinstance(value, dict):
            return Table(value, noun, lambda keys: self.locate((key, *keys)), self.problems)
        self.wrong(f"{key} is {shown(value)}, not a table", f"write {key} = {{ ... }}", key)
        return None

    def _get(self, key: str, keep_unknown: bool = False) -> Any:
        """Return the value of a key; None when absent or "unknown"."""
        self.asked.add(key)
        value = self.values.get(key)
        if isinstance(value, str) and value.strip().lower() == UNKNOWN and not keep_unknown:
            return None
        return value

    def _is_name(self, value: object, key: str) -> bool:
        reason = name_fault(value)
        if reason:
            self.wrong(f"{key} of {self.noun} {reason}", "use a short word", key)
        return not reason

    def _quantity(self, key: str, parse: Callable[..., Quantity]) -> Quantity | None:
        value = self._get(key)
        if value is None:
            return None
        if is_number(value):
            value = f"{value}"
        if not isinstance(value, str):
            self.wrong(f"{key} is {shown(value)}", 'write it as text with its unit, "1/2 in"', key)
            return None
        try:
            return parse(value, where=self.where(key))
        except InputError as error:
            self.wrong(f"{key} = {error.what}", error.cure, key)
            return None


def _bound(metres: float) -> str:
    """Write a bound roundly: millimetres when small, else whole inches."""
    if abs(metres) < 2 * INCH:
        return f"{metres * 1000:g} mm"
    return format_feet_inches(metres, Fraction(1))


def default_of(kind: type[Any], name: str) -> float:
    """Return the default of a dataclass field that holds a number."""
    default = next(one.default for one in fields(kind) if one.name == name)
    assert isinstance(default, float), name
    return default


def value_or(value: float | None, default: float) -> float:
    """Return `value`, or the default where it is None."""
    return default if value is None else value


def is_number(value: object) -> bool:
    """Whether a parsed value is a finite number (and neither true nor false)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) if isinstance(value, float) else abs(value) < 10**15


def name_fault(value: object) -> str:
    """Return why a value can't be a name, or ""."""
    if not isinstance(value, str):
        return f"is {shown(value)}, not a name between quotes"
    if not value.strip() or value != value.strip():
        return f"is {shown(value)}, which is empty or has spaces around it"
    if len(value) > LONGEST_NAME or not value.isprintable():
        return f"is {shown(value)}, over {LONGEST_NAME} characters or with control signs"
    return ""
