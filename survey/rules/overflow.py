"""Overflow drains and scuppers, and the weight of water where there are none."""

from __future__ import annotations

import math

import numpy as np

from survey.drainage.edges import Role, borders_of
from survey.drainage.model import PlaneDrainage
from survey.figures import Figure, NotObserved
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.rules.limits import limit
from survey.rules.places import (
    basis_of,
    belongs_to,
    is_drain,
    is_overflow,
    place_on,
    points_by_name,
)
from survey.rules.water import HELD
from survey.rules.wording import plain_length, say, system_of
from survey.units import format_pressure
from survey.visit.model import OutletKind, OutletSpec, Visit


def find_overflow_findings(
    plane: MeasuredPlane, visit: Visit, planes: PlaneSet, drainage: PlaneDrainage | None
) -> list[Finding]:
    """Return what the estimator must see of overflow where a plane's edges all hold water back."""
    if not perimeter_traps(plane, planes):
        return []
    where = f"plane '{plane.spec.name}'"
    outlets = [outlet for outlet in visit.outlets if belongs_to(outlet, plane)]
    overflows = [outlet for outlet in outlets if is_overflow(outlet)]
    found = [_blocked_finding(plane, where, visit, planes, drainage)]
    if not overflows:
        return [*found, _missing_overflow(where, visit)]
    drains = [outlet for outlet in outlets if is_drain(outlet)]
    for outlet in overflows:
        found += _overflow_height(outlet, drains, plane, planes, drainage, visit)
        if outlet.kind is OutletKind.OVERFLOW_SCUPPER:
            found.append(_scupper_size(outlet, drains, visit))
    return found


def perimeter_traps(plane: MeasuredPlane, planes: PlaneSet) -> bool:
    """Whether every edge of a plane holds water back, so that it stands when outlets block."""
    return all(border.role is Role.DAM for border in borders_of(plane, planes))


def _missing_overflow(where: str, visit: Visit) -> Finding:
    relief = limit("reroof-secondary-drainage")
    row = limit("irc-overflow-inlet-height")
    nuance = (
        f"; a re-roof with positive drainage need not add it ({relief.citation})"
        if visit.work in ("replacement", "re-cover")
        else ""
    )
    return Finding(
        "overflow-missing",
        Severity.CHECK,
        where,
        "its edges hold water when its outlets block, and no overflow drain or scupper is written "
        f"down ({row.citation}){nuance}",
        "look for an overflow, write it down, or plan one",
        row.id,
    )


def _blocked_finding(
    plane: MeasuredPlane,
    where: str,
    visit: Visit,
    planes: PlaneSet,
    drainage: PlaneDrainage | None,
) -> Finding:
    """Say what water weighs behind blocked outlets: information, for an engineer to judge."""
    row = limit("ponded-water-weight")
    blocked = drainage.blocked if drainage else None
    lowest = min(border.dam_height for border in borders_of(plane, planes))
    if blocked and isinstance(blocked.depth, Figure) and isinstance(blocked.load, Figure):
        over = f" before it runs over '{blocked.spills_over}'" if blocked.spills_over else ""
        stands = (
            f"water could stand {say(blocked.depth, visit.units)} deep{over}, "
            f"{say(blocked.load, visit.units)} at its deepest"
        )
    elif math.isfinite(lowest):
        load = format_pressure(lowest * float(row.amount), system_of(visit.units))
        stands = (
            f"water could stand {plain_length(lowest, visit.units)} deep at its lowest dam, "
            f"{load} there"
        )
    else:
        stands = "how deep water could stand is not known, no dam height being written down"
    return Finding(
        "blocked-outlet-load",
        Severity.NOTE,
        where,
        f"if its outlets block, {stands}; {_weight_words(visit.units)} ({row.citation})",
        "ask a licensed engineer what the deck carries",
        row.id,
    )


def _weight_words(units: str) -> str:
    if units == "metric":
        return "10 mm of water weigh 0.098 kPa"
    return "an inch of water weighs 5.2 psf"


def _overflow_height(
    outlet: OutletSpec,
    drains: list[OutletSpec],
    plane: MeasuredPlane,
    planes: PlaneSet,
    drainage: PlaneDrainage | None,
    visit: Visit,
) -> list[Finding]:
    """Compare an overflow's inlet with the 2 in above the low point that the IRC sets."""
    row = limit("irc-overflow-inlet-height")
    where = f"outlet '{outlet.name}' on plane '{plane.spec.name}'"
    height = _judged_height(outlet, drainage) or height_above_low_point(
        outlet, drains, plane, planes, drainage
    )
    asked = f"{plain_length(float(row.amount), visit.units)} above the low point ({row.citation})"
    if isinstance(height, NotObserved):
        return [
            Finding(
                "overflow-height-not-observed",
                Severity.NOTE,
                where,
                f"height of its inlet above the low point not observed: {height.why}; the code "
                f"sets it {asked}",
                height.cure,
                row.id,
            )
        ]
    words = f"its inlet is {say(height, visit.units)} above the low point; the code sets it {asked}"
    if height.value - height.half_width > float(row.amount):
        return [
            Finding(
                "overflow-too-high",
                Severity.CHECK,
                where,
                f"{words}, so more water stands than it was meant for",
                "measure it on site; plan a lower overflow",
                row.id,
            )
        ]
    return [Finding("overflow-height", Severity.NOTE, where, words, "", row.id)]


def _judged_height(outlet: OutletSpec, drainage: PlaneDrainage | None) -> Figure | None:
    """Return an outlet's height above its low point as the drainage stage found it, if it did."""
    for state in drainage.outlets if drainage else ():
        if state.name == outlet.name and isinstance(state.above_low_point, Figure):
            return state.above_low_point
    return None


def height_above_low_point(
    outlet: OutletSpec,
    drains: list[OutletSpec],
    plane: MeasuredPlane,
    planes: PlaneSet,
    drainage: PlaneDrainage | None,
) -> Figure | NotObserved:
    """Return how high an outlet's flow line lies above the plane's low point, metres.

    The low point is the lowest of the drains' flow lines, the bottoms of low spots and the
    outline's corners, on the fitted plane; low spots deepen it. The interval is the plane's own:
    half-widths of what was written down are not known and are not in it.
    """
    points = points_by_name(planes)
    here = place_on(outlet, plane, points)
    basis = basis_of(plane)
    name = outlet.name
    if here is None or basis is None:
        return NotObserved(f"where '{name}' is was not measured", f"mark or tape '{name}'")
    if outlet.invert is None:
        return NotObserved(
            "the height of its flow line above the roof beside it is not written down",
            f"measure up to the flow line of '{name}' and write it as its invert",
        )
    if plane.gradient is None:
        return NotObserved("the plane's fall is not observed", "take one level reading on it")
    heights = [float(z) for z in plane.outline[:, 2] if np.isfinite(z)]
    for drain in drains:
        place = place_on(drain, plane, points)
        if place is not None:
            heights.append(float(basis.to_site(place)[2]) + (drain.invert or 0.0))
    for spot in drainage.low_spots if drainage else ():
        if spot.likelihood in HELD and isinstance(spot.depth, Figure):
            heights.append(float(basis.to_site(spot.spill)[2]) - spot.depth.value)
    height = float(basis.to_site(here)[2]) + outlet.invert - min(heights)
    spread = plane.fit_rms.value if isinstance(plane.fit_rms, Figure) else plane.spec.sag_sd
    return Figure(height, max(spread, plane.spec.flatness_sd), "m")


def _scupper_size(outlet: OutletSpec, drains: list[OutletSpec], visit: Visit) -> Finding:
    """Say how high and wide an overflow scupper has to be, and check its width where known."""
    high = limit("irc-overflow-scupper-height")
    times = limit("irc-overflow-scupper-size")
    where = f"outlet '{outlet.name}'"
    least = float(high.amount)
    words = (
        f"an overflow scupper is at least {plain_length(least, visit.units)} high and three times "
        f"the size of the roof drain ({times.citation})"
    )
    if outlet.height is not None and outlet.height < least:
        return Finding(
            "overflow-scupper-low",
            Severity.CHECK,
            where,
            f"{words}, and its opening is {plain_length(outlet.height, visit.units)} high",
            "plan a higher opening",
            high.id,
        )
    widths = [d.width for d in drains if d.kind is OutletKind.DRAIN and d.width is not None]
    if not widths:
        return Finding(
            "overflow-scupper-size",
            Severity.NOTE,
            where,
            f"{words}; the roof drain's width is not written down",
            "measure the drain and the scupper's opening",
            times.id,
        )
    high_now = outlet.height if outlet.height is not None else least
    needed = float(times.amount) * math.pi / 4 * max(widths) ** 2 / high_now
    need = (
        f"beside a drain of {plain_length(max(widths), visit.units)} a scupper "
        f"{plain_length(high_now, visit.units)} high is {plain_length(needed, visit.units)} wide"
    )
    if outlet.width is not None and outlet.width < needed:
        return Finding(
            "overflow-scupper-narrow",
            Severity.CHECK,
            where,
            f"{words}; {need}, and it is {plain_length(outlet.width, visit.units)} wide",
            "measure its height: a higher opening may be narrower"
            if outlet.height is None
            else "plan a wider opening",
            times.id,
        )
    return Finding(
        "overflow-scupper-size",
        Severity.NOTE,
        where,
        f"{words}; {need}",
        "measure its opening's height" if outlet.height is None else "compare it on site",
        times.id,
    )
