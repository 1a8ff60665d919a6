"""Low spots and their outlets against what the codes ask."""

from __future__ import annotations

from survey.drainage.model import Likelihood, LowSpot, PlaneDrainage
from survey.figures import Figure
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane
from survey.rules.wording import joined, say_between, scaled
from survey.visit.model import Visit

HELD = (Likelihood.SHOWN, Likelihood.LIKELY)


def find_water_findings(
    plane: MeasuredPlane, visit: Visit, drainage: PlaneDrainage | None
) -> list[Finding]:
    """Return what the estimator must see of low spots on one roof plane."""
    where = f"plane '{plane.spec.name}'"
    found: list[Finding] = []
    if drainage is not None:
        found += drainage.findings
    if drainage is not None and drainage.not_judged:
        found.append(
            Finding(
                "drainage-not-judged",
                Severity.NOTE,
                where,
                f"where water stands is not judged: {drainage.not_judged}",
                "take rod readings over it, closest where water is seen or suspected"
                if isinstance(plane.pitch, Figure) and isinstance(plane.area, Figure)
                else "fix its pitch and outline first, then take rod readings over it",
            )
        )
    elif drainage is not None:
        found += [
            _spot_finding(spot, plane, visit, drainage)
            for spot in drainage.low_spots
            if spot.likelihood is not Likelihood.NOT_SHOWN
        ]
    return found


def describe_spot(spot: LowSpot, units: str) -> str:
    """Return a low spot as a clause: how sure, how deep, how wide, how heavy."""
    size = []
    if isinstance(spot.depth, Figure):
        size.append(f"{say_between(spot.depth, spot.depth_interval, units)} deep")
    if isinstance(spot.area, Figure):
        size.append(f"{say_between(spot.area, spot.area_interval, units)} in area")
    if isinstance(spot.load, Figure):
        ends = scaled(spot.depth_interval, spot.load, spot.depth)
        size.append(f"{say_between(spot.load, ends, units)} at its deepest")
    measured = ", ".join(size) if size else "size not observed"
    when = f", only if {spot.only_if}" if spot.only_if else ""
    return (
        f"standing water {spot.likelihood.value} ({100 * spot.probability:.0f} %){when}: {measured}"
    )


def _spot_finding(
    spot: LowSpot, plane: MeasuredPlane, visit: Visit, drainage: PlaneDrainage
) -> Finding:
    severity = Severity.CHECK if spot.likelihood in HELD else Severity.NOTE
    where = f"low spot '{spot.name}' on plane '{plane.spec.name}'"
    what = describe_spot(spot, visit.units)
    if spot.outlet is not None:
        return Finding(
            "low-spot-at-outlet",
            severity,
            where,
            f"{what}; outlet '{spot.outlet}' is in it and sits above its bottom",
            f"look at '{spot.outlet}': clogged, raised by old coverings, or set too high",
            "irc-drain-at-low-points",
        )
    edges = {measured.edge.name for measured in plane.edges} & set(drainage.leaves_by)
    over = (
        f"the rest drains over {joined(sorted(edges))}, this spot does not"
        if edges
        else "the roof does not drain over its edges, so a drain belongs at each low point"
    )
    settle = "" if severity is Severity.CHECK else "take more rod readings there first; "
    return Finding(
        "low-spot-without-outlet",
        severity,
        where,
        f"{what}; no outlet is in it; {over}",
        f"{settle}see it 48 hours after rain; plan taper, fill or a drain there",
        "irc-drain-at-low-points",
    )
