"""Reading JSON as RFC 8259 has it, with bounds."""

from __future__ import annotations

import json
import math
import re
from typing import Any

from survey.errors import InputError, Problem
from survey.visit.problems import shown

DEEPEST = 32  # nested brackets; our own formats use 9 at most
LONGEST_NUMBER = 40  # characters
# A text that never ends runs to the end of the file, so that each sign is looked at once.
_SIGNS = re.compile(r'"(?:[^"\\]|\\[\s\S]?)*+"?|[\[{]|[\]}]')


def parse_strict_json(text: str, name: str, *, cure: str = "") -> Any:
    """Parse JSON: no NaN or Infinity, no number out of range, no key twice, nesting bounded.

    Parameters
    ----------
    text : str
    name : str
        Name of the file, for the places.
    cure : str, optional
        What to do about a file that a program wrote; without it, what to mend by hand.

    Raises
    ------
    InputError
        With the line, or all the keys that stand twice.
    """
    if not text.strip():
        raise InputError(
            "the file is empty", where=name, cure=cure or "put the whole file there again"
        )
    _check_depth(text, name, cure)
    repeated: dict[str, None] = {}

    def table(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):
            keys = [key for key, _ in pairs]
            repeated.update(dict.fromkeys(key for key in keys if keys.count(key) > 1))
        return found

    try:
        document = json.loads(
            text,
            object_pairs_hook=table,
            parse_constant=_refuse_constant,
            parse_float=_finite,
            parse_int=_whole,
        )
    except json.JSONDecodeError as error:
        raise InputError(
            f"not valid JSON ({error.msg[:1].lower()}{error.msg[1:]}, column {error.colno})",
            where=f"{name} line {error.lineno}",
            cure=cure or "look for a missing comma, quote or bracket before that place",
        ) from error
    except _OddNumber as odd:
        raise InputError(
            f"{_named(odd.token)} {odd.fault}",
            where=f"{name} line {_line_of(odd.token, text)}",
            cure=cure or "write a plain number",
        ) from odd
    if repeated:
        raise InputError.of(
            [Problem(f"key {shown(key)} stands twice", name, "keep one") for key in repeated]
        )
    return document


def _check_depth(text: str, name: str, cure: str) -> None:
    """Refuse brackets nested deeper than `DEEPEST`, before the parser recurses into them."""
    level = deepest = 0
    for sign in _SIGNS.finditer(text):
        first = sign[0][0]
        if first in "[{":
            level += 1
            deepest = max(deepest, level)
        elif first in "]}":
            level -= 1
    if deepest > DEEPEST:
        raise InputError(
            f"brackets are nested {deepest} deep, over {DEEPEST}",
            where=name,
            cure=cure or "compare it with the docs",
        )


class _OddNumber(ValueError):
    """A number that JSON or a float does not have."""

    def __init__(self, token: str, fault: str) -> None:
        super().__init__(token)
        self.token, self.fault = token, fault


def _refuse_constant(word: str) -> Any:
    raise _OddNumber(word, "is no JSON number")


def _finite(text: str) -> float:
    value = float(text)
    if len(text) > LONGEST_NUMBER or not math.isfinite(value):
        raise _OddNumber(text, "is out of range")
    return value


def _whole(text: str) -> int:
    if len(text) > LONGEST_NUMBER:
        raise _OddNumber(text, "has too many digits")
    return int(text)


def _named(token: str) -> str:
    shown = token if len(token) <= LONGEST_NUMBER else f"{token[:LONGEST_NUMBER]}..."
    return f"the number {shown}" if any(sign.isdigit() for sign in token) else token


def _line_of(token: str, text: str) -> int:
    """Return the line on which a number first stands outside of a word or text in quotes."""
    found = re.search(rf'(?<![\w".+-]){re.escape(token)}', text)
    return text.count("\n", 0, found.start() if found else 0) + 1
