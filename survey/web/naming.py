"""Names that the page offers for new things, so that nobody has to invent one."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import count
from string import ascii_uppercase

from survey.visit.model import EdgeMark, PointMark, RodReading, SlopeReading, TapeReading, Visit


def point_names(visit: Visit) -> tuple[str, ...]:
    """Return every point that a visit names, corners first, in the order they come up."""
    names = [name for plane in visit.planes for name in (*plane.outline, *plane.points)]
    names += [benchmark.name for benchmark in visit.benchmarks]
    names += list(visit.marked_points)
    for mark in visit.marks:
        if isinstance(mark, PointMark):
            names.append(mark.point)
        elif isinstance(mark, EdgeMark):
            names += [mark.start, mark.end]
    for reading in visit.readings:
        match reading:
            case RodReading():
                names.append(reading.point)
            case TapeReading() | SlopeReading():
                names += [name for name in (reading.start, reading.end) if name]
    names += [outlet.at for outlet in visit.outlets if outlet.at]
    for penetration in visit.penetrations:
        names += [*penetration.outline, *([penetration.at] if penetration.at else [])]
    return tuple(dict.fromkeys(names))


def told_points(visit: Visit) -> set[str]:
    """Return the points that need no list of their own in marks.json."""
    told = {name for plane in visit.planes for name in (*plane.outline, *plane.points)}
    told |= {benchmark.name for benchmark in visit.benchmarks}
    return told | {one.point for one in visit.readings if isinstance(one, RodReading) and one.spot}


def next_point(taken: Iterable[str]) -> str:
    """Return the first free letter, then AA, AB and so on."""
    known = set(taken)
    letters = list(ascii_uppercase)
    pairs = (first + second for first in letters for second in letters)
    return next((name for name in [*letters, *pairs] if name not in known), next_name("P", known))


def next_name(stem: str, taken: Iterable[str]) -> str:
    """Return the stem with the lowest number that makes it a name of its own."""
    known = set(taken)
    return next(f"{stem}{number}" for number in count(1) if f"{stem}{number}" not in known)


def number_of(ident: str) -> int:
    """Return the number in an id like m12; 0 if it is of another kind."""
    match = re.fullmatch(r"m([0-9]{1,9})", ident)
    return int(match[1]) if match else 0
