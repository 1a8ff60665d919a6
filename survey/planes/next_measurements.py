"""Which further mark or reading would help most, computed before anybody climbs again.

What a reading would say does not matter to first order, only where it is taken and how well it can
be read; so the covariance as it stands tells what each would bring (see
`survey.adjustment.next_best`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from survey.adjustment import Candidate, predicted_sds
from survey.adjustment.decided import Adjusted
from survey.adjustment.model import (
    PLANE,
    POINT,
    Array,
    Key,
    PointInPhoto,
    SlopeOfPlane,
    State,
    TapeLength,
)
from survey.figures import NORMAL_95, Unit
from survey.photo.model import CameraPrior
from survey.planes.next_photos import photo_candidates
from survey.planes.site_frame import plane_of, point_of
from survey.planes.views import projection_of, visible_points
from survey.visit.model import PlaneKind, PlaneSpec, PointMark, TapeReading, Visit
from survey.visit.reading_rows import SLOPE_SD, TAPE_SD, TAPE_SD_RATIO

PRESS_SD = 1.0  # px, a point pressed under the magnifier
GOOD_LENGTH_SD = 0.0065  # m; half-width of 1/2 in, which an estimate needs; common practice
GOOD_SLOPE_SD = 0.0011  # m/m; half-width of 0.025 in 12; common practice
UNKNOWN_SLOPE_SD = 0.5  # m/m; a pitch known no better may be anything
LEAST_GAIN = 0.15  # share by which the best-served figure must narrow to be worth a sentence
MOST = 3
MOST_CANDIDATES = 80
TOLD = 1e-4  # share of an sd down to which the sd after a reading can be told from rounding
NEW = "next"  # id of the observation that is tried

Function = Callable[[State], Array]


@dataclass(frozen=True, slots=True)
class NextMeasurement:
    """A mark or reading that would help, and the figure that it would help most.

    Attributes
    ----------
    what : str
        What to do: "tape A to C", "mark 'A' in IMG_2.jpg".
    photo : str or None
        The photo to mark in.
    figure : str
        "the length of A-B", "the pitch of porch".
    unit : str
        "m" or "m/m".
    half_width_now : float or None
        95 % half-width of that figure as things stand, in `unit`; None where nothing fixes it.
    half_width_then : float or None
        The same with that mark or reading; None where the arithmetic can't tell, because the figure
        is all but free now.
    """

    what: str
    photo: str | None
    figure: str
    unit: Unit
    half_width_now: float | None
    half_width_then: float | None


@dataclass(frozen=True, slots=True)
class Wish:
    """A figure that is wanted: its name, the sd that would do and the one that is as good as none.

    Both sds are in `unit`; `function` gives one number.
    """

    name: str
    unit: Unit
    good_sd: float
    useless_sd: float
    function: Function
    keys: tuple[Key, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """Something a person could still do, as what it would add to the adjustment.

    Of steps that are `about` the same (one more photo of a roof), only the best is told.
    """

    photo: str | None
    candidate: Candidate
    about: str = ""


def find_next_measurements(
    visit: Visit, solution: Adjusted, cameras: Mapping[str, CameraPrior]
) -> tuple[NextMeasurement, ...]:
    """Return the further marks and readings that would help most, the best first.

    Parameters
    ----------
    visit : Visit
    solution : Adjusted
    cameras : mapping
        Prior of each photo that can be used.

    Returns
    -------
    tuple of NextMeasurement
        At most `MOST`; empty when nothing would narrow any figure by `LEAST_GAIN`.
    """
    wishes = _wishes(visit, solution.state)
    steps = _steps(visit, solution.state, cameras)
    if solution.gravity_observed:  # else nobody knows which way round a roof is
        steps = [*_photo_steps(visit, solution, cameras), *steps]
    steps = steps[:MOST_CANDIDATES]
    if not wishes or not steps:
        return ()
    sds = predicted_sds(
        solution.best,
        [step.candidate for step in steps],
        [(wish.function, wish.keys) for wish in wishes],
    )
    told = ~np.isfinite(sds[0]) | (sds > TOLD * sds[0])
    good = np.array([wish.good_sd for wish in wishes])
    sds = np.minimum(np.where(told, sds, good), [wish.useless_sd for wish in wishes])
    gains = np.log1p((sds[0] / good) ** 2) - np.log1p((sds[1:] / good) ** 2)
    found: list[NextMeasurement] = []
    about: set[str] = set()
    for index in np.argsort(-gains.sum(axis=1), kind="stable"):
        if len(found) == MOST or steps[index].about in about:
            continue
        best = int(np.argmax(gains[index]))
        wish, now, then = wishes[best], float(sds[0, best]), float(sds[index + 1, best])
        if then > (1 - LEAST_GAIN) * now:
            continue
        step = steps[index]
        about |= {step.about} - {""}
        found.append(
            NextMeasurement(
                what=step.candidate.words,
                photo=step.photo,
                figure=wish.name,
                unit=wish.unit,
                half_width_now=NORMAL_95 * now if now < wish.useless_sd else None,
                half_width_then=NORMAL_95 * then if told[index + 1, best] else None,
            )
        )
    return tuple(found)


def _wishes(visit: Visit, state: State) -> list[Wish]:
    """Lengths of the roofs' sides, and their pitches."""
    wishes = []
    names = {frozenset((edge.start, edge.end)): edge.name for edge in visit.edges}
    seen: set[frozenset[str]] = set()
    for plane in _roofs(visit, state):
        for start, end in _sides(plane):
            side = frozenset((start, end))
            if side not in seen:
                seen.add(side)
                name = names.get(side, f"{start}-{end}")
                wishes.append(_length_wish(name, start, end, state))
        if (PLANE, plane.name) in state:
            wishes.append(_pitch_wish(plane.name))
    return wishes


def _length_wish(name: str, start: str, end: str, state: State) -> Wish:
    def function(at: State) -> Array:
        return np.array([np.linalg.norm(point_of(at, end) - point_of(at, start))])

    useless = max(float(function(state)[0]) / NORMAL_95, 10 * GOOD_LENGTH_SD)
    keys: tuple[Key, ...] = ((POINT, start), (POINT, end))
    return Wish(f"the length of {name}", "m", GOOD_LENGTH_SD, useless, function, keys)


def _pitch_wish(plane: str) -> Wish:
    def function(at: State) -> Array:
        x, y, z = plane_of(at, plane).normal
        return np.array([np.hypot(x, y) / max(abs(float(z)), 1e-9)])

    keys: tuple[Key, ...] = ((PLANE, plane),)
    name = f"the pitch of {plane}"
    return Wish(name, "m/m", GOOD_SLOPE_SD, UNKNOWN_SLOPE_SD, function, keys)


def _steps(visit: Visit, state: State, cameras: Mapping[str, CameraPrior]) -> list[Step]:
    """Return readings not taken, and marks missing where a photo should show the point."""
    return [
        *_level_steps(visit, state),
        *_tape_steps(visit, state),
        *_mark_steps(visit, state, cameras),
    ]


def _level_steps(visit: Visit, state: State) -> list[Step]:
    steps = []
    for plane in _roofs(visit, state):
        if (PLANE, plane.name) in state:
            x, y, z = plane_of(state, plane.name).normal
            fall = math.atan2(math.hypot(x, y), abs(float(z)))
            reading = SlopeOfPlane(id=NEW, plane=plane.name, value=fall, sd=SLOPE_SD)
            words = f"read the slope of {plane.name} with a digital level"
            steps.append(Step(None, Candidate(words, (reading,))))
    return steps


def _tape_steps(visit: Visit, state: State) -> list[Step]:
    """Return tapes along the sides of roofs, and over the diagonals of those with four corners."""
    steps = []
    taped = {frozenset((r.start, r.end)) for r in visit.readings if isinstance(r, TapeReading)}
    for plane in _roofs(visit, state):
        for start, end in (*_sides(plane), *_diagonals(plane)):
            if frozenset((start, end)) not in taped:
                taped.add(frozenset((start, end)))
                length = float(np.linalg.norm(point_of(state, end) - point_of(state, start)))
                sd = TAPE_SD + TAPE_SD_RATIO * length
                reading = TapeLength(id=NEW, start=start, end=end, value=length, sd=sd)
                steps.append(Step(None, Candidate(f"tape {start} to {end}", (reading,))))
    return steps


def _mark_steps(visit: Visit, state: State, cameras: Mapping[str, CameraPrior]) -> list[Step]:
    steps = []
    corners = list(dict.fromkeys(name for plane in visit.planes for name in plane.outline))
    marked = {(mark.photo, mark.point) for mark in visit.marks if isinstance(mark, PointMark)}
    for photo, prior in cameras.items():
        seen = visible_points(state, photo, prior, corners)
        for name in (name for name in seen if (photo, name) not in marked):
            x, y = projection_of(photo, prior, [name])[0](state)
            mark = PointInPhoto(
                id=NEW, photo=photo, point=name, px=(float(x), float(y)), sd_px=PRESS_SD
            )
            steps.append(Step(photo, Candidate(f"mark '{name}' in {photo}", (mark,))))
    return steps


def _photo_steps(
    visit: Visit, solution: Adjusted, cameras: Mapping[str, CameraPrior]
) -> list[Step]:
    """Return one more photo of each roof from either side."""
    return [
        Step(None, candidate, f"photo of {plane.name}")
        for plane in _roofs(visit, solution.state)
        for candidate in photo_candidates(
            plane, solution.best.network, solution.state, cameras, PRESS_SD
        )
    ]


def _roofs(visit: Visit, state: State) -> list[PlaneSpec]:
    """Return the roof planes whose corners all have a place."""
    return [
        plane
        for plane in visit.planes
        if plane.kind is PlaneKind.ROOF and all((POINT, name) in state for name in plane.outline)
    ]


def _sides(plane: PlaneSpec) -> list[tuple[str, str]]:
    return list(itertools.pairwise((*plane.outline, plane.outline[0])))


def _diagonals(plane: PlaneSpec) -> list[tuple[str, str]]:
    """Return the diagonals of a plane of four corners; of others nobody knows which would do."""
    if len(plane.outline) != 4:
        return []
    a, b, c, d = plane.outline
    return [(a, c), (b, d)]
