"""Names across the three files: each is told once, and each one used is told somewhere."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from pathlib import Path

from survey.errors import Problem
from survey.visit.marks_file import place_of
from survey.visit.model import (
    EdgeMark,
    GravityMark,
    Mark,
    OutlineMark,
    PlaneSpec,
    PointMark,
    Reading,
    RodReading,
    Visit,
)
from survey.visit.problems import offer, shown
from survey.visit.readings_file import points_of
from survey.visit.toml_text import KeyPath, TomlText

Where = Callable[[KeyPath], str]


def check_names(visit: Visit, source: TomlText) -> list[Problem]:
    """Return what is wrong with the names inside visit.toml."""
    where = source.where
    problems = [
        *_twice("target", [one.name for one in visit.targets], where),
        *_twice("plane", [one.name for one in visit.planes], where),
        *_twice("edge", [one.name for one in visit.edges], where),
        *_twice("outlet", [one.name for one in visit.outlets], where),
        *_twice("penetration", [one.name for one in visit.penetrations], where),
        *_twice("benchmark", [one.name for one in visit.benchmarks], where),
        *_twice("setup", [one.name for one in visit.setups], where),
        *_twice("string", [one.name for one in visit.strings], where),
    ]
    planes = {plane.name for plane in visit.planes}
    for index, target in enumerate(visit.targets):
        if target.name in planes:
            problems.append(
                Problem(
                    f"{shown(target.name)} is the name of a plane too",
                    where(("target", index, "name")),
                    "give the target another name",
                )
            )
        problems += _unknown(target.plane, planes, "plane", where(("target", index, "plane")))
    return problems + _check_edges(visit, where) + _check_fittings(visit, where)


def check_calibrations(visit: Visit, source: TomlText) -> list[Problem]:
    """Return the calibration files that are not there."""
    return [
        Problem(
            f"there is no file {shown(one.file)} in the visit folder",
            source.where(("calibration", index, "file")),
            "copy the camera's calibration file there",
        )
        for index, one in enumerate(visit.calibrations)
        if not (visit.folder / one.file).is_file()
    ]


def check_photos(photos: Sequence[Path], marks: Sequence[Mark]) -> list[Problem]:
    """Return the marks in photos that are not there."""
    known = {path.name for path in photos}
    return [
        Problem(
            f"there is no photo {shown(mark.photo)} in photos/",
            place_of(mark, index),
            offer(mark.photo, known, "photo in photos/"),
        )
        for index, mark in enumerate(marks)
        if mark.photo not in known
    ]


def check_marks(visit: Visit, marks: Sequence[Mark]) -> list[Problem]:
    """Return what is wrong with the names in marks.json, but for its points."""
    planes = {plane.name for plane in visit.planes}
    carriers = planes | {one.name for one in visit.targets} | {one.name for one in visit.edges}
    seen: set[str] = set()
    problems = []
    for index, mark in enumerate(marks):
        place = place_of(mark, index)
        if mark.id in seen:
            problems.append(
                Problem(f"id {shown(mark.id)} stands twice", place, "give each mark its own id")
            )
        seen.add(mark.id)
        if isinstance(mark, OutlineMark):
            problems += _unknown(mark.plane, planes, "plane", place)
        elif isinstance(mark, GravityMark):
            problems += _unknown(mark.on, carriers, "plane, target or edge", place)
    return problems


def check_reading_ids(readings: Sequence[Reading]) -> list[Problem]:
    """Return the readings whose id another one has."""
    first: dict[str, str] = {}
    problems = []
    for reading in readings:
        if reading.id in first:
            problems.append(
                Problem(
                    f"id {shown(reading.id)} stands in {first[reading.id]} already",
                    reading.where,
                    "give each reading its own id, or leave it empty",
                )
            )
        first.setdefault(reading.id, reading.where)
    return problems


def check_points(
    visit: Visit,
    source: TomlText,
    marks: Sequence[Mark],
    marked_points: Iterable[str],
    readings: Sequence[Reading],
) -> list[Problem]:
    """Return the points that are named only once, where nothing tells that they exist.

    A point exists if it is a corner of a plane, listed in its `points`, a benchmark, listed in
    the `points` of marks.json, or read at a spot by tape. Any other name must come up at least
    twice (a turning point is read from two set-ups); once is a slip of the pen.
    """
    told = {name for plane in visit.planes for name in (*plane.outline, *plane.points)}
    told |= {benchmark.name for benchmark in visit.benchmarks} | set(marked_points)
    told |= {one.point for one in readings if isinstance(one, RodReading) and one.spot}
    used = [*_points_of_visit(visit, source.where), *_points_of_marks(marks), *points_of(readings)]
    times = Counter(name for name, _ in used)
    return [
        Problem(
            f"point {shown(name)} is named nowhere else",
            place,
            _point_cure(name, told),
        )
        for name, place in used
        if name not in told and times[name] == 1
    ]


def _point_cure(name: str, told: Iterable[str]) -> str:
    nearest = offer(name, told, "point")
    joint = " A" if nearest.endswith("?") else "; a"
    return f"{nearest}{joint} new point goes into points of its plane"


def _twice(key: str, names: Sequence[str], where: Where) -> list[Problem]:
    """Return a problem for each name that another table of the kind has already."""
    return [
        Problem(
            f"[[{key}]] {shown(name)} stands twice",
            where((key, index, "name")),
            "give each its own name",
        )
        for index, name in enumerate(names)
        if name and name in names[:index]
    ]


def _unknown(name: str | None, known: Iterable[str], noun: str, place: str) -> list[Problem]:
    known = set(known)
    if name is None or name in known:
        return []
    return [Problem(f"there is no {noun} {shown(name)}", place, offer(name, known, noun))]


def _sides(planes: Sequence[PlaneSpec]) -> set[frozenset[str]]:
    """Return the pairs of neighbouring corners of all outlines."""
    return {
        frozenset(pair)
        for plane in planes
        if plane.outline
        for pair in pairwise((*plane.outline, plane.outline[0]))
    }


def _check_edges(visit: Visit, where: Where) -> list[Problem]:
    sides = _sides(visit.planes)
    corners = {name for plane in visit.planes for name in plane.outline}
    carriers = {plane.name for plane in visit.planes} | {one.name for one in visit.targets}
    named = {"-".join(pair) for side in sides for pair in _both_ways(side)}
    named |= {edge.name for edge in visit.edges}
    problems: list[Problem] = []
    seen: dict[frozenset[str], str] = {}
    for index, edge in enumerate(visit.edges):
        place = where(("edge", index, "between"))
        ends = frozenset((edge.start, edge.end))
        unknown = [name for name in (edge.start, edge.end) if name not in corners]
        for name in unknown:
            problems.append(
                Problem(
                    f"no plane has a corner {shown(name)}", place, offer(name, corners, "corner")
                )
            )
        if not unknown and ends not in sides:
            problems.append(
                Problem(
                    f"{edge.start} and {edge.end} are not neighbours on the outline of any plane",
                    place,
                    "check the order of the corners in outline",
                )
            )
        if ends in seen:
            problems.append(
                Problem(f"this edge is {seen[ends]} already", place, "keep one [[edge]] for it")
            )
        seen[ends] = edge.name
        problems += _unknown(
            edge.offset_from, carriers, "target or plane", where(("edge", index, "offset_from"))
        )
        for key, other in (("square_to", edge.square_to), ("parallel_to", edge.parallel_to)):
            problems += _unknown(other, named, "edge", where(("edge", index, key)))
    return problems


def _check_fittings(visit: Visit, where: Where) -> list[Problem]:
    planes = {plane.name for plane in visit.planes}
    sides = {"-".join(pair) for side in _sides(visit.planes) for pair in _both_ways(side)}
    edges = {edge.name for edge in visit.edges} | sides
    problems: list[Problem] = []
    for index, outlet in enumerate(visit.outlets):
        problems += _unknown(outlet.plane, planes, "plane", where(("outlet", index, "plane")))
        if outlet.edge is not None and outlet.edge not in edges:
            problems.append(
                Problem(
                    f"there is no edge {shown(outlet.edge)}",
                    where(("outlet", index, "edge")),
                    offer(outlet.edge, edges, "edge"),
                )
            )
    for index, string in enumerate(visit.strings):
        problems += _unknown(
            string.plane or None, planes, "plane", where(("string", index, "plane"))
        )
    for index, step in enumerate(visit.steps):
        problems += _unknown(step.plane or None, planes, "plane", where(("step", index, "plane")))
    for index, penetration in enumerate(visit.penetrations):
        problems += _unknown(
            penetration.plane, planes, "plane", where(("penetration", index, "plane"))
        )
    return problems


def _both_ways(side: frozenset[str]) -> list[tuple[str, ...]]:
    ends = tuple(side)
    return [ends, ends[::-1]]


def _points_of_visit(visit: Visit, where: Where) -> list[tuple[str, str]]:
    """Return the points that outlets and penetrations name, with their places."""
    named = [
        (outlet.at, where(("outlet", index, "at")))
        for index, outlet in enumerate(visit.outlets)
        if outlet.at
    ]
    for index, string in enumerate(visit.strings):
        named += [
            (name, where(("string", index, "between")))
            for name in (string.start, string.end)
            if name
        ]
    for index, step in enumerate(visit.steps):
        named += [
            (name, where(("step", index, "between"))) for name in (step.start, step.end) if name
        ]
    for index, penetration in enumerate(visit.penetrations):
        if penetration.at:
            named.append((penetration.at, where(("penetration", index, "at"))))
        named += [(name, where(("penetration", index, "outline"))) for name in penetration.outline]
    return named


def _points_of_marks(marks: Sequence[Mark]) -> list[tuple[str, str]]:
    named = []
    for index, mark in enumerate(marks):
        if isinstance(mark, PointMark):
            named.append((mark.point, place_of(mark, index)))
        elif isinstance(mark, EdgeMark):
            named += [(name, place_of(mark, index)) for name in (mark.start, mark.end)]
    return named
