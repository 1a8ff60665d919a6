"""Marks and readings: what was pointed at in photos and read on site, as plain values.

Photo coordinates are in the pixel frame (x right, y down, centre of the top-left pixel (0, 0),
after the Exif orientation has been applied); lengths are metres, angles radians. Everybody imports
these from `survey.visit.model`.
"""

from __future__ import annotations

from dataclasses import dataclass

OUTLINE_PURPOSES = ("tide line", "penetration", "damage")
"""What a polygon traced in a photo may be."""


@dataclass(frozen=True, slots=True)
class PointMark:
    """A named point pressed in a photo; `sd_px` one standard deviation a coordinate."""

    id: str
    photo: str
    point: str
    px: tuple[float, float]
    sd_px: float = 1.5


@dataclass(frozen=True, slots=True)
class EdgeMark:
    """A stretch of the edge from point `start` to point `end`, whose ends need not be the points'.

    The distance of both ends of the mark from the projected line is observed, each with `sd_px`.
    """

    id: str
    photo: str
    start: str
    end: str
    px: tuple[tuple[float, float], tuple[float, float]]
    sd_px: float = 1.5


@dataclass(frozen=True, slots=True)
class GravityMark:
    """A line in a photo that is plumb (`direction` "plumb") or level in reality.

    A level line also names what it runs along (`on`: a wall plane, a target or an edge name), since
    "level" alone does not say which horizontal direction. `departure_sd` is how far real building
    lines depart from true (radians, 2 mm per m).
    """

    id: str
    photo: str
    direction: str
    px: tuple[tuple[float, float], tuple[float, float]]
    on: str | None = None
    sd_px: float = 1.5
    departure_sd: float = 0.002


@dataclass(frozen=True, slots=True)
class OutlineMark:
    """A polygon traced in a photo on a plane. `purpose`: "tide line", "penetration", "damage"."""

    id: str
    photo: str
    name: str
    purpose: str
    plane: str
    px: tuple[tuple[float, float], ...]
    sd_px: float = 3.0


Mark = PointMark | EdgeMark | GravityMark | OutlineMark


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on a plane by tape: `along` its first edge, `up` square to it within the plane.

    Both count from the first point of the plane's outline, metres, each with `sd`.
    """

    plane: str
    along: float
    up: float
    sd: float = 0.00635  # 1/4 in; common practice


@dataclass(frozen=True, slots=True)
class RodReading:
    """Rod read at a named point (which may have a spot) from a set-up, metres."""

    id: str
    where: str  # "readings.csv line 14"
    setup: str
    point: str
    value: float
    sd: float
    spot: Spot | None = None


@dataclass(frozen=True, slots=True)
class TapeReading:
    """Taped slope distance between two named points, metres."""

    id: str
    where: str
    start: str
    end: str
    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class SlopeReading:
    """Digital-level reading on a plane, radians above horizontal.

    `direction`: "fall" (along the steepest fall, sign ignored), or from point `start` to `end`
    (positive when it rises that way). `spot`: where it was taken, if told.
    """

    id: str
    where: str
    plane: str
    value: float
    sd: float
    direction: str = "fall"
    start: str | None = None
    end: str | None = None
    spot: Spot | None = None


@dataclass(frozen=True, slots=True)
class StringReading:
    """Offset from a taut string down to the roof, metres, `along` metres from where it begins."""

    id: str
    where: str
    string: str
    along: float
    value: float
    sd: float


Reading = RodReading | TapeReading | SlopeReading | StringReading
