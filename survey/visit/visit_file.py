"""visit.toml: reading it into a visit that has no marks, readings and photos yet."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from survey.errors import InputError, Problem
from survey.visit.boards import target_from
from survey.visit.files import read_text
from survey.visit.model import COVERING_FAMILIES, Conditions, Visit
from survey.visit.problems import shown
from survey.visit.specs import (
    MOST_PLIES,
    benchmark_from,
    calibration_from,
    conditions_from,
    edge_from,
    outlet_from,
    penetration_from,
    plane_from,
    setup_from,
    step_from,
    string_from,
)
from survey.visit.tables import Table
from survey.visit.toml_text import TomlText, parse_toml

VISIT_FILE = "visit.toml"
VISIT_FORMAT = 1
LARGEST_VISIT = 1_000_000  # bytes
MOST_TABLES = 2000  # of one kind
Value = TypeVar("Value")


def read_visit_file(folder: Path, problems: list[Problem]) -> tuple[Visit, TomlText]:
    """Read visit.toml; what is wrong inside is added to `problems`.

    Raises
    ------
    InputError
        If it is missing, empty, too large, no UTF-8 or no TOML, so that nothing in it can be read.
    StorageError
        If the system can't read it.
    """
    path = folder / VISIT_FILE
    if not path.exists():
        raise InputError(
            f"there is no {VISIT_FILE} in {folder}",
            where=VISIT_FILE,
            cure="name a visit folder, or make one with: survey begin FOLDER",
        )
    return parse_visit(read_text(path, LARGEST_VISIT), folder, problems)


def parse_visit(text: str, folder: Path, problems: list[Problem]) -> tuple[Visit, TomlText]:
    """Turn the text of a visit.toml into a visit; `folder` is only noted in it."""
    if not text.strip():
        raise InputError(
            "the file is empty",
            where=VISIT_FILE,
            cure="begin a fresh one with: survey begin FOLDER",
        )
    source = parse_toml(text, VISIT_FILE)
    top = Table(source.values, "the file", source.where, problems)
    _check_format(top)
    conditions = top.table("conditions", "[conditions]")

    def each(key: str, make: Callable[[Table], Value]) -> tuple[Value, ...]:
        return tuple(make(table) for table in _tables(top, key, source))

    visit = Visit(
        folder=folder,
        name=top.name(),
        date=_date(top),
        place=top.text("place"),
        by=top.text("by"),
        units=top.choice("units", ("us", "metric"), "us") or "us",
        building=top.choice("building", ("dwelling", "other"), "dwelling") or "dwelling",
        work=top.choice("work", ("new", "replacement", "re-cover", "inspection"), "inspection")
        or "inspection",
        covering=top.choice("covering", COVERING_FAMILIES),
        plies=top.count("plies", 1, MOST_PLIES),
        conditions=conditions_from(conditions) if conditions else Conditions(),
        targets=each("target", target_from),
        planes=each("plane", plane_from),
        edges=each("edge", edge_from),
        outlets=each("outlet", outlet_from),
        penetrations=each("penetration", penetration_from),
        benchmarks=each("benchmark", benchmark_from),
        setups=each("setup", setup_from),
        calibrations=each("calibration", calibration_from),
        marks=(),
        readings=(),
        steps=each("step", step_from),
        strings=each("string", string_from),
        photo_paths=(),
        notes=_notes(top),
    )
    top.finish()
    return visit, source


def _check_format(top: Table) -> None:
    """Accept this format version, refuse a newer one by name."""
    version = top.count("format", 1, 10**6, VISIT_FORMAT)
    if version is not None and version > VISIT_FORMAT:
        raise InputError(
            f"format = {version} is newer than this program reads ({VISIT_FORMAT})",
            where=top.where("format"),
            cure="update the program",
        )


def _tables(top: Table, key: str, source: TomlText) -> list[Table]:
    """Return the tables of one kind, ``[[key]]``."""
    top.asked.add(key)
    value: Any = top.values.get(key)
    if value is None:
        return []
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        what = "a single table" if isinstance(value, dict) else shown(value)
        top.wrong(
            f"{key} is {what}, not a list of tables",
            f"write [[{key}]] with two brackets above each {key}",
            key,
        )
        return []
    if len(value) > MOST_TABLES:
        top.wrong(f"there are {len(value)} [[{key}]] tables, over {MOST_TABLES}", "", key)
        return []

    def locator(index: int) -> Callable[[tuple[str, ...]], str]:
        return lambda keys: source.where((key, index, *keys))

    return [
        Table(item, f"[[{key}]]", locator(index), top.problems) for index, item in enumerate(value)
    ]


def _date(top: Table) -> str | None:
    """Return the date as ISO text; TOML's own date or text like 2026-05-04."""
    top.asked.add("date")
    value = top.values.get("date")
    if value is None or value == "unknown":
        return None
    if isinstance(value, datetime.datetime | datetime.date):
        return value.isoformat()
    try:
        return datetime.date.fromisoformat(value if isinstance(value, str) else "").isoformat()
    except ValueError:
        top.wrong(f"date is {shown(value)}, not a date", "write it like 2026-05-04", "date")
        return None


def _notes(top: Table) -> tuple[str, ...]:
    """Return the notes: text, or a list of texts."""
    top.asked.add("notes")
    value = top.values.get("notes", [])
    items = [value] if isinstance(value, str) else value
    if not isinstance(items, list) or not all(isinstance(item, str) for item in items):
        top.wrong(f"notes is {shown(value)}", 'write notes = ["one note", "another"]', "notes")
        return ()
    if len(items) > 200 or any(len(item) > 2000 for item in items):
        top.wrong("notes are over 200, or one is over 2000 characters", "shorten them", "notes")
        return ()
    return tuple(items)
