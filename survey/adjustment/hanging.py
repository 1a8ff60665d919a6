"""Readings that too little checks and on which a reported figure hangs.

A small slip in such a reading leaves no residual that a test could find, so the report must say so.
A figure *hangs* on a reading if an error that the reading's own test would just miss moves the
figure by three of its half-widths: Baarda's internal and external reliability (1968), from the
covariance alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.derivation import Function
from survey.adjustment.model import (
    PLANE,
    POINT,
    Array,
    Elevation,
    Key,
    Network,
    Observation,
    PlaneParameters,
    PointInPhoto,
    RodHeight,
    SlopeOfPlane,
    SpotOnPlane,
    State,
    TapeLength,
)
from survey.adjustment.wording import describe
from survey.findings import Finding, Severity
from survey.units import System, format_angle, format_length

MOST_FIGURES = 24
MOST_NAMED = 4  # readings, and figures, that a sentence names
LEAST_FALL = 1e-3  # rise over run under which a plane's pitch is left to drainage
WRONG_CORNER_PX = 100.0  # the wrong corner is at least about as far off; judged
NOTHING = 3.0  # metres or radians: a slip that large needs no test to be seen
CURES: dict[type[Observation], tuple[str, str]] = {  # taken by a person on site
    TapeLength: ("tapes", "tape them a second time, or a diagonal that nobody taped yet"),
    RodHeight: ("rod readings", "read the rod there again from a second set-up"),
    SlopeOfPlane: ("slope readings", "read the level a second time, turned end for end"),
    Elevation: ("benchmarks", "read the rod on a second benchmark too"),
    SpotOnPlane: ("taped places", "tape these places from a second corner too"),
}


@dataclass(frozen=True, slots=True)
class _Asked:
    """A figure that may be reported, in words, as a function of the unknowns."""

    words: str
    function: Function
    keys: tuple[Key, ...]


def hanging_findings(network: Network, solution: AdjustedNetwork) -> list[Finding]:
    """Name each reading that nothing checks, with the figures that hang on it.

    Parameters
    ----------
    network : Network
        For its outlines.
    solution : AdjustedNetwork

    Returns
    -------
    list of Finding
        One for each booked reading, and one for all marks of a photo.
    """
    asked = list(_asked(network, solution.state))
    if not asked:
        return []

    def function(state: State) -> Array:
        return np.concatenate([one.function(state) for one in asked])

    keys = tuple(dict.fromkeys(key for one in asked for key in one.keys))
    figures: dict[str, list[str]] = {}
    for one, idents in zip(asked, solution.hanging(function, keys), strict=True):
        for ident in idents:
            figures.setdefault(ident, []).append(one.words)
    detectable = {result.id: result.detectable for result in solution.observations}
    readings: dict[type[Observation], dict[str, list[str]]] = {}
    marks: dict[str, dict[str, list[str]]] = {}
    for observation in network.observations:
        hanging = figures.get(observation.id)
        if hanging is None:
            continue
        found = detectable[observation.id]
        if isinstance(observation, PointInPhoto):
            if found > WRONG_CORNER_PX:
                marks.setdefault(observation.photo, {})[observation.point] = hanging
        elif type(observation) in CURES:
            words = f"{describe(observation)} ({_unseen_up_to(network, observation, found)})"
            readings.setdefault(type(observation), {})[words] = hanging
    return [
        *(_readings(kind, named) for kind, named in readings.items()),
        *(_marks(photo, points) for photo, points in marks.items()),
    ]


def _unseen_up_to(network: Network, observation: Observation, detectable: float) -> str:
    """Say up to which size a slip in a reading would pass unseen."""
    if detectable > NOTHING:
        return "of any size"
    if isinstance(observation, SlopeOfPlane):
        return f"up to {format_angle(detectable, half_width=detectable / 10)}"
    system: System = "metric" if network.units == "metric" else "us"
    return f"up to {format_length(detectable, system, half_width=detectable / 10)}"


def _readings(kind: type[Observation], named: dict[str, list[str]]) -> Finding:
    """Write the finding for the readings of one kind, each with the slip that would not show."""
    name, cure = CURES[kind]
    hanging = dict.fromkeys(words for figures in named.values() for words in figures)
    return Finding(
        "reading-unchecked",
        Severity.NOTE,
        name,
        f"a slip in {_few(list(named), 'or')} would pass unseen into {_few(list(hanging), 'and')}: "
        "too little checks what was read",
        cure,
    )


def _marks(photo: str, points: dict[str, list[str]]) -> Finding:
    """Write the finding for the corners that one photo alone shows."""
    hanging = dict.fromkeys(words for named in points.values() for words in named)
    return Finding(
        "marks-unchecked",
        Severity.NOTE,
        photo,
        f"nothing checks the mark of {_few(list(points), 'or')} in {photo}: the wrong corner, or a "
        f"wrong name, would pass unseen into {_few(list(hanging), 'and')}",
        "mark the same corners in a photo from another stand",
    )


def _few(names: list[str], word: str) -> str:
    """Join names with "and" or "or", the first few of many."""
    if len(names) == 1:
        return names[0]
    if len(names) > MOST_NAMED:
        names = [*names[:MOST_NAMED], f"{len(names) - MOST_NAMED} more"]
    return f"{', '.join(names[:-1])} {word} {names[-1]}"


def _asked(network: Network, state: State) -> Iterator[_Asked]:
    """Lengths of the outlines' sides and pitches of the planes that have a place."""
    seen: set[frozenset[str]] = set()
    for plane, outline in network.outlines.items():
        for start, end in zip(outline, (*outline[1:], *outline[:1]), strict=True):
            keys: tuple[Key, ...] = ((POINT, start), (POINT, end))
            if frozenset((start, end)) in seen or not _placed(state, keys):
                continue
            seen.add(frozenset((start, end)))
            if len(seen) <= MOST_FIGURES:
                yield _Asked(f"the length {start}-{end}", _length(*keys), keys)
        own: Key = (PLANE, plane)
        if plane in network.wall_planes or own not in state:
            continue
        face = state[own]
        assert isinstance(face, PlaneParameters)
        if abs(float(face.normal[2])) > LEAST_FALL and _fall(face) > LEAST_FALL:
            yield _Asked(f"the pitch of {plane}", _pitch(own), (own,))


def _placed(state: State, keys: Iterable[Key]) -> bool:
    return all(key in state for key in keys)


def _length(start: Key, end: Key) -> Function:
    def length(state: State) -> Array:
        return np.array([np.linalg.norm(np.asarray(state[end]) - np.asarray(state[start]))])

    return length


def _fall(face: PlaneParameters) -> float:
    return float(np.hypot(face.normal[0], face.normal[1]) / abs(face.normal[2]))


def _pitch(plane: Key) -> Function:
    def pitch(state: State) -> Array:
        face = state[plane]
        assert isinstance(face, PlaneParameters)
        return np.array([_fall(face)])

    return pitch
