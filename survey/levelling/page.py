"""A levelling page: backsights and foresights reduced to elevations, checked and closed.

Rules (levelling course notes, "Levelling"): height of instrument = elevation + backsight; elevation
= height of instrument - foresight; sum of backsights - sum of foresights = last - first elevation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from survey.errors import InputError


@dataclass(frozen=True, slots=True)
class Station:
    """A point of a level run; metres.

    `foresight` is read on it from the set-up before, `backsight` from the set-up after; the first
    has no foresight, the last no backsight, a turning point between has both.
    """

    point: str
    backsight: float | None = None
    foresight: float | None = None


@dataclass(frozen=True, slots=True)
class ReducedPage:
    """A level run reduced; metres.

    Attributes
    ----------
    points, elevations : tuples, one a station
    instrument_heights : tuple, one a set-up
    backsight_sum, foresight_sum : float
    """

    points: tuple[str, ...]
    elevations: tuple[float, ...]
    instrument_heights: tuple[float, ...]
    backsight_sum: float
    foresight_sum: float

    @property
    def setups(self) -> int:
        """Number of set-ups."""
        return len(self.instrument_heights)

    @property
    def page_check(self) -> float:
        """(Sum of backsights - sum of foresights) - (last - first); zero but for rounding."""
        return (self.backsight_sum - self.foresight_sum) - (
            self.elevations[-1] - self.elevations[0]
        )


def reduce_page(stations: Sequence[Station], first_elevation: float) -> ReducedPage:
    """Reduce a level run from a point of known elevation.

    Parameters
    ----------
    stations : sequence of Station
        In the order of the run, at least two.
    first_elevation : float
        Elevation of the first station, metres.

    Raises
    ------
    InputError
        If a sight is missing or one too many.
    """
    if len(stations) < 2:
        raise InputError("a level run needs two stations at least", cure="add the foresight")
    elevations, heights = [first_elevation], []
    for number, (behind, ahead) in enumerate(pairwise(stations), start=1):
        if behind.backsight is None or ahead.foresight is None:
            missing = "backsight" if behind.backsight is None else "foresight"
            at = behind.point if behind.backsight is None else ahead.point
            raise InputError(
                f"set-up {number} has no {missing} on {at}",
                where=f"set-up {number}",
                cure="add the reading",
            )
        heights.append(elevations[-1] + behind.backsight)
        elevations.append(heights[-1] - ahead.foresight)
    if stations[0].foresight is not None or stations[-1].backsight is not None:
        raise InputError(
            "a level run begins with a backsight alone and ends with a foresight alone",
            cure="drop the sight that leads nowhere, or add its set-up",
        )
    return ReducedPage(
        points=tuple(station.point for station in stations),
        elevations=tuple(elevations),
        instrument_heights=tuple(heights),
        backsight_sum=math.fsum(station.backsight or 0.0 for station in stations),
        foresight_sum=math.fsum(station.foresight or 0.0 for station in stations),
    )


def derive_misclosure(page: ReducedPage, known_last: float) -> float:
    """Return the run's last elevation minus its known one, metres."""
    return page.elevations[-1] - known_last


def distribute_misclosure(page: ReducedPage, misclosure: float) -> tuple[float, ...]:
    """Return the elevations with the misclosure shared equally among the set-ups, metres.

    The n-th station of N set-ups gets -misclosure n / N (US Navy Engineering Aid training manual,
    NAVEDTRA 14071 series, level computations).
    """
    return tuple(
        elevation - misclosure * number / page.setups
        for number, elevation in enumerate(page.elevations)
    )


def allowable_misclosure(setups: int, rod_sd: float, *, factor: float = 3.0) -> float:
    """Return the misclosure that honest readings stay under, metres.

    Each set-up adds one backsight and one foresight of `rod_sd`, so the misclosure's standard
    deviation is rod_sd sqrt(2 N). Rules by the square root of the length in kilometres give 2 mm
    for a 30 m roof loop whatever the rod, so they are not used here. `factor` 3: 99.7 % of runs.
    """
    return factor * rod_sd * math.sqrt(2 * setups)
