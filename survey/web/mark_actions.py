"""Putting marks on photos and taking them off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from survey.errors import InputError
from survey.visit.model import EdgeMark, Mark, PointMark, Visit
from survey.web.marks_text import normal_mark, put_mark, put_points, remove_mark
from survey.web.naming import next_point, number_of, point_names, told_points

DIGITS = 3  # of a pixel; a mark is stored to a thousandth


@dataclass(frozen=True, slots=True)
class PutMark:
    """What putting a mark makes of marks.json, and the mark as it stands there."""

    text: str
    mark: Mapping[str, Any]
    label: str


def put(
    text: str | None,
    visit: Visit,
    wanted: Mapping[str, Any],
    sizes: Mapping[str, tuple[int, int]],
    last_mark: int,
) -> PutMark:
    """Put a mark: a new one, or in the place of the one with its id.

    A point mark without an id moves the mark of that point in that photo if there is one. A point
    without a name is given the next free letter.

    Raises
    ------
    InputError
        If it is no sound mark, or lies outside its photo.
    """
    mark = dict(wanted)
    if mark.get("kind") == "point" and not mark.get("point"):
        mark["point"] = next_point(point_names(visit))
    if not mark.get("id"):
        mark["id"] = _id_for(mark, visit, last_mark)
    mark = normal_mark(mark)
    mark["px"] = _rounded(mark["px"])
    _refuse_outside(mark, sizes)
    text = put_mark(text, mark)
    named = _names_in(mark)
    points = [*visit.marked_points, *(name for name in named if name not in told_points(visit))]
    if set(points) != set(visit.marked_points):
        text = put_points(text, list(dict.fromkeys(points)))
    return PutMark(text, mark, describe(mark))


def remove(text: str | None, visit: Visit, ident: str) -> tuple[str, str]:
    """Take a mark off; a point that nothing else names any more is forgotten.

    Returns
    -------
    text, label : str
    """
    mark = next((one for one in visit.marks if one.id == ident), None)
    text = remove_mark(text, ident)
    assert mark is not None
    others = [one for one in visit.marks if one.id != ident]
    rest = point_names(_without_points(visit, others))
    points = [name for name in visit.marked_points if name in rest or name not in _names_of(mark)]
    if len(points) != len(visit.marked_points):
        text = put_points(text, points)
    return text, f"remove {describe_mark(mark)}"


def keep_points(text: str | None, visit: Visit, names: Iterable[str]) -> str | None:
    """Let marks.json declare points that a plane did, as far as marks or readings name them."""
    without = _without_points(visit, visit.marks)
    used = set(point_names(replace(without, planes=(), edges=())))
    kept = [name for name in names if name in used and name not in visit.marked_points]
    return put_points(text, [*visit.marked_points, *kept]) if kept else text


def highest(visit: Visit) -> int:
    """Return the highest number in the ids of the visit's marks."""
    return max((number_of(mark.id) for mark in visit.marks), default=0)


def describe(mark: Mapping[str, Any]) -> str:
    """Say what a mark of marks.json is: ``"A in IMG_1.jpg"``."""
    photo = mark["photo"]
    match mark["kind"]:
        case "point":
            return f"{mark['point']} in {photo}"
        case "edge":
            return f"edge {mark['start']}-{mark['end']} in {photo}"
        case "gravity":
            return f"{mark['direction']} line in {photo}"
        case _:
            return f"{mark['purpose']} {mark['name']} in {photo}"


def describe_mark(mark: Mark) -> str:
    """Say what a mark is."""
    if isinstance(mark, PointMark):
        return f"{mark.point} in {mark.photo}"
    if isinstance(mark, EdgeMark):
        return f"edge {mark.start}-{mark.end} in {mark.photo}"
    return f"mark {mark.id} in {mark.photo}"


def _id_for(mark: Mapping[str, Any], visit: Visit, last_mark: int) -> str:
    if mark.get("kind") == "point":
        for one in visit.marks:
            same = isinstance(one, PointMark) and one.photo == mark.get("photo")
            if same and isinstance(one, PointMark) and one.point == mark["point"]:
                return one.id
    return f"m{max(last_mark, highest(visit)) + 1}"


def _rounded(px: Any) -> Any:
    """Return coordinates rounded to what is stored."""
    if isinstance(px, list):
        return [_rounded(one) for one in px]
    return round(float(px), DIGITS)


def _refuse_outside(mark: Mapping[str, Any], sizes: Mapping[str, tuple[int, int]]) -> None:
    size = sizes.get(mark["photo"])
    if size is None:
        return
    pairs = [mark["px"]] if mark["kind"] == "point" else mark["px"]
    for x, y in pairs:
        if not (-0.5 <= x <= size[0] - 0.5 and -0.5 <= y <= size[1] - 0.5):
            raise InputError(
                f"({x:g}, {y:g}) lies outside {mark['photo']}, which is {size[0]} x {size[1]} px",
                where=f"mark {mark['id']}",
                cure="press within the photo",
            )


def _names_in(mark: Mapping[str, Any]) -> list[str]:
    return [mark[key] for key in ("point", "start", "end") if key in mark]


def _names_of(mark: Mark) -> set[str]:
    if isinstance(mark, PointMark):
        return {mark.point}
    return {mark.start, mark.end} if isinstance(mark, EdgeMark) else set()


def _without_points(visit: Visit, marks: Iterable[Mark]) -> Visit:
    return replace(visit, marks=tuple(marks), marked_points=())
