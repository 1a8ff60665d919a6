"""Drawing planes from marked corners, with what their sides probably are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from survey.errors import InputError
from survey.visit.model import PlaneKind, Visit
from survey.web.guesses import (
    guess_kinds,
    is_clockwise,
    outline_in_photo,
    shared_sides,
    sides,
    turned,
)
from survey.web.journal import Thing
from survey.web.naming import next_name
from survey.web.tables_text import put_table, remove_table

Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class PlaneStep:
    """What an action makes of visit.toml; `forgotten` are corners that it no longer names."""

    text: str
    label: str
    touches: tuple[Thing, ...]
    applied: tuple[Any, ...]
    forgotten: tuple[str, ...] = ()


def put(text: str, visit: Visit, folder: Path, wanted: Values, *, guess: bool) -> PlaneStep:
    """Put a plane: a new one, or keys of the one with its name.

    A new plane without a name is called "roof 1", "wall 1" and so on. With `guess`, an outline
    that runs clockwise in the photo is turned round, and each side that no other plane has gets an
    [[edge]] with its probable kind.
    """
    values = dict(wanted)
    old = next((plane for plane in visit.planes if plane.name == values.get("name")), None)
    kind = PlaneKind.WALL if _kind_of(values, old) == "wall" else PlaneKind.ROOF
    if not values.get("name"):
        taken = [plane.name for plane in visit.planes]
        values = {"name": next_name(f"{kind.value} ", taken), **values}
    outline = tuple(values.get("outline") or (old.outline if old else ()))
    corners = outline_in_photo(visit, outline) if len(outline) > 2 else None
    if guess and corners and "outline" in values and is_clockwise(corners):
        outline = turned(outline)
        corners = [corners[0], *corners[:0:-1]]
        values["outline"] = list(outline)
    name = values["name"]
    text = put_table(text, folder, "plane", values)
    touches: list[Thing] = [("plane", f"{name}/{key}") for key in values if key != "name"]
    applied: list[Any] = [{"plane": values}]
    if old is not None and outline != old.outline:
        text, gone = _drop_edges(text, visit, name, outline)
        touches += [("edge", f"{edge_key(*ends)}/*") for ends in gone]
        applied += [{"removed edge": "-".join(ends)} for ends in gone]
    if guess and corners and "outline" in values:
        kinds = guess_kinds(kind, corners)
        known = shared_sides(visit, name) | {frozenset((e.start, e.end)) for e in visit.edges}
        for side, probable in zip(sides(outline), kinds, strict=True):
            if frozenset(side) in known or probable.value == "unknown":
                continue
            edge = {"between": list(side), "kind": probable.value}
            text = put_table(text, folder, "edge", edge)
            touches.append(("edge guess", edge_key(*side)))
            applied.append({"edge": {**edge, "name": "-".join(side), "guessed": True}})
    return PlaneStep(text, f"plane {name}", tuple(touches), tuple(applied))


def remove(text: str, visit: Visit, name: str) -> PlaneStep:
    """Remove a plane with the edges that no other plane has."""
    plane = next((one for one in visit.planes if one.name == name), None)
    if plane is None:
        raise InputError(
            f"there is no plane {name}", where="visit.toml", cure="load the page again"
        )
    text, gone = _drop_edges(text, visit, name, ())
    text = remove_table(text, "plane", {"name": name})
    edges = tuple(("edge", f"{edge_key(*ends)}/*") for ends in gone)
    touches: tuple[Thing, ...] = (("plane", f"{name}/*"), *edges)
    return PlaneStep(
        text, f"remove plane {name}", touches, ({"removed": name},), (*plane.outline, *plane.points)
    )


def edge_key(start: str, end: str) -> str:
    """Return what an edge is called in the journal, whichever end is named first."""
    return "-".join(sorted((start, end)))


def with_ends(visit: Visit, values: Values) -> dict[str, Any]:
    """Return an edge's keys with its ends as they stand in the file; its name may stand for them.

    Raises
    ------
    InputError
        If there is no such edge.
    """
    if values.get("between"):
        ends = values["between"]
        if not isinstance(ends, list) or len(ends) != 2:
            raise InputError("an edge runs between two points", where="between", cure="name both")
        for edge in visit.edges:
            if {edge.start, edge.end} == set(ends):
                return {**values, "between": [edge.start, edge.end]}
        return dict(values)
    for edge in visit.edges:
        if edge.name == values.get("name"):
            return {"between": [edge.start, edge.end], **values}
    for plane in visit.planes:
        for side in sides(plane.outline):
            if values.get("name") in ("-".join(side), "-".join(side[::-1])):
                rest = {key: value for key, value in values.items() if key != "name"}
                return {"between": list(side), **rest}
    raise InputError(
        f"there is no edge {str(values.get('name'))[:60]}", where="edge", cure="name its two ends"
    )


def _kind_of(values: Values, old: Any) -> str:
    return str(values.get("kind") or (old.kind.value if old else "roof"))


def _drop_edges(
    text: str, visit: Visit, name: str, outline: tuple[str, ...]
) -> tuple[str, list[tuple[str, str]]]:
    """Remove the edges that are no side of any plane once this one has another outline."""
    left = shared_sides(visit, name)
    if outline:
        left |= {frozenset(side) for side in sides(outline)}
    gone = []
    for edge in visit.edges:
        if frozenset((edge.start, edge.end)) not in left:
            text = remove_table(text, "edge", {"between": [edge.start, edge.end]})
            gone.append((edge.start, edge.end))
    return text, gone
