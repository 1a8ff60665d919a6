"""Offsets from a taut string: what they tell of the roof between the string's two ends."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag

from survey.drainage.evidence import Soundings
from survey.drainage.fittings import PlaneFrame, place_of_point
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import StringReading, StringSpec, Visit

Array = npt.NDArray[np.float64]


def add_string_offsets(
    soundings: Soundings,
    plane: MeasuredPlane,
    planes: PlaneSet,
    visit: Visit,
    frame: PlaneFrame,
) -> tuple[Soundings, Array, tuple[str, ...]]:
    """Add the offsets measured from strings over a plane to what else was read on it.

    The string runs straight between its ends, `start_height` and `end_height` above the roof, but
    for its sag, a parabola. At a share t of its length the roof lies the offset below it::

        z(t) - (1 - t) z(0) - t z(1) = (1 - t) h0 + t h1 - 4 t (1 - t) sag - offset

    The heights of both ends and the sag are the same for all offsets of a string, so that their
    errors are shared by them.

    Returns
    -------
    soundings : Soundings
    places : (k, 2) array
        Where offsets were read, plane frame.
    notes : tuple of str
        What was used, and what could not be.
    """
    found, notes, used = np.zeros((0, 2)), [], 0
    for string in visit.strings:
        mine = [
            reading
            for reading in visit.readings
            if isinstance(reading, StringReading) and reading.string == string.name
        ]
        if string.plane != plane.spec.name or not mine:
            continue
        ends = [place_of_point(name, plane, planes, frame) for name in (string.start, string.end)]
        if ends[0] is None or ends[1] is None:
            lost = string.start if ends[0] is None else string.end
            notes.append(
                f"string {string.name!r} was not used: where {lost!r} lies was not measured"
            )
            continue
        start, end = ends[0], ends[1]
        length = float(np.linalg.norm(end - start))
        shares = np.array([reading.along for reading in mine]) / max(length, 1e-9)
        within = (shares > 0) & (shares < 1)
        beyond = [reading.id for reading, kept in zip(mine, within, strict=True) if not kept]
        if beyond:
            notes.append(
                f"{', '.join(beyond)} not used: not between the ends of string {string.name!r}, "
                f"which is {length / 0.3048:.1f} ft ({length:.2f} m) long"
            )
        if not within.any():
            continue
        mine = [reading for reading, kept in zip(mine, within, strict=True) if kept]
        shares = shares[within]
        places = start + shares[:, None] * (end - start)
        soundings = _merge(soundings, string, mine, shares, np.vstack([places, start, end]))
        found = np.vstack([found, places])
        used += 1
    if used:
        notes.append(f"{len(found)} offsets from {used} string{'s' * (used > 1)} were used")
    return soundings, found, tuple(notes)


def _merge(
    soundings: Soundings,
    string: StringSpec,
    readings: list[StringReading],
    shares: Array,
    places: Array,
) -> Soundings:
    """Add the offsets of one string, as differences from the roof under both its ends."""
    hanging = 4.0 * shares * (1.0 - shares)
    straight = (1.0 - shares) * string.start_height + shares * string.end_height
    offsets = np.array([reading.value for reading in readings])
    shared = np.column_stack([1.0 - shares, shares, -hanging])
    sds = np.array([string.end_sd, string.end_sd, string.sag_sd])
    covariance = np.diag([reading.sd**2 for reading in readings]) + (shared * sds**2) @ shared.T
    differences = np.column_stack([np.eye(len(shares)), shares - 1.0, -shares])
    before = soundings.operator
    if before is None:
        before = np.eye(len(soundings.places))
    return replace(
        soundings,
        places=np.vstack([soundings.places, places]),
        heights=np.append(soundings.heights, straight - hanging * string.sag - offsets),
        covariance=block_diag(soundings.covariance, covariance),
        operator=block_diag(before, differences),
    )
