"""Usual slips: what a reading that disagrees was probably meant to be.

The list is that of anybody who has booked readings (common practice): a foot or ten feet misread
on a tape, an inch or a tenth of a foot on a rod, two digits exchanged, feet booked as metres, two
point names exchanged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from survey.adjustment.model import (
    POINT,
    Elevation,
    Observation,
    RodHeight,
    SlopeOfPlane,
    State,
    TapeLength,
)

FOOT = 0.3048  # m, international foot
INCH = 0.0254  # m
WITHIN = 3.0  # sds that the corrected reading may still differ
TELLING = 3.0  # a slip must be this many times larger than that to be told from chance
US_TAPE = [(FOOT, "one foot"), (10 * FOOT, "ten feet"), (INCH, "one inch")]
METRIC_TAPE = [(1.0, "one metre"), (0.1, "ten centimetres"), (10.0, "ten metres")]
US_ROD = [(INCH, "one inch"), (0.1 * FOOT, "a tenth of a foot"), (FOOT, "one foot")]
METRIC_ROD = [(0.1, "ten centimetres"), (0.01, "one centimetre"), (1.0, "one metre")]
MOST_POINTS = 60  # with more points some wrong pair always has the taped length


@dataclass(frozen=True, slots=True)
class Slip:
    """A usual slip that explains a reading: what it should have been, and in words.

    `common`: among those that anybody makes (a foot, ten feet, an inch, a tenth, exchanged digits).
    """

    value: float
    words: str
    common: bool = True


def usual_slip(
    observation: Observation, predicted: float, sd: float, units: str = "us"
) -> Slip | None:
    """Find the usual slip that takes a reading to what the others predict.

    Parameters
    ----------
    observation : Observation
        With a single `value`.
    predicted : float
        What the others say it should read, same unit.
    sd : float
        Of the difference, without any slip.
    units : str
        "us" or "metric": which digits were booked.

    Returns
    -------
    Slip or None
        None when nothing usual fits, or when the figures are too vague to tell.
    """
    value = getattr(observation, "value", None)
    if not isinstance(value, float | int):
        return None
    best: Slip | None = None
    for corrected, words, common in _candidates(observation, float(value), units):
        off = abs(corrected - predicted)
        if abs(corrected - value) < TELLING * WITHIN * sd or off >= WITHIN * sd:
            continue
        nearer = best is None or off < abs(best.value - predicted)
        if best is None or (common and not best.common) or (common == best.common and nearer):
            best = Slip(corrected, words, common)
    return best


def _candidates(
    observation: Observation, value: float, units: str
) -> Iterator[tuple[float, str, bool]]:
    """Corrected readings with the slip in words; the first named wins a draw."""
    metric = units == "metric"
    match observation:
        case TapeLength():
            yield from _off_by(value, METRIC_TAPE if metric else US_TAPE, common=True)
            yield from _exchanged_digits(value, units, rod=False)
            yield from _units(value)
            yield from _off_by(value, US_TAPE if metric else METRIC_TAPE, common=False)
            yield from _off_by(value, [(5 * FOOT, "five feet")], common=False)
        case RodHeight() | Elevation():
            rod = isinstance(observation, RodHeight)
            yield from _off_by(value, METRIC_ROD if metric else US_ROD, common=True)
            yield from _exchanged_digits(value, units, rod=rod)
            yield from _units(value)
            yield from _off_by(value, US_ROD if metric else METRIC_ROD, common=False)
        case SlopeOfPlane():
            yield -value, "taken the other way round", True
            yield float(np.arctan(np.degrees(value) / 100.0)), "percent booked as degrees", True
            yield float(np.radians(100.0 * np.tan(value))), "degrees booked as percent", True
            twelve = float(np.arctan(np.degrees(value) / 12.0))
            yield twelve, "inches in twelve booked as degrees", True
        case _:
            return


def _off_by(
    value: float, steps: list[tuple[float, str]], *, common: bool
) -> Iterator[tuple[float, str, bool]]:
    for step, name in steps:
        yield value - step, f"{name} too much", common
        yield value + step, f"{name} too little", common


def _units(value: float) -> Iterator[tuple[float, str, bool]]:
    yield value * FOOT, "feet booked as metres", True
    yield value / FOOT, "metres booked as feet", True
    yield value / 12.0, "inches booked as feet", True


def _exchanged_digits(value: float, units: str, *, rod: bool) -> Iterator[tuple[float, str, bool]]:
    """Exchange two neighbouring digits: of whole feet, of hundredths on a rod, of centimetres."""
    if value <= 0.0:
        return
    step = 0.01 if units == "metric" else 0.01 * FOOT if rod else FOOT
    whole, rest = divmod(value / step + 1e-6, 1.0)
    digits = str(int(whole))
    for i in range(len(digits) - 1):
        if digits[i] != digits[i + 1]:
            swapped = digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :]
            yield (int(swapped) + rest - 1e-6) * step, "two digits exchanged", True


def wrong_end(tape: TapeLength, state: State, sd: float) -> tuple[str, str] | None:
    """Find the pair of points whose distance a tape really holds, if one of its ends is wrong.

    Parameters
    ----------
    tape : TapeLength
    state : State
        Adjusted points.
    sd : float
        Of the taped against the adjusted length.

    Returns
    -------
    (start, end) or None
        None also when several pairs fit, or when there are too many points to tell.
    """
    points = {k[1]: np.asarray(x, dtype=float) for k, x in state.items() if k[0] == POINT}
    if len(points) > MOST_POINTS or not {tape.start, tape.end} <= points.keys():
        return None
    found = [
        (kept, other) if kept == tape.start else (other, kept)
        for kept in (tape.start, tape.end)
        for other in points
        if other not in (tape.start, tape.end)
        and abs(float(np.linalg.norm(points[kept] - points[other])) - tape.value) < WITHIN * sd
    ]
    return found[0] if len(found) == 1 else None


def exchanged_names(first: tuple[float, float], second: tuple[float, float], sd: float) -> bool:
    """Whether two readings (value, predicted) would both fit with their names exchanged.

    Parameters
    ----------
    first, second : (value, predicted)
    sd : float
        Of one difference.
    """
    crossed = max(abs(first[0] - second[1]), abs(second[0] - first[1]))
    straight = min(abs(first[0] - first[1]), abs(second[0] - second[1]))
    return crossed < WITHIN * sd and straight > TELLING * WITHIN * sd
