"""Reading JSON as RFC 8259 has it, with bounds."""

from __future__ import annotations

import json
from typing import Any

from survey.errors import InputError
from survey.visit.problems import shown

DEEPEST = 32  # nested brackets


def parse_strict_json(text: str, name: str) -> Any:
    """Parse JSON as RFC 8259 has it: no NaN or Infinity, no key twice, nesting bounded.

    Raises
    ------
    InputError
        With the line, or the key that stands twice.
    """
    if not text.strip():
        raise InputError("the file is empty", where=name, cure="put the whole file there again")
    _check_depth(text, name)

    def refuse_constant(word: str) -> None:
        raise InputError(f"{word} is no JSON number", where=name, cure="write a plain number")

    def refuse_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key, value in pairs:
            if key in found:
                raise InputError(f"key {shown(key)} stands twice", where=name, cure="keep one")
            found[key] = value
        return found

    try:
        return json.loads(text, parse_constant=refuse_constant, object_pairs_hook=refuse_twice)
    except json.JSONDecodeError as error:
        raise InputError(
            f"not valid JSON ({error.msg[:1].lower()}{error.msg[1:]}, column {error.colno})",
            where=f"{name} line {error.lineno}",
            cure="look for a missing comma, quote or bracket before that place",
        ) from error
    except (RecursionError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            "it holds a number of too many digits", where=name, cure="write plain numbers"
        ) from error


def _check_depth(text: str, name: str) -> None:
    """Refuse brackets nested deeper than `DEEPEST`, before the parser recurses into them."""
    depth = 0
    in_string = escaped = False
    for character in text:
        if in_string:
            if escaped:
                escaped = False
            elif character == "\\":
                escaped = True
            elif character == '"':
                in_string = False
        elif character == '"':
            in_string = True
        elif character in "[{":
            depth += 1
            if depth > DEEPEST:
                raise InputError(
                    f"brackets are nested deeper than {DEEPEST}",
                    where=name,
                    cure="compare it with the docs",
                )
        elif character in "]}":
            depth -= 1
