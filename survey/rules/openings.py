"""Curbs and penetrations that are wide enough to need a saddle on their upper side."""

from __future__ import annotations

import re

from survey.adjustment.network_marks import penetrations_of
from survey.figures import Figure
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.rules.limits import limit
from survey.rules.places import belongs_to, points_by_name, size_of
from survey.rules.slopes import Standing, compare
from survey.rules.wording import plain_length, say
from survey.visit.model import PenetrationSpec, Visit

SKYLIGHT = re.compile(r"sky ?light|roof window", re.IGNORECASE)


def find_saddle_findings(plane: MeasuredPlane, visit: Visit, planes: PlaneSet) -> list[Finding]:
    """Return penetrations wider across the slope than the width that needs a saddle."""
    found = []
    for penetration in penetrations_of(visit):
        if belongs_to(penetration, plane):
            found += _saddle(penetration, plane, visit, planes)
    return found


def _saddle(
    penetration: PenetrationSpec, plane: MeasuredPlane, visit: Visit, planes: PlaneSet
) -> list[Finding]:
    row = limit("irc-saddle-width")
    bound = float(row.amount)
    asked = f"{plain_length(bound, visit.units)} ({row.citation})"
    where = f"{penetration.kind} '{penetration.name}'"
    width = size_of(penetration, plane, points_by_name(planes), across=True)
    if width is None and penetration.width is not None:
        width = Figure(penetration.width, 0.0, "m")
        words = f"{plain_length(penetration.width, visit.units)} (as written down)"
    elif width is None:
        return [
            Finding(
                "penetration-width-not-known",
                Severity.NOTE,
                where,
                f"its width across the slope is not known; wider than {asked} needs a saddle",
                "tape it across the slope",
                row.id,
            )
        ]
    else:
        words = say(width, visit.units)
    above = width.value - width.half_width > bound
    below = compare(width, bound) is Standing.BELOW or width.value + width.half_width <= bound
    if below or penetration.saddle:
        return []
    if not above:
        return [
            Finding(
                "saddle-width-near-limit",
                Severity.CHECK,
                where,
                f"it is {words} wide across the slope, which may be either side of {asked}",
                "tape it across the slope",
                row.id,
            )
        ]
    return [_needed(penetration, words, asked, where, visit)]


def _needed(
    penetration: PenetrationSpec, words: str, asked: str, where: str, visit: Visit
) -> Finding:
    excepted = bool(SKYLIGHT.search(penetration.kind))
    state = "no saddle stands behind it" if penetration.saddle is False else "no saddle is noted"
    nuance = "; a unit skylight flashed to its instructions is excepted" if excepted else ""
    dwellings = "" if visit.building == "dwelling" else "; the rule is written for dwellings"
    return Finding(
        "saddle-needed",
        Severity.NOTE if excepted else Severity.CHECK,
        where,
        f"it is {words} wide across the slope, over {asked}, and {state}{nuance}{dwellings}",
        "plan a saddle on its upper side"
        if penetration.saddle is False
        else "look for a saddle on its upper side; plan one if there is none",
        "irc-saddle-width",
    )
