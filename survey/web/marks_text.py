"""Changing single entries in the text of marks.json while everything else in it stays as it is."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from survey.errors import InputError, Problem
from survey.visit.marks_file import MARKS_FILE, format_marks, parse_marks

WHITE = re.compile(r"[ \t\r\n]*")
DECODER = json.JSONDecoder()


@dataclass(frozen=True, slots=True)
class Spans:
    """Where things stand in the text: (start, end) of a list's inside and of its entries."""

    inside: tuple[int, int]
    entries: tuple[tuple[int, int], ...]


def normal_mark(mark: Mapping[str, Any]) -> dict[str, Any]:
    """Return a mark with all its keys, in the order of the file, or say what is wrong with it.

    Raises
    ------
    InputError
        With every problem of the mark.
    """
    problems: list[Problem] = []
    text = json.dumps({"format": 1, "marks": [dict(mark)]})
    marks = parse_marks(text, problems).marks
    if problems or not marks:
        first = f"{MARKS_FILE} mark 1"
        raise InputError.of(
            [replace(one, where=one.where.replace(first, "mark")) for one in problems]
        )
    entry: dict[str, Any] = json.loads(format_marks(marks))["marks"][0]
    return entry


def put_mark(text: str | None, mark: Mapping[str, Any]) -> str:
    """Return marks.json with a mark added at the end, or in the place of the one with its id."""
    row = json.dumps(dict(mark), ensure_ascii=False)
    if text is None:
        text = format_marks(())
    spans = _spans(text, "marks")
    if spans is None:
        return _put_list(text, "marks", f"[\n    {row}\n  ]")
    for start, end in spans.entries:
        if json.loads(text[start:end]).get("id") == mark["id"]:
            return text[:start] + row + text[end:]
    return _append(text, spans, row, "\n    ", "\n  ")


def remove_mark(text: str | None, ident: str) -> str:
    """Return marks.json without one mark.

    Raises
    ------
    InputError
        If there is none with that id.
    """
    spans = _spans(text, "marks") if text is not None else None
    entries = spans.entries if spans else ()
    for index, (start, end) in enumerate(entries):
        assert text is not None and spans is not None
        if json.loads(text[start:end]).get("id") == ident:
            return _cut(text, spans, index)
    raise InputError(f"there is no mark {ident}", where=MARKS_FILE, cure="load the page again")


def put_points(text: str | None, names: Sequence[str]) -> str:
    """Return marks.json whose list of points is `names`."""
    if text is None:
        text = format_marks(())
    spans = _spans(text, "points")
    listed = json.dumps(list(names), ensure_ascii=False)
    if spans is None:
        return _put_list(text, "points", listed) if names else text
    start, end = spans.inside
    if [json.loads(text[first:last]) for first, last in spans.entries] == list(names):
        return text
    return text[:start] + listed[1:-1] + text[end:]


def _append(text: str, spans: Spans, row: str, before: str, last: str) -> str:
    """Add an entry to a list; it is set off from the one before as that one is from its own."""
    start, end = spans.inside
    if not spans.entries:
        return text[:start] + before + row + last + text[end:]
    last_start, last_end = spans.entries[-1]
    gap = text[start:last_start]
    if len(spans.entries) > 1:
        gap = text[spans.entries[-2][1] : last_start].replace(",", "", 1)
    return text[:last_end] + "," + gap + row + text[last_end:]


def _cut(text: str, spans: Spans, index: int) -> str:
    start, end = spans.entries[index]
    if len(spans.entries) == 1:
        return text[: spans.inside[0]] + text[spans.inside[1] :]
    if index + 1 < len(spans.entries):
        return text[:start] + text[spans.entries[index + 1][0] :]
    return text[: spans.entries[index - 1][1]] + text[end:]


def _put_list(text: str, key: str, listed: str) -> str:
    """Add a key to the outermost object."""
    opened = text.index("{")
    after = WHITE.match(text, opened + 1)
    assert after is not None
    comma = "" if text[after.end()] == "}" else ","
    return f"{text[: opened + 1]}\n  {json.dumps(key)}: {listed}{comma}{text[opened + 1 :]}"


def _spans(text: str, key: str) -> Spans | None:
    """Find a list of the outermost object; None if the object has no such key.

    The text is walked value by value with the JSON decoder, so that nothing is guessed. It has
    been read as a sound marks.json before.
    """
    document = json.loads(text.removeprefix("\ufeff"))
    if not isinstance(document, dict) or (key in document and not isinstance(document[key], list)):
        raise InputError("it does not hold a list of marks", where=MARKS_FILE, cure="mend it first")
    at = _skip(text, text.index("{") + 1)
    while text[at] == '"':
        name, at = DECODER.raw_decode(text, at)
        at = _skip(text, _skip(text, at) + 1)  # over the colon
        if name == key:
            return _list_at(text, at)
        _, at = DECODER.raw_decode(text, at)
        at = _skip(text, at)
        if text[at] == ",":
            at = _skip(text, at + 1)
    return None


def _list_at(text: str, at: int) -> Spans:
    start = at + 1
    entries = []
    at = _skip(text, start)
    while text[at] != "]":
        _, end = DECODER.raw_decode(text, at)
        entries.append((at, end))
        at = _skip(text, end)
        if text[at] == ",":
            at = _skip(text, at + 1)
    return Spans((start, at), tuple(entries))


def _skip(text: str, at: int) -> int:
    """Return the place of the next sign that is not white."""
    match = WHITE.match(text, at)
    assert match is not None
    return match.end()
