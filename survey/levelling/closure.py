"""Rod readings of a visit, set-up by set-up: elevations, closures, and what nothing checks.

Every rod reading ties a set-up to a point: height of instrument - reading = elevation. Walking from
one set-up or benchmark over the readings gives each point an elevation; every reading that was not
needed for that closes a loop and shows a misclosure.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from survey.findings import Finding, Severity
from survey.units import System, format_length
from survey.visit.model import FixedPoint, RodReading, Visit

FACTOR = 3.0  # a misclosure over three standard deviations: 0.3 % of honest loops
DATUM = ("datum", "")
Node = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Closure:
    """A loop of rod readings that should close.

    `reading` closed it; `readings` are the ids of all in it; `misclosure` is that reading minus
    what the others make of it, metres, with its standard deviation `sd`.
    """

    reading: str
    where: str
    readings: tuple[str, ...]
    setups: tuple[str, ...]
    misclosure: float
    sd: float

    @property
    def allowable(self) -> float:
        """Return the largest misclosure that honest readings leave, metres."""
        return FACTOR * self.sd


@dataclass(frozen=True, slots=True)
class Levels:
    """Rod readings of a visit reduced by set-up.

    Attributes
    ----------
    elevations : dict of str to float
        Elevation of each point read, metres: above the benchmarks' datum, or relative to the first
        set-up of its group where no benchmark is tied in.
    instrument_heights : dict of str to float
        The same for each set-up.
    groups : tuple of tuple of str
        Set-ups that are tied to each other by points read from both, largest group first.
    closures : tuple of Closure
    unchecked : tuple of str
        Ids of readings in no loop: a slip in one of them shows nowhere in the levelling.
    """

    elevations: dict[str, float]
    instrument_heights: dict[str, float]
    groups: tuple[tuple[str, ...], ...]
    closures: tuple[Closure, ...]
    unchecked: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Tie:
    """One reading or benchmark as a tie between two nodes: value(upper) - value(lower) = rise."""

    upper: Node
    lower: Node
    rise: float
    sd: float
    id: str
    where: str

    def across(self, node: Node) -> tuple[Node, float]:
        """Return the other node and how much higher it is."""
        return (self.lower, -self.rise) if node == self.upper else (self.upper, self.rise)


@dataclass(slots=True)
class _Walk:
    """Heights found so far, the tie that led to each node, and how deep it lies."""

    heights: dict[Node, float]
    led_by: dict[Node, _Tie]
    depth: dict[Node, int]


def reduce_readings(
    readings: Sequence[RodReading], benchmarks: Sequence[FixedPoint] = ()
) -> Levels:
    """Reduce rod readings to elevations and closures.

    Parameters
    ----------
    readings : sequence of RodReading
    benchmarks : sequence of FixedPoint
        Points of known elevation.

    Returns
    -------
    Levels
    """
    ties = _ties(readings, benchmarks)
    by_node: dict[Node, list[_Tie]] = {}
    for tie in ties:
        by_node.setdefault(tie.upper, []).append(tie)
        by_node.setdefault(tie.lower, []).append(tie)
    starts = ([DATUM] if benchmarks else []) + [("setup", one.setup) for one in readings]
    walk = _Walk({}, {}, {})
    groups = []
    for start in starts:
        if start not in walk.heights:
            reached = _spread(start, by_node, walk)
            groups.append(tuple(name for kind, name in reached if kind == "setup"))
    used = {id(tie) for tie in walk.led_by.values()}
    closures = tuple(_close(tie, walk) for tie in ties if id(tie) not in used)
    checked = {one for closure in closures for one in closure.readings}
    return Levels(
        elevations={name: z for (kind, name), z in walk.heights.items() if kind == "point"},
        instrument_heights={name: z for (kind, name), z in walk.heights.items() if kind == "setup"},
        groups=tuple(sorted((group for group in groups if group), key=len, reverse=True)),
        closures=closures,
        unchecked=tuple(one.id for one in readings if one.id not in checked),
    )


def check_levels(visit: Visit) -> tuple[Finding, ...]:
    """Return what the rod readings of a visit say about themselves, before any adjustment."""
    readings = [one for one in visit.readings if isinstance(one, RodReading)]
    if not readings:
        return ()
    levels = reduce_readings(readings, visit.benchmarks)
    system: System = "metric" if visit.units == "metric" else "us"
    findings = [
        _misclosure_finding(one, system)
        for one in levels.closures
        if abs(one.misclosure) > one.allowable
    ]
    tied = ", ".join(levels.groups[0]) if levels.groups else ""
    findings += [
        Finding(
            code="set-up-not-tied",
            severity=Severity.CHECK,
            where=", ".join(group),
            what=f"no point was read from both {', '.join(group)} and {tied}, so their heights "
            "can't be compared by level alone",
            cure="read one fixed point from both set-ups",
        )
        for group in levels.groups[1:]
    ]
    unclosed = _setups_without_check(readings, levels)
    findings += [
        Finding(
            code="set-up-not-checked",
            severity=Severity.NOTE,
            where=setup,
            what=f"none of the {count} rod readings of set-up {setup} closes a loop, so a level "
            "that moved would not show",
            cure="read the first point again before taking the level down, or a second point from "
            "both set-ups",
        )
        for setup, count in unclosed
    ]
    return tuple(findings)


def _ties(readings: Sequence[RodReading], benchmarks: Sequence[FixedPoint]) -> list[_Tie]:
    ties = [
        _Tie(("point", one.name), DATUM, one.elevation, one.sd, one.name, "visit.toml")
        for one in benchmarks
    ]
    return ties + [
        _Tie(("setup", one.setup), ("point", one.point), one.value, one.sd, one.id, one.where)
        for one in readings
    ]


def _spread(start: Node, by_node: dict[Node, list[_Tie]], walk: _Walk) -> list[Node]:
    """Give every node tied to `start` its height, breadth first; return the nodes reached."""
    walk.heights[start], walk.depth[start] = 0.0, 0
    reached, waiting = [start], deque([start])
    while waiting:
        node = waiting.popleft()
        for tie in by_node.get(node, ()):
            other, higher = tie.across(node)
            if other in walk.heights:
                continue
            walk.heights[other] = walk.heights[node] + higher
            walk.depth[other] = walk.depth[node] + 1
            walk.led_by[other] = tie
            reached.append(other)
            waiting.append(other)
    return reached


def _close(tie: _Tie, walk: _Walk) -> Closure:
    """Follow the loop that a tie closes, and compare it with the others in the loop."""
    loop = [tie]
    one, other = tie.upper, tie.lower
    while one != other:
        if walk.depth[one] < walk.depth[other]:
            one, other = other, one
        loop.append(walk.led_by[one])
        one = walk.led_by[one].across(one)[0]
    setups = {end[1] for part in loop for end in (part.upper, part.lower) if end[0] == "setup"}
    return Closure(
        reading=tie.id,
        where=tie.where,
        readings=tuple(part.id for part in loop),
        setups=tuple(sorted(setups)),
        misclosure=tie.rise - (walk.heights[tie.upper] - walk.heights[tie.lower]),
        sd=math.sqrt(math.fsum(part.sd**2 for part in loop)),
    )


def _misclosure_finding(closure: Closure, system: System) -> Finding:
    amount = format_length(abs(closure.misclosure), system)
    return Finding(
        code="levelling-misclosure",
        severity=Severity.CHECK,
        where=closure.where,
        what=f"readings {', '.join(sorted(closure.readings))} should close but miss by {amount}; "
        f"readings this good miss by {format_length(closure.allowable, system)} at most",
        cure="read these points again, or look for a slip of a foot, an inch or a tenth",
    )


def _setups_without_check(readings: Sequence[RodReading], levels: Levels) -> list[tuple[str, int]]:
    """Return the set-ups with several readings of which none is in a loop, with their number."""
    unchecked = set(levels.unchecked)
    by_setup: dict[str, list[str]] = {}
    for one in readings:
        by_setup.setdefault(one.setup, []).append(one.id)
    return [
        (setup, len(ids))
        for setup, ids in by_setup.items()
        if len(ids) > 1 and unchecked.issuperset(ids)
    ]
