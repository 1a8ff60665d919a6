"""A visit as the page shows it: JSON-ready values, and what changed between two of them."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from typing import Any

from survey.photo import Photo
from survey.visit.marks_file import format_marks
from survey.visit.model import ForeignBoard, SheetBoard, TargetSpec, Visit
from survey.visit.readings_file import CSV_FILE, WORKBOOK_FILE
from survey.visit.toml_text import parse_toml
from survey.visit.visit_file import VISIT_FILE
from survey.web.levels_told import tell_levels
from survey.web.naming import next_point, point_names
from survey.web.plane_actions import edge_key
from survey.web.readings_text import read_rows
from survey.web.settings import TILE_PX
from survey.web.tables_text import AT_TOP, TABLES
from survey.web.texts import Texts, without_mark
from survey.web.tiles import level_sizes

Json = dict[str, Any]


def describe_visit(visit: Visit, texts: Texts, guessed: Collection[str]) -> Json:
    """Return everything of a visit but its photos, as docs/page.md lists it."""
    written = _written(texts[VISIT_FILE] or "")
    points = point_names(visit)
    return {
        "name": visit.name,
        "units": visit.units,
        "visit": written["visit"],
        "conditions": written["conditions"],
        "points": list(points),
        "next_point": next_point(points),
        "planes": [
            {
                "name": plane.name, "kind": plane.kind.value, "outline": list(plane.outline),
                "points": list(plane.points), "covering": plane.covering or visit.covering,
                "written": written["plane"][index],
            }
            for index, plane in enumerate(visit.planes)
        ],
        "edges": [
            {
                "name": edge.name, "start": edge.start, "end": edge.end, "kind": edge.kind.value,
                "meets": edge.meets, "drains": edge.drains, "dam_height_m": edge.dam_height,
                "level": edge.level, "plumb": edge.plumb, "offset_m": edge.offset,
                "offset_sd_m": edge.offset_sd, "offset_from": edge.offset_from,
                "marked_as": edge.marked_as,
                "guessed": edge_key(edge.start, edge.end) in guessed,
                "written": written["edge"][index],
            }
            for index, edge in enumerate(visit.edges)
        ],
        "targets": [
            {
                "name": target.name, "board": _board(target), "plane": target.plane,
                "plumb": target.plumb, "level": target.level, "flat": target.flat,
                "across_m": target.across, "down_m": target.down,
                "thickness_m": target.thickness, "written": written["target"][index],
            }
            for index, target in enumerate(visit.targets)
        ],
        "outlets": [
            {"name": outlet.name, "kind": outlet.kind.value, "plane": outlet.plane,
             "at": outlet.at, "edge": outlet.edge, "along_m": outlet.along, "up_m": outlet.up,
             "invert_m": outlet.invert, "width_m": outlet.width,
             "written": written["outlet"][index]}
            for index, outlet in enumerate(visit.outlets)
        ],
        "penetrations": [
            {"name": one.name, "kind": one.kind, "plane": one.plane, "outline": list(one.outline),
             "at": one.at, "along_m": one.along, "up_m": one.up, "width_m": one.width,
             "length_m": one.length, "height_m": one.height, "saddle": one.saddle,
             "written": written["penetration"][index]}
            for index, one in enumerate(visit.penetrations)
        ],
        "setups": [
            {"name": setup.name, "instrument": setup.instrument, "rod_length_m": setup.rod_length,
             "written": written["setup"][index]}
            for index, setup in enumerate(visit.setups)
        ],
        "benchmarks": [
            {"name": one.name, "elevation_m": one.elevation, "sd_m": one.sd,
             "written": written["benchmark"][index]}
            for index, one in enumerate(visit.benchmarks)
        ],
        "marks": json.loads(format_marks(visit.marks))["marks"],
        "readings": read_rows(texts[CSV_FILE]),
        "levels": tell_levels(visit),
        "readings_in": CSV_FILE if not (visit.folder / WORKBOOK_FILE).exists() else WORKBOOK_FILE,
    }  # fmt: skip


def describe_photo(photo: Photo) -> Json:
    """Return what the strip shows of a photo before anybody has searched it."""
    size = photo.camera.size_px if photo.camera else (0, 0)
    return {
        "name": photo.name,
        "width": size[0],
        "height": size[1],
        "usable": photo.camera is not None,
        "why": photo.refused or "",
        "remarks": [sentence for _, sentence in photo.warnings],
        "taken_at": photo.taken_at,
        "stamp": photo.sha256[:12],
        "tile_px": TILE_PX,
        "levels": [list(one) for one in level_sizes(size)] if photo.camera else [],
    }


def find_patch(old: Mapping[str, Any], new: Mapping[str, Any]) -> Json:
    """Return the parts that differ; of marks, those put and the ids of those removed."""
    patch = {key: new[key] for key in new if key != "marks" and new[key] != old.get(key)}
    before = {mark["id"]: mark for mark in old["marks"]}
    after = {mark["id"]: mark for mark in new["marks"]}
    put = [mark for ident, mark in after.items() if before.get(ident) != mark]
    removed = [ident for ident in before if ident not in after]
    if put:
        patch["marks_put"] = put
    if removed:
        patch["marks_removed"] = removed
    return patch


def _written(text: str) -> dict[str, Any]:
    """Return the values of visit.toml as a person wrote them."""
    values = parse_toml(without_mark(text), VISIT_FILE).values
    tables: dict[str, Any] = {key: _plain(values.get(key, [])) for key in TABLES}
    tables["visit"] = {key: _plain(values[key]) for key in AT_TOP if key in values}
    tables["conditions"] = _plain(values.get("conditions", {}))
    return tables


def _plain(value: Any) -> Any:
    """Return a value of TOML as one of JSON; a date becomes its text."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return value if isinstance(value, str | int | float | bool) else value.isoformat()


def _board(target: TargetSpec) -> Json:
    match target.board:
        case SheetBoard(code):
            return {"sheet": code}
        case ForeignBoard() as board:
            return {"kind": board.kind, "dictionary": board.dictionary, "first_id": board.first_id}
