"""What a person can do on the page, as changes of the visit's three texts. Nothing is written here.

Every function takes the texts and the visit they hold and returns the texts as they are to be.
Whether the visit would still open with them is for the caller to ask, once, at the end.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from survey.errors import InputError
from survey.visit.marks_file import MARKS_FILE
from survey.visit.model import Visit
from survey.visit.readings_file import CSV_FILE, WORKBOOK_FILE
from survey.visit.visit_file import VISIT_FILE
from survey.web import mark_actions, plane_actions
from survey.web.journal import Thing
from survey.web.naming import next_name
from survey.web.readings_text import put_reading, read_rows, remove_reading
from survey.web.settings import MOST_TOGETHER
from survey.web.tables_text import (
    AT_TOP,
    name_of,
    put_at_top,
    put_conditions,
    put_table,
    remove_table,
)
from survey.web.texts import Texts, open_texts

STEMS = {"target": "T", "outlet": "outlet ", "penetration": "penetration ", "setup": "S",
         "benchmark": "BM"}  # fmt: skip
CONDITIONS = ("weather", "temperature", "wind", "last_rain")
Action = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Scene:
    """What an action may lean on besides the texts.

    Attributes
    ----------
    folder : Path
    sizes : mapping
        Width and height of each photo that can be used, upright.
    last_mark : int
        The highest number that any mark ever had, so that no id is used twice.
    """

    folder: Path
    sizes: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    last_mark: int = 0


@dataclass(frozen=True, slots=True)
class Step:
    """What an action makes of the texts.

    `touches` name what it changes, for telling two people's actions apart; `applied` is what the
    asker is told.
    """

    texts: Texts
    label: str
    touches: tuple[Thing, ...]
    applied: tuple[Any, ...] = ()


def perform(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    """Return what an action makes of the texts.

    Raises
    ------
    InputError
        If there is no such action, or it can't be done.
    """
    kind = action.get("kind")
    make = ACTIONS.get(kind) if isinstance(kind, str) else None
    if make is None:
        raise InputError(
            f"there is no action {str(kind)[:40]!r}", where="action", cure="load the page again"
        )
    return make(texts, visit, action, scene)


def _put_mark(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    wanted = _mapping(action, "mark")
    done = mark_actions.put(texts[MARKS_FILE], visit, wanted, scene.sizes, scene.last_mark)
    touches: tuple[Thing, ...] = (("mark", done.mark["id"]),)
    return Step({**texts, MARKS_FILE: done.text}, done.label, touches, ({"mark": done.mark},))


def _remove_mark(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    ident = _text(action, "id")
    text, label = mark_actions.remove(texts[MARKS_FILE], visit, ident)
    return Step({**texts, MARKS_FILE: text}, label, (("mark", ident),), ({"removed": ident},))


def _put_plane(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    done = plane_actions.put(
        _visit_text(texts), visit, scene.folder, _values(action, "plane"),
        guess=action.get("guess", True) is not False,
    )  # fmt: skip
    return Step({**texts, VISIT_FILE: done.text}, done.label, done.touches, done.applied)


def _remove_plane(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    done = plane_actions.remove(_visit_text(texts), visit, _text(action, "name"))
    marks = mark_actions.keep_points(texts[MARKS_FILE], visit, done.forgotten)
    return Step(
        {**texts, VISIT_FILE: done.text, MARKS_FILE: marks}, done.label, done.touches, done.applied
    )


def _put_table(kind: str) -> Callable[[Texts, Visit, Action, Scene], Step]:
    def put(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
        values = dict(_values(action, kind))
        if kind == "edge":
            values = plane_actions.with_ends(visit, values)
        elif not values.get("name"):
            taken = [one.name for one in getattr(visit, f"{kind}s")]
            values = {"name": next_name(STEMS[kind], taken), **values}
        name = name_of(kind, values)
        text = put_table(_visit_text(texts), scene.folder, kind, values)
        ident = plane_actions.edge_key(*values["between"]) if kind == "edge" else name
        touches = tuple(
            (kind, f"{ident}/{key}") for key in values if key not in ("name", "between")
        )
        touches = touches or ((kind, f"{ident}/"),)
        return Step({**texts, VISIT_FILE: text}, f"{kind} {name}", touches,
                    ({kind: {**values, "name": name}},))  # fmt: skip

    return put


def _remove_table(kind: str) -> Callable[[Texts, Visit, Action, Scene], Step]:
    def remove(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
        name = _text(action, "name")
        ends = {edge.name: (edge.start, edge.end) for edge in visit.edges}
        values: dict[str, Any] = {"name": name}
        ident = name
        if kind == "edge" and name in ends:
            values["between"] = ends[name]
            ident = plane_actions.edge_key(*ends[name])
        text = remove_table(_visit_text(texts), kind, values)
        touches = ((kind, f"{ident}/*"),)
        return Step(
            {**texts, VISIT_FILE: text}, f"remove {kind} {name}", touches, ({"removed": name},)
        )

    return remove


def _put_visit(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    values = _values(action, "visit")
    _refuse_unknown(values, AT_TOP)
    if values.get("name", "") is None:
        raise InputError("a visit needs a name", where="name", cure="write one")
    text = put_at_top(_visit_text(texts), scene.folder, values)
    touches = tuple(("visit", f"top/{key}") for key in values)
    return Step({**texts, VISIT_FILE: text}, f"visit: {', '.join(values)}", touches)


def _put_conditions(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    values = _values(action, "conditions")
    _refuse_unknown(values, CONDITIONS)
    text = put_conditions(_visit_text(texts), scene.folder, values)
    touches = tuple(("visit", f"conditions/{key}") for key in values)
    return Step({**texts, VISIT_FILE: text}, f"conditions: {', '.join(values)}", touches)


def _put_reading(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    _refuse_workbook(scene.folder)
    reading = {
        key: "" if cell is None else cell for key, cell in _mapping(action, "reading").items()
    }
    text, ident = put_reading(texts[CSV_FILE], reading)
    row = next(row for row in read_rows(text) if row["id"] == ident)
    return Step({**texts, CSV_FILE: text}, f"reading {ident}", (("reading", ident),),
                ({"reading": row},))  # fmt: skip


def _remove_reading(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    _refuse_workbook(scene.folder)
    ident = _text(action, "id")
    text = remove_reading(texts[CSV_FILE], ident)
    return Step({**texts, CSV_FILE: text}, f"remove reading {ident}", (("reading", ident),),
                ({"removed": ident},))  # fmt: skip


def _together(texts: Texts, visit: Visit, action: Action, scene: Scene) -> Step:
    """Several actions as one step: all of them or none."""
    actions = action.get("actions")
    if not isinstance(actions, list) or not 0 < len(actions) <= MOST_TOGETHER:
        raise InputError(
            f"actions is no list of 1 to {MOST_TOGETHER} actions", where="action", cure="split it"
        )
    steps: list[Step] = []
    for one in actions:
        if not isinstance(one, Mapping) or one.get("kind") == "together":
            raise InputError("an action within a step is unfit", where="action", cure="split it")
        step = perform(texts, visit, one, scene)
        texts = step.texts
        visit = open_texts(scene.folder, texts)
        scene = replace(scene, last_mark=max(scene.last_mark, mark_actions.highest(visit)))
        steps.append(step)
    label = action.get("label")
    if not isinstance(label, str) or not label.strip() or not label.isprintable():
        label = steps[0].label if len(steps) == 1 else f"{steps[0].label} and {len(steps) - 1} more"
    touches = tuple(dict.fromkeys(thing for step in steps for thing in step.touches))
    return Step(texts, label[:120], touches, tuple(one for step in steps for one in step.applied))


def _visit_text(texts: Texts) -> str:
    text = texts[VISIT_FILE]
    assert text is not None  # a visit without its file does not open
    return text


def _mapping(action: Action, key: str) -> Mapping[str, Any]:
    value = action.get(key)
    if not isinstance(value, Mapping):
        raise InputError(f"the action has no {key}", where="action", cure="load the page again")
    return value


def _values(action: Action, key: str) -> Mapping[str, Any]:
    """Return a table's keys: text, numbers, true or false, lists of text, one table within."""
    values = _mapping(action, key)
    for name, value in values.items():
        inner = value.values() if isinstance(value, Mapping) else [value]
        if not name.isidentifier() or not all(_is_plain(one) for one in inner):
            raise InputError(
                f"{name[:40]!r} can't hold that value", where=key, cure="load the page again"
            )
    return values


def _is_plain(value: object) -> bool:
    if isinstance(value, list):
        return all(isinstance(one, str) for one in value)
    return value is None or isinstance(value, str | int | float | bool)


def _text(action: Action, key: str) -> str:
    value = action.get(key)
    if not isinstance(value, str) or not value:
        raise InputError(f"the action has no {key}", where="action", cure="load the page again")
    return value


def _refuse_unknown(values: Mapping[str, Any], known: Sequence[str]) -> None:
    for key in values:
        if key not in known:
            raise InputError(f"there is no key {key!r}", where="visit.toml", cure="see the docs")


def _refuse_workbook(folder: Path) -> None:
    if (folder / WORKBOOK_FILE).exists():
        raise InputError(
            f"the readings of this visit are in {WORKBOOK_FILE}, which the page does not change",
            where=WORKBOOK_FILE,
            cure=f"type them there, or save it as {CSV_FILE} and remove the workbook",
        )


ACTIONS: dict[str, Callable[[Texts, Visit, Action, Scene], Step]] = {
    "put mark": _put_mark,
    "remove mark": _remove_mark,
    "put plane": _put_plane,
    "remove plane": _remove_plane,
    **{f"put {kind}": _put_table(kind) for kind in ("edge", *STEMS)},
    **{f"remove {kind}": _remove_table(kind) for kind in ("edge", *STEMS)},
    "put visit": _put_visit,
    "put conditions": _put_conditions,
    "put reading": _put_reading,
    "remove reading": _remove_reading,
    "together": _together,
}
