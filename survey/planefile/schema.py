"""The JSON Schema of plane files, and what is wrong with a document in a user's words."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from survey.errors import Problem

MOST_PROBLEMS = 50  # named of one file; more would not be read
LONGEST_QUOTE = 60  # characters of a value that is quoted back


@cache
def schema() -> Mapping[str, Any]:
    """Return the schema, as docs/plane-file.schema.json has it."""
    text = (files("survey.planefile") / "plane-file.schema.json").read_text(encoding="utf-8")
    loaded: Mapping[str, Any] = json.loads(text)
    return loaded


@cache
def _validator() -> Draft202012Validator:
    """Return the validator, with every reference written out: a third of the time of looking up."""
    return Draft202012Validator(_resolved({**schema(), "$defs": {}}))


def _resolved(part: Any) -> Any:
    """Return a part of the schema with its references replaced by what they stand for."""
    if isinstance(part, list):
        return [_resolved(inner) for inner in part]
    if not isinstance(part, dict):
        return part
    beside = {key: _resolved(inner) for key, inner in part.items() if key != "$ref"}
    if "$ref" not in part:
        return beside
    meant = _resolved(schema()["$defs"][part["$ref"].rpartition("/")[2]])
    clash = (set(meant) & set(beside)) - {"description"}
    return {"allOf": [meant], **beside} if clash else {**meant, **beside}


def find_problems(document: Any, file: str) -> list[Problem]:
    """Return everything in which a document departs from the schema or contradicts itself.

    Parameters
    ----------
    document : JSON values
    file : str
        Name of the file, for the places.

    Returns
    -------
    list of Problem
        Each with the key it is at (``porch.planes.json planes[0].pitch.half_width``); empty when
        all is well.
    """
    found = [
        _problem(inner, file)
        for error in _validator().iter_errors(document)
        for inner in _innermost(error)
    ]
    unique = sorted(dict.fromkeys(found), key=lambda problem: (problem.where, problem.what))
    if unique:
        return unique[:MOST_PROBLEMS]
    return list(_find_contradictions(document, file))[:MOST_PROBLEMS]


def _innermost(error: ValidationError) -> Iterator[ValidationError]:
    """Yield the errors that say where it is wrong: of a choice with null, those of the other."""
    branches = [inner for inner in error.context or () if inner.schema_path[0] != 0]
    if error.validator != "oneOf" or error.instance is None or not branches:
        yield error
        return
    for inner in branches:
        yield from _innermost(inner)


def _problem(error: ValidationError, file: str) -> Problem:
    where = f"{file} {_path(error.absolute_path)}".rstrip()
    cure = "measure the visit again, or mend the file by docs/plane-file.md"
    return Problem(_what(error), where, cure)


def _what(error: ValidationError) -> str:
    """Return what is wrong, in words that need no schema to be understood."""
    value = error.validator_value
    read = _quote(error.instance)
    match error.validator:
        case "required":
            missing = [key for key in value if key not in error.instance]
            return f"{_list(missing)} missing"
        case "additionalProperties":
            extra = [key for key in error.instance if key not in error.schema["properties"]]
            return f"{_list(extra)} not known"
        case "type":
            kinds = [value] if isinstance(value, str) else value
            return f"{read} is not {' or '.join(_noun(kind) for kind in kinds)}"
        case "enum":
            return f"{read} is none of {', '.join(_quote(choice) for choice in value)}"
        case "const":
            return f"{read} must be {_quote(value)}"
        case "minimum" | "exclusiveMinimum":
            least = "at least" if error.validator == "minimum" else "over"
            return f"{read} must be {least} {value}"
        case "maximum":
            return f"{read} must be at most {value}"
        case "maxItems" | "maxLength":
            return f"it is longer than {value}"
        case "minItems" | "minLength":
            return f"{read} is shorter than {value}"
        case "items":
            return f"{read} has more parts than it may"
        case "pattern":
            return f"{read} has signs that it may not have"
        case _:
            return f"{read} is not what the format asks for"


def _list(keys: Iterable[str]) -> str:
    quoted = [_quote(key) for key in keys]
    return f"{', '.join(quoted)} {'is' if len(quoted) == 1 else 'are'}"


def _noun(kind: str) -> str:
    return {
        "object": "a table",
        "array": "a list",
        "string": "text",
        "number": "a number",
        "integer": "a whole number",
        "boolean": "true or false",
        "null": "null",
    }[kind]


def _quote(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=True)
    return text if len(text) <= LONGEST_QUOTE else text[:LONGEST_QUOTE] + "..."


def _path(steps: Iterable[str | int]) -> str:
    """Return a path as people write it: ``planes[0].pitch.value``."""
    text = ""
    for step in steps:
        text += f"[{step}]" if isinstance(step, int) else f".{step}"
    return text.lstrip(".")


def _find_contradictions(document: Mapping[str, Any], file: str) -> Iterator[Problem]:
    """Yield names that occur twice or point at nothing; what a schema can't say."""
    known = {}
    for group in ("planes", "edges", "points", "photos", "observations"):
        key = "id" if group == "observations" else "name"
        names = [entry[key] for entry in document[group]]
        known[group] = set(names)
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield Problem(
                f"{_quote(name)} occurs more than once", f"{file} {group}", "give each its name"
            )
    rules = {rule["id"] for rule in document["rules"]}
    for index, plane in enumerate(document["planes"]):
        where = f"{file} planes[{index}]"
        for edge in plane["edges"]:
            if edge not in known["edges"]:
                yield Problem(f"edge {_quote(edge)} is not in the file", f"{where}.edges")
        for verdict in (plane["coverings"] or {"families": []})["families"]:
            if verdict["rule"] not in rules:
                yield Problem(
                    f"rule {_quote(verdict['rule'])} is not in the file", f"{where}.coverings"
                )
    for index, finding in enumerate(document["findings"]):
        if finding["rule"] and finding["rule"] not in rules:
            yield Problem(
                f"rule {_quote(finding['rule'])} is not in the file", f"{file} findings[{index}]"
            )
