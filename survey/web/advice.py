"""Which one further mark or reading would help most, computed before anybody climbs again.

For figures f and a possible observation a with standard deviation s, both linear in the unknowns,
the variance of f falls by cov(f, a)^2 / (var(a) + s^2) once a is observed (a Kalman update, or the
update of least squares by one row). So one joint covariance answers for all candidates.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from survey.adjustment.model import POINT, Array, Key, State
from survey.adjustment.solution import Solution
from survey.figures import NORMAL_95
from survey.photo.model import CameraPrior
from survey.units import System, format_length, format_pitch
from survey.visit.model import PlaneKind, PlaneSpec, PointMark, TapeReading, Visit
from survey.visit.reading_rows import SLOPE_SD, TAPE_SD, TAPE_SD_RATIO
from survey.web.predictions import projection_of, visible_points

PRESS_SD = 1.0  # px, a point pressed under the magnifier
GOOD_LENGTH_SD = 0.0065  # m; half-width of 1/2 in, which an estimate needs; common practice
GOOD_SLOPE_SD = 0.0011  # m/m; half-width of 0.025 in 12; common practice
LEAST_GAIN = 0.15  # share by which the best-served figure must narrow to be worth a sentence
MOST = 3
MOST_CANDIDATES = 160

Function = Callable[[State], Array]


@dataclass(frozen=True, slots=True)
class Wish:
    """A figure that is wanted: what it is called, its function, and the sd that would do."""

    name: str
    unit: str  # "m" or "m/m"
    good_sd: float
    function: Function
    keys: tuple[Key, ...]


@dataclass(frozen=True, slots=True)
class Candidate:
    """An observation that could be made: what to do, its rows and their sd."""

    what: str
    photo: str | None
    sd: float
    function: Function
    keys: tuple[Key, ...]


def advise(
    visit: Visit, solution: Solution, cameras: Mapping[str, CameraPrior]
) -> list[dict[str, Any]]:
    """Return the further marks and readings that would help most, the best first.

    Parameters
    ----------
    visit : Visit
    solution : Solution
    cameras : mapping
        Prior of each photo that can be used.

    Returns
    -------
    list of dict
        ``{what, photo, sentence}``; at most `MOST`.
    """
    wishes = _wishes(visit, solution)
    candidates = _candidates(visit, solution, cameras)[:MOST_CANDIDATES]
    if not wishes or not candidates:
        return []
    parts: list[Wish | Candidate] = [*wishes, *candidates]
    values, covariance, ends = _joint(solution, parts)
    count = len(wishes)
    good = np.array([wish.good_sd for wish in wishes])
    finite = np.isfinite(np.diag(covariance)[:count])
    gains = []
    for index, candidate in enumerate(candidates, start=count):
        rows = np.arange(ends[index], ends[index + 1])
        own = covariance[np.ix_(rows, rows)] + candidate.sd**2 * np.eye(len(rows))
        if not np.isfinite(own).all():
            continue
        cross = covariance[np.ix_(np.arange(count), rows)]
        before = np.diag(covariance)[:count]
        cut = np.einsum("ij,ij->i", cross, np.linalg.solve(own, cross.T).T)
        after = np.maximum(before - cut, 0.0)
        gain = np.where(finite, np.log1p(before / good**2) - np.log1p(after / good**2), 0.0)
        gains.append((float(gain.sum()), candidate, int(np.argmax(gain)), before, after))
    gains.sort(key=lambda one: -one[0])
    told = []
    for _, candidate, best, before, after in gains[:MOST]:
        if math.sqrt(after[best]) > (1 - LEAST_GAIN) * math.sqrt(before[best]):
            continue
        wish = wishes[best]
        sentence = _sentence(visit, candidate, wish, values[best], before[best], after[best])
        told.append({"what": candidate.what, "photo": candidate.photo, "sentence": sentence})
    return told


def _joint(
    solution: Solution, parts: Sequence[Wish | Candidate]
) -> tuple[Array, Array, npt.NDArray[np.int_]]:
    """Values and joint covariance of all parts, and where the rows of each begin."""
    keys = tuple(dict.fromkeys(key for part in parts for key in part.keys))
    sizes = [len(np.atleast_1d(part.function(solution.state))) for part in parts]

    def function(state: State) -> Array:
        return np.concatenate([np.atleast_1d(part.function(state)) for part in parts])

    values, covariance = solution.propagate(function, keys)
    return values, covariance, np.concatenate([[0], np.cumsum(sizes)])


def _wishes(visit: Visit, solution: Solution) -> list[Wish]:
    """Lengths of the roofs' sides, and their pitches where gravity is observed."""
    wishes = []
    seen: set[frozenset[str]] = set()
    for plane in visit.planes:
        if plane.kind is not PlaneKind.ROOF or not _placed(solution, plane.outline):
            continue
        for start, end in _sides(plane):
            if frozenset((start, end)) not in seen:
                seen.add(frozenset((start, end)))
                name = f"the length of {start}-{end}"
                wishes.append(Wish(name, "m", GOOD_LENGTH_SD, *_distance(start, end)))
        if solution.gravity_observed:
            name = f"the pitch of {plane.name}"
            wishes.append(Wish(name, "m/m", GOOD_SLOPE_SD, *_slope(plane)))
    return [wish for wish in wishes if solution.is_estimable(wish.function, wish.keys)]


def _candidates(
    visit: Visit, solution: Solution, cameras: Mapping[str, CameraPrior]
) -> list[Candidate]:
    """Return marks that are missing where a photo should show the point, and readings not taken."""
    candidates = []
    corners = list(dict.fromkeys(name for plane in visit.planes for name in plane.outline))
    marked = {(mark.photo, mark.point) for mark in visit.marks if isinstance(mark, PointMark)}
    for photo, prior in cameras.items():
        for name in visible_points(solution.state, photo, prior, corners):
            if (photo, name) not in marked:
                candidates.append(
                    Candidate(
                        f"mark '{name}' in {photo}", photo, PRESS_SD,
                        *projection_of(photo, prior, [name]),
                    )
                )  # fmt: skip
    taped = {
        frozenset((one.start, one.end)) for one in visit.readings if isinstance(one, TapeReading)
    }
    for plane in visit.planes:
        if plane.kind is not PlaneKind.ROOF or not _placed(solution, plane.outline):
            continue
        for start, end in _tapes(plane):
            if frozenset((start, end)) not in taped:
                taped.add(frozenset((start, end)))
                function, keys = _distance(start, end)
                length = float(function(solution.state)[0])
                sd = TAPE_SD + TAPE_SD_RATIO * length
                candidates.append(Candidate(f"tape {start} to {end}", None, sd, function, keys))
        if solution.gravity_observed:
            candidates.append(
                Candidate(
                    f"read the slope of {plane.name} with a digital level",
                    None, SLOPE_SD, *_slope(plane),
                )
            )  # fmt: skip
    return candidates


def _sentence(
    visit: Visit, candidate: Candidate, wish: Wish, value: float, before: float, after: float
) -> str:
    """Say what to do and what it would bring."""
    halves = [NORMAL_95 * math.sqrt(max(variance, 0.0)) for variance in (before, after)]
    system: System = "metric" if visit.units == "metric" else "us"
    if wish.unit == "m":
        now, then = (format_length(half, system, half_width=half / 4) for half in halves)
    else:
        now, then = (format_pitch(half, half_width=half / 4) for half in halves)
    what = candidate.what[:1].upper() + candidate.what[1:]
    return f"{what}: {wish.name} would be known to ± {then} instead of ± {now}"


def _placed(solution: Solution, names: Sequence[str]) -> bool:
    return all((POINT, name) in solution.state for name in names)


def _sides(plane: PlaneSpec) -> list[tuple[str, str]]:
    return list(itertools.pairwise((*plane.outline, plane.outline[0])))


def _tapes(plane: PlaneSpec) -> list[tuple[str, str]]:
    """Sides, and the diagonals of a plane of four corners."""
    diagonals = [(plane.outline[0], plane.outline[2]), (plane.outline[1], plane.outline[3])]
    return _sides(plane) + (diagonals if len(plane.outline) == 4 else [])


def _distance(start: str, end: str) -> tuple[Function, tuple[Key, ...]]:
    keys: tuple[Key, ...] = ((POINT, start), (POINT, end))

    def function(state: State) -> Array:
        first, last = (np.asarray(state[key]) for key in keys)
        return np.array([np.linalg.norm(last - first)])

    return function, keys


def _slope(plane: PlaneSpec) -> tuple[Function, tuple[Key, ...]]:
    """Fall along its own direction, so that a nearly level plane has a derivative too."""
    keys: tuple[Key, ...] = tuple((POINT, name) for name in plane.outline)

    def function(state: State) -> Array:
        ring = np.array([state[key] for key in keys])
        vector = np.zeros(3)
        for first, second in itertools.pairwise([*ring, ring[0]]):
            vector += np.cross(first - ring[0], second - ring[0])
        level = float(np.hypot(vector[0], vector[1]))
        return np.array([level / max(abs(float(vector[2])), 1e-9)])

    return function, keys
