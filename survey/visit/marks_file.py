"""marks.json: points, edges, plumb and level lines and outlines pointed at in photos."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from survey.errors import InputError, Problem
from survey.storage import write_atomically
from survey.visit.files import read_text
from survey.visit.json_text import parse_strict_json
from survey.visit.model import (
    OUTLINE_PURPOSES,
    EdgeMark,
    GravityMark,
    Mark,
    OutlineMark,
    PointMark,
)
from survey.visit.problems import offer, shown
from survey.visit.tables import Table, default_of, is_number, name_fault

MARKS_FILE = "marks.json"
MARKS_FORMAT = 1
LARGEST_MARKS = 5_000_000  # bytes
MOST_MARKS = 50_000
MOST_VERTICES = 2000
LARGEST_PX = 100_000.0
KINDS = ("point", "edge", "gravity", "outline")

Px = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Marks:
    """What marks.json holds: the marks, and names of points that it declares itself."""

    marks: tuple[Mark, ...] = ()
    points: tuple[str, ...] = ()


def read_marks(folder: Path, problems: list[Problem]) -> Marks:
    """Read marks.json of a visit folder; no file means no marks.

    What is wrong inside is added to `problems`; a file that can't be read at all raises
    `InputError`, or `StorageError` when the system fails.
    """
    path = folder / MARKS_FILE
    if not path.exists():
        return Marks()
    return parse_marks(read_text(path, LARGEST_MARKS), problems)


def parse_marks(text: str, problems: list[Problem]) -> Marks:
    """Turn the text of marks.json into marks."""
    document = parse_strict_json(text, MARKS_FILE)
    if not isinstance(document, dict):
        raise InputError(
            f"the file holds {shown(document)}, not an object",
            where=MARKS_FILE,
            cure='write {"format": 1, "marks": [...]}',
        )
    top = Table(document, "the file", lambda keys: " ".join((MARKS_FILE, *keys)), problems)
    version = top.count("format", 1, 10**6, MARKS_FORMAT)
    if version is not None and version > MARKS_FORMAT:
        raise InputError(
            f"format {version} is newer than this program reads ({MARKS_FORMAT})",
            where=f"{MARKS_FILE} format",
            cure="update the program",
        )
    points = top.names("points", most=MOST_MARKS)
    top.asked.add("marks")
    top.finish()
    items = document.get("marks", [])
    if not isinstance(items, list) or len(items) > MOST_MARKS:
        top.wrong(f"marks is {shown(items)} or over {MOST_MARKS} long", "write a list", "marks")
        return Marks((), points)
    marks = [_mark(item, index, problems) for index, item in enumerate(items)]
    return Marks(tuple(mark for mark in marks if mark is not None), points)


def place_of(mark: Mark | None, index: int) -> str:
    """Name a mark's place: its number counted from one, and its id."""
    return f"{MARKS_FILE} mark {index + 1}" + (f" ({mark.id})" if mark and mark.id else "")


def _mark(item: object, index: int, problems: list[Problem]) -> Mark | None:
    """Turn one entry into a mark; None when it can't be one."""
    if not isinstance(item, dict):
        problems.append(
            Problem(f"it is {shown(item)}, not an object", place_of(None, index), "see the example")
        )
        return None
    name = item.get("id")
    called = f" ({name})" if isinstance(name, str) and not name_fault(name) else ""
    place = f"{MARKS_FILE} mark {index + 1}{called}"
    table = Table(item, "mark", lambda keys: ", ".join((place, *keys)), problems)
    before = len(problems)
    kind = table.choice("kind", KINDS)
    if kind is None:
        if "kind" not in item:
            table.wrong("it has no kind", f'add "kind": one of {", ".join(KINDS)}')
        return None
    mark = {"point": _point, "edge": _edge, "gravity": _gravity, "outline": _outline}[kind](table)
    table.finish()
    return mark if len(problems) == before else None


def _point(table: Table) -> Mark:
    (px,) = _vertices(table, 1, 1)
    return PointMark(
        id=table.name("id"),
        photo=table.name("photo"),
        point=table.name("point"),
        px=px,
        sd_px=_sd_px(table, default_of(PointMark, "sd_px")),
    )


def _edge(table: Table) -> Mark:
    start, end = _vertices(table, 2, 2)
    mark = EdgeMark(
        id=table.name("id"),
        photo=table.name("photo"),
        start=table.name("start"),
        end=table.name("end"),
        px=(start, end),
        sd_px=_sd_px(table, default_of(EdgeMark, "sd_px")),
    )
    if mark.start and mark.start == mark.end:
        table.wrong(f"start and end are both {mark.start}", "name the edge's two ends", "end")
    return mark


def _gravity(table: Table) -> Mark:
    start, end = _vertices(table, 2, 2)
    departure = table.number("departure_sd", 0.0, 0.1)
    direction = table.choice("direction", ("plumb", "level"))
    if direction is None and "direction" not in table.values:
        table.wrong("it has no direction", 'add "direction": "plumb" or "level"')
    mark = GravityMark(
        id=table.name("id"),
        photo=table.name("photo"),
        direction=direction or "plumb",
        px=(start, end),
        on=table.optional_name("on"),
        sd_px=_sd_px(table, default_of(GravityMark, "sd_px")),
        departure_sd=default_of(GravityMark, "departure_sd") if departure is None else departure,
    )
    if mark.direction == "level" and mark.on is None:
        table.wrong(
            "a level line needs what it runs along, for level alone gives no direction",
            'add "on": the name of a wall plane, a target or an edge',
        )
    return mark


def _outline(table: Table) -> Mark:
    purpose = table.choice("purpose", OUTLINE_PURPOSES)
    if purpose is None and "purpose" not in table.values:
        table.wrong("it has no purpose", f'add "purpose": one of {", ".join(OUTLINE_PURPOSES)}')
    return OutlineMark(
        id=table.name("id"),
        photo=table.name("photo"),
        name=table.name("name"),
        purpose=purpose or "damage",
        plane=table.name("plane"),
        px=_vertices(table, 3, MOST_VERTICES),
        sd_px=_sd_px(table, default_of(OutlineMark, "sd_px")),
    )


def _sd_px(table: Table, default: float) -> float:
    value = table.number("sd_px", 0.01, 500.0)
    return default if value is None else value


def _vertices(table: Table, least: int, most: int) -> tuple[Px, ...]:
    """Return `px`: one pair, or a list of pairs; zeros stand in for what can't be read."""
    table.asked.add("px")
    value: Any = table.values.get("px")
    pairs = [value] if most == 1 else value
    fallback = ((0.0, 0.0),) * least
    wanted = {1: "[x, y]", 2: "[[x, y], [x, y]]"}.get(most, "a list of three or more [x, y]")
    if not isinstance(pairs, list) or not all(_is_pair(pair) for pair in pairs):
        table.wrong(
            f"px is {shown(value)}, not {wanted} in pixels within {LARGEST_PX:g}",
            "count from the centre of the top-left pixel of the upright photo",
            "px",
        )
        return fallback
    if not least <= len(pairs) <= most:
        table.wrong(f"px has {len(pairs)} positions, not {wanted}", "", "px")
        return fallback
    if most == 2 and pairs[0] == pairs[1]:
        table.wrong("both ends of the line are the same pixel", "mark a longer stretch", "px")
    return tuple((float(x), float(y)) for x, y in pairs)


def _is_pair(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(is_number(number) and abs(number) <= LARGEST_PX for number in value)
    )


def write_marks(folder: Path, marks: Sequence[Mark], *, points: Iterable[str] = ()) -> None:
    """Write marks.json whole or not at all; equal marks give equal bytes.

    Parameters
    ----------
    folder : Path
        Visit folder.
    marks : sequence of Mark
        All marks of the visit.
    points : iterable of str
        Names of points that are marked but stand nowhere in visit.toml (yet).

    Raises
    ------
    StorageError
        If the file can't be written; the old one then still stands.
    """
    write_atomically(Path(folder) / MARKS_FILE, format_marks(marks, points=points).encode())


def format_marks(marks: Sequence[Mark], *, points: Iterable[str] = ()) -> str:
    """Write marks as JSON text, one mark a line, in the order given."""
    head = {"format": MARKS_FORMAT, "points": sorted(set(points))}
    rows = ",\n".join("    " + json.dumps(_as_object(mark), ensure_ascii=False) for mark in marks)
    listed = f"[\n{rows}\n  ]" if rows else "[]"
    return (
        f'{{\n  "format": {head["format"]},\n'
        f'  "points": {json.dumps(head["points"], ensure_ascii=False)},\n'
        f'  "marks": {listed}\n}}\n'
    )


def _as_object(mark: Mark) -> dict[str, Any]:
    match mark:
        case PointMark():
            return {
                "id": mark.id, "kind": "point", "photo": mark.photo, "point": mark.point,
                "px": list(mark.px), "sd_px": mark.sd_px,
            }  # fmt: skip
        case EdgeMark():
            return {
                "id": mark.id, "kind": "edge", "photo": mark.photo, "start": mark.start,
                "end": mark.end, "px": [list(px) for px in mark.px], "sd_px": mark.sd_px,
            }  # fmt: skip
        case GravityMark():
            along = {} if mark.on is None else {"on": mark.on}
            return {
                "id": mark.id, "kind": "gravity", "photo": mark.photo,
                "direction": mark.direction, **along, "px": [list(px) for px in mark.px],
                "sd_px": mark.sd_px, "departure_sd": mark.departure_sd,
            }  # fmt: skip
        case OutlineMark():
            return {
                "id": mark.id, "kind": "outline", "photo": mark.photo, "name": mark.name,
                "purpose": mark.purpose, "plane": mark.plane,
                "px": [list(px) for px in mark.px], "sd_px": mark.sd_px,
            }  # fmt: skip


def offer_photo(name: str, photos: Sequence[Path]) -> str:
    """Return the cure for a photo name that is not in photos/."""
    return offer(name, [path.name for path in photos], "photo in photos/")
