"""Changing single tables of visit.toml while a person's comments, order and spelling stay.

Keys of a table that is there are set by the style-preserving parser. Tables are added and taken
away as whole lines of text, for that parser counts the comments below a table as part of it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit

from survey.errors import InputError
from survey.visit import edit_visit_text
from survey.visit.toml_text import TomlText, parse_toml
from survey.visit.visit_file import VISIT_FILE
from survey.web.texts import BOM, without_mark

TABLES = ("plane", "edge", "target", "outlet", "penetration", "setup", "benchmark")
AT_TOP = ("name", "date", "place", "by", "units", "building", "work", "covering", "plies", "notes")
Values = Mapping[str, Any]  # a table's keys; None takes a key away
_LINES = re.compile(r"[^\n]*\n|[^\n]+$")


def put_table(text: str, folder: Path, kind: str, values: Values) -> str:
    """Set keys of the table with this name (edges: between these ends), or add the table.

    Raises
    ------
    InputError
        If the text, or what becomes of it, is no sound visit.toml.
    """
    assert kind in TABLES, kind
    index = find_table(parse_toml(without_mark(text), VISIT_FILE).values, kind, values)
    if index is None:
        return _add(text, kind, {key: value for key, value in values.items() if value is not None})

    def edit(document: tomlkit.TOMLDocument) -> None:
        tables: Any = document[kind]
        # the order of an edge's ends stays as it was written
        _set(tables[index], {key: value for key, value in values.items() if key != "between"})

    return _with_style(text, folder, edit)


def remove_table(text: str, kind: str, values: Values) -> str:
    """Take a table away; comments below and above it stay.

    Raises
    ------
    InputError
        If it is not there.
    """
    source = parse_toml(without_mark(text), VISIT_FILE)
    index = find_table(source.values, kind, values)
    if index is None:
        raise InputError(
            f"there is no {kind} {name_of(kind, values)}",
            where=VISIT_FILE,
            cure="load the page again",
        )
    lines = _LINES.findall(text)
    first, last = _region(source, lines, kind, index)
    if last < len(lines) and not lines[last].strip() and first > 0:
        last += 1  # and the blank line that set it off
    return "".join(lines[:first] + lines[last:])


def put_at_top(text: str, folder: Path, values: Values) -> str:
    """Set keys at the top of the file, before its tables."""

    def edit(document: tomlkit.TOMLDocument) -> None:
        _set(document, values)

    return _with_style(text, folder, edit)


def put_conditions(text: str, folder: Path, values: Values) -> str:
    """Set keys of ``[conditions]``."""

    def edit(document: tomlkit.TOMLDocument) -> None:
        if "conditions" not in document:
            document["conditions"] = tomlkit.table()
        _set(document["conditions"], values)

    return _with_style(text, folder, edit)


def find_table(document: Mapping[str, Any], kind: str, values: Values) -> int | None:
    """Return the place of the table that these values speak of in the list of its kind."""
    tables = document.get(kind)
    wanted = name_of(kind, values)
    for index, table in enumerate(tables if isinstance(tables, list) else ()):
        if isinstance(table, dict) and _is_meant(kind, table, values, wanted):
            return index
    return None


def name_of(kind: str, values: Values) -> str:
    """Return the name of a table; an edge without one is called after its ends."""
    ends = values.get("between") or ()
    if kind == "edge" and not values.get("name") and isinstance(ends, Sequence):
        return "-".join(map(str, ends))
    return str(values.get("name", ""))


def _is_meant(kind: str, table: Values, values: Values, wanted: str) -> bool:
    """Whether a table is the one meant: by its name, an edge by its two ends whatever the order."""
    if kind == "edge" and "between" in values:
        ends = table.get("between") or ()
        return set(map(str, ends)) == set(map(str, values["between"]))
    return name_of(kind, table) == wanted


def _set(table: Any, values: Values) -> None:
    for key, value in values.items():
        if value is None:
            table.pop(key, None)
        elif key not in table or table[key] != value:
            table[key] = value


def _with_style(text: str, folder: Path, edit: Any) -> str:
    """Edit through the style-preserving parser; a leading byte order mark stays."""
    mark = BOM if text.startswith(BOM) else ""
    return mark + edit_visit_text(without_mark(text), folder, edit)


def _add(text: str, kind: str, values: Values) -> str:
    """Write a new table below the last one of its kind, or at the end."""
    body = tomlkit.dumps({key: _inline(value) for key, value in values.items()})
    ending = "\r\n" if "\r\n" in text else "\n"
    table = f"[[{kind}]]\n{body}".replace("\n", ending)
    source = parse_toml(without_mark(text), VISIT_FILE)
    lines = _LINES.findall(text)
    count = len(source.values.get(kind, ()))
    last = _region(source, lines, kind, count - 1)[1] if count else len(lines)
    above, below = "".join(lines[:last]), "".join(lines[last:])
    gap = "" if above.endswith(("\n", "\r")) or not above else ending
    return f"{above}{gap}{ending}{table}{below}"


def _inline(value: Any) -> Any:
    if not isinstance(value, Mapping):
        return value
    table = tomlkit.inline_table()
    table.update({key: one for key, one in value.items() if one is not None})
    return table


def _region(source: TomlText, lines: Sequence[str], kind: str, index: int) -> tuple[int, int]:
    """Return the lines of one table, from its header to its last key, counted from zero.

    Comments and blank lines between it and the next header are not its own.
    """
    header = source.lines[(kind, index)]
    others = [
        line for path, line in source.lines.items() if line > header and path[:2] != (kind, index)
    ]
    last = min(others, default=len(lines) + 1) - 1
    while last > header and (not lines[last - 1].strip() or lines[last - 1].lstrip()[0] == "#"):
        last -= 1
    return header - 1, last
