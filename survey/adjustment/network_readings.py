"""Observations from the readings file: tapes, rods, slopes, and where a rod stood by tape."""

from __future__ import annotations

from survey.adjustment.model import (
    Elevation,
    Observation,
    RodHeight,
    SlopeOfPlane,
    SpotOnPlane,
    TapeLength,
)
from survey.findings import Finding
from survey.visit.model import RodReading, SlopeReading, TapeReading, Visit


def observe_readings(visit: Visit) -> tuple[list[Observation], list[Finding]]:
    """Benchmarks and every reading of the visit."""
    observations: list[Observation] = [
        Elevation(
            id=f"benchmark {mark.name}",
            where=f"benchmark {mark.name}",
            point=mark.name,
            value=mark.elevation,
            sd=mark.sd,
        )
        for mark in visit.benchmarks
    ]
    for reading in visit.readings:
        match reading:
            case TapeReading():
                observations.append(
                    TapeLength(
                        id=reading.id,
                        where=reading.where,
                        start=reading.start,
                        end=reading.end,
                        value=reading.value,
                        sd=reading.sd,
                    )
                )
            case RodReading():
                observations.append(
                    RodHeight(
                        id=reading.id,
                        where=reading.where,
                        setup=reading.setup,
                        point=reading.point,
                        value=reading.value,
                        sd=reading.sd,
                    )
                )
            case SlopeReading():
                observations.append(_slope(reading))
    return [*observations, *_spots(visit)], []


def _slope(reading: SlopeReading) -> SlopeOfPlane:
    along = reading.direction != "fall" and reading.start is not None and reading.end is not None
    return SlopeOfPlane(
        id=reading.id,
        where=reading.where,
        plane=reading.plane,
        value=reading.value if along else abs(reading.value),
        sd=reading.sd,
        start=reading.start if along else None,
        end=reading.end if along else None,
    )


def _spots(visit: Visit) -> list[Observation]:
    """Places by tape, each once, though a point may have been read from several set-ups."""
    outlines = {plane.name: plane.outline for plane in visit.planes}
    spots: dict[tuple[str, str, float, float], SpotOnPlane] = {}
    for reading in visit.readings:
        if not isinstance(reading, RodReading) or reading.spot is None:
            continue
        spot = reading.spot
        outline = outlines.get(spot.plane)
        if outline is None or reading.point == outline[0]:
            continue  # the first corner is the origin itself
        spots.setdefault(
            (spot.plane, reading.point, spot.along, spot.up),
            SpotOnPlane(
                id=f"spot {reading.point} by {reading.id}",
                where=f"place of {reading.point}, {reading.where}",
                plane=spot.plane,
                point=reading.point,
                origin=outline[0],
                direction=outline[1],
                along=spot.along,
                up=spot.up,
                sd=spot.sd,
            ),
        )
    return list(spots.values())
