"""What a plane's pitch means for the covering that is to go on it."""

from __future__ import annotations

import math

from survey.drainage.model import Likelihood, PlaneDrainage
from survey.figures import Figure, NotObserved
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane
from survey.rules.limits import limit, minimum_for
from survey.rules.model import Verdict
from survey.rules.slopes import Standing, compare, covering_intended, judge_coverings, name_of
from survey.rules.wording import limit_slope, plain_slope, say, say_pitch
from survey.visit.model import EdgeKind, Visit

LEVEL_HALF_WIDTH = math.tan(math.radians(0.2))  # m/m; two sds of 0.1 deg, common practice


def find_pitch_findings(
    plane: MeasuredPlane, visit: Visit, drainage: PlaneDrainage | None
) -> list[Finding]:
    """Return what the estimator must see of a plane's pitch, slope field and valleys."""
    where = f"plane '{plane.spec.name}'"
    if isinstance(plane.pitch, NotObserved):
        return [
            Finding(
                "pitch-not-observed",
                Severity.CHECK,
                where,
                f"pitch not observed: {plane.pitch.why}; no covering is checked against it",
                plane.pitch.cure,
            )
        ]
    covering = covering_intended(plane.spec, visit)
    if covering is None:
        return [
            Finding(
                "covering-not-chosen",
                Severity.NOTE,
                where,
                "no covering is chosen, so its slope is held against no single minimum; the list "
                "of coverings shows what its pitch allows",
                "write the covering intended into visit.toml",
            )
        ]
    found = _intended_findings(plane, plane.pitch, covering, visit, drainage)
    if drainage is not None:
        found += _slope_field_findings(drainage, where, covering, visit.units)
    return found + _valley_findings(plane, covering, visit)


def pitch_notes(plane: MeasuredPlane, visit: Visit) -> tuple[str, ...]:
    """Return sentences to read beside a plane's verdicts: low slope by whose limit, old roofs."""
    if isinstance(plane.pitch, NotObserved):
        return ()
    notes = [_low_slope_note(plane.pitch)]
    in_question = (Verdict.DOUBTFUL, Verdict.CHECK_DRAINAGE)
    verdicts = judge_coverings(plane, visit)
    if visit.work != "new" and any(
        verdict.verdict in in_question and limit(verdict.rule).relief for verdict in verdicts
    ):
        relief = limit("reroof-positive-drainage")
        notes.append(
            "the minimums are limits for the design of a new covering; an old roof that measures "
            "under one shows drainage to check, and a replacement or re-cover is measured by "
            f"positive drainage within 48 hours ({relief.citation})"
        )
    return tuple(notes)


def drainage_evidence(drainage: PlaneDrainage | None, units: str) -> str:
    """Return what the readings say of positive drainage, as a clause."""
    if drainage is None or drainage.not_judged:
        reason = f": {drainage.not_judged}" if drainage and drainage.not_judged else ""
        return f"whether it drains is not judged{reason}"
    held = [
        spot.name
        for spot in drainage.low_spots
        if spot.likelihood in (Likelihood.SHOWN, Likelihood.LIKELY)
    ]
    if held:
        return f"the readings show or make likely standing water at {', '.join(held)}"
    smallest = drainage.smallest_findable
    if isinstance(smallest, NotObserved):
        return f"no low spot is shown by {drainage.reading_count} readings"
    return (
        f"no low spot is shown by {drainage.reading_count} readings, which could have shown one "
        f"of {say(smallest, units)} across"
    )


def _low_slope_note(pitch: Figure) -> str:
    words = []
    for id, who in (
        ("osha-low-slope", "OSHA"),
        ("trade-low-slope", "trade usage"),
        ("ibc-low-slope", "the IBC's wind-edge tests"),
    ):
        row = limit(id)
        bound = f"{row.written} or less" if row.bound == "at most" else f"under {row.written}"
        low = _is_low(pitch, float(row.amount))
        words.append(f"{low} by {who} ({bound})")
    return "low-slope: " + ", ".join(words)


def _is_low(pitch: Figure, bound: float) -> str:
    """Return "yes", "no" or "can't tell" for a pitch at or under a bound."""
    if pitch.value + pitch.half_width <= bound:
        return "yes"
    return "no" if pitch.value - pitch.half_width > bound else "can't tell"


def _intended_findings(
    plane: MeasuredPlane,
    pitch: Figure,
    covering: str,
    visit: Visit,
    drainage: PlaneDrainage | None,
) -> list[Finding]:
    where = f"plane '{plane.spec.name}'"
    verdict = next(v for v in judge_coverings(plane, visit) if v.covering == covering)
    row = limit(verdict.rule)
    match verdict.verdict:
        case Verdict.DOUBTFUL:
            return [
                Finding(
                    "slope-near-minimum",
                    Severity.CHECK,
                    where,
                    verdict.sentence,
                    _settle(abs(pitch.value - verdict.minimum), plane.spec.name, visit.units),
                    row.id,
                )
            ]
        case Verdict.FORBIDDEN:
            return [
                Finding(
                    "slope-under-minimum",
                    Severity.CHECK,
                    where,
                    verdict.sentence,
                    "choose a covering that its pitch allows, or bring the slope up",
                    row.id,
                )
            ]
        case Verdict.CHECK_DRAINAGE:
            return [
                Finding(
                    "slope-under-design-minimum",
                    Severity.CHECK,
                    where,
                    f"{verdict.sentence}; {drainage_evidence(drainage, visit.units)}",
                    "see the roof 48 hours after rain, or take rod readings over it, before "
                    "calling its drainage positive",
                    row.relief,
                )
            ]
        case _:
            return []


def _settle(margin: float, plane: str, units: str) -> str:
    """Return what would settle a pitch that lies `margin` (m/m) from its minimum."""
    reading = f"take a digital-level reading along the fall of '{plane}'"
    if margin < LEVEL_HALF_WIDTH:
        return (
            f"{reading}, though it is closer than a digital level can tell "
            f"({plain_slope(LEVEL_HALF_WIDTH, units)}): rod readings over the whole run may, else "
            "take it as under"
        )
    return f"{reading}; it must be good to {plain_slope(margin, units)} to settle this"


def _slope_field_findings(
    drainage: PlaneDrainage, where: str, covering: str, units: str
) -> list[Finding]:
    field = drainage.slope_field
    if field is None:
        return []
    found = []
    if isinstance(field.share_under, Figure) and field.minimum is not None:
        share = field.share_under
        if share.value - share.half_width > 0.0:
            found.append(
                Finding(
                    "strip-under-minimum",
                    Severity.CHECK,
                    where,
                    f"{_percent(share)} of it falls less than the "
                    f"{limit_slope(field.minimum, units)} asked of {name_of(covering)}",
                    "look there for standing water, sag or a crushed edge; plan taper or fill",
                )
            )
    if isinstance(field.backfall_share, Figure):
        back = field.backfall_share
        if back.value - back.half_width > 0.0:
            found.append(
                Finding(
                    "falls-towards-wall",
                    Severity.CHECK,
                    where,
                    f"{_percent(back)} of it falls towards a wall or dam",
                    "check the flashing there, and how water gets away from it",
                )
            )
    return found


def _percent(share: Figure) -> str:
    low = max(share.value - share.half_width, 0.0)
    high = min(share.value + share.half_width, 1.0)
    return f"{100 * share.value:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def _valley_findings(plane: MeasuredPlane, covering: str, visit: Visit) -> list[Finding]:
    """Return valleys that fall less than the covering's minimum, by their own lesser fall."""
    found = []
    minimum = minimum_for(covering, visit.building)
    for edge in plane.edges:
        if edge.edge.kind is not EdgeKind.VALLEY or isinstance(edge.slope, NotObserved):
            continue
        if compare(edge.slope, float(minimum.amount)) is Standing.BELOW:
            found.append(
                Finding(
                    "valley-under-minimum",
                    Severity.NOTE,
                    f"edge '{edge.edge.name}'",
                    f"the valley itself falls {say_pitch(edge.slope, visit.units)}, less than the "
                    f"planes beside it and less than {minimum.written}; the codes speak of the "
                    "planes, British practice of the valley too",
                    "see that water does not stand in it 48 hours after rain",
                    "uk-finished-fall",
                )
            )
    return found
