"""Pitch against the least slope of each covering family, interval against limit."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

from survey.figures import Figure, Measured, NotObserved
from survey.planes.model import MeasuredPlane
from survey.rules.limits import Limit, limit, minimum_for
from survey.rules.model import CoveringVerdict, FallVerdict, Verdict
from survey.rules.wording import plain_slope, say_pitch
from survey.visit.model import COVERING_FAMILIES, PlaneKind, PlaneSpec, Visit

ROUNDING = 1e-12  # m/m: rounding of the computer, not of the roof; 4:12 exactly is 4:12
RE_WORKS = ("replacement", "re-cover", "inspection")  # a roof is already there

UNDERLAYMENT = {
    "asphalt-shingles": "irc-underlayment-asphalt-shingles",
    "clay-or-concrete-tile": "irc-underlayment-tile",
}


class Standing(Enum):
    """Where a 95 % interval lies against a limit."""

    ABOVE = "at or above"
    STRADDLES = "straddles"
    BELOW = "below"


def compare(figure: Figure, minimum: float) -> Standing:
    """Return where the 95 % interval of `figure` lies against a least value of the same unit."""
    if figure.value - figure.half_width >= minimum - ROUNDING:
        return Standing.ABOVE
    if figure.value + figure.half_width < minimum - ROUNDING:
        return Standing.BELOW
    return Standing.STRADDLES


def covering_intended(plane: PlaneSpec, visit: Visit) -> str | None:
    """Return the covering family to go on a plane, or None when nobody said.

    On an inspection nothing goes on, so the covering that lies there is taken.
    """
    chosen = plane.covering or visit.covering
    if chosen is None and visit.work == "inspection":
        chosen = plane.existing_covering
    return chosen if chosen in COVERING_FAMILIES else None


def minimum_slopes(visit: Visit) -> Mapping[str, float | None]:
    """Return the least slope of the intended covering of each roof plane.

    Returns
    -------
    mapping of plane name to float or None
        Rise over run, m/m; None where no covering is chosen.
    """
    least: dict[str, float | None] = {}
    for plane in visit.planes:
        if plane.kind is not PlaneKind.ROOF:
            continue
        covering = covering_intended(plane, visit)
        least[plane.name] = (
            float(minimum_for(covering, visit.building).amount) if covering else None
        )
    return least


def judge_coverings(plane: MeasuredPlane, visit: Visit) -> tuple[CoveringVerdict, ...]:
    """Return what the plane's pitch says of every covering family, in the order of the list."""
    return tuple(
        _judge_covering(covering, plane.pitch, plane.spec.name, visit)
        for covering in COVERING_FAMILIES
    )


def name_of(covering: str) -> str:
    """Return a covering family in words: "metal panels, lapped, with sealant"."""
    words = covering.replace("-", " ")
    return {
        "metal panels lapped": "lapped metal panels without sealant",
        "metal panels lapped with sealant": "lapped metal panels with sealant",
        "standing seam": "standing-seam metal",
        "coal tar built up": "coal-tar built-up",
        "built up": "built-up",
        "mineral surfaced roll": "mineral-surfaced roll roofing",
        "thermoset single ply": "thermoset single-ply",
        "thermoplastic single ply": "thermoplastic single-ply",
        "liquid applied": "liquid-applied",
    }.get(words, words)


def judge_falls(pitch: Measured, units: str) -> tuple[FallVerdict, ...]:
    """Return how a measured pitch stands to falls asked for outside the US codes.

    Only falls for plain flat roofs are compared. British 1:80 is asked of the finished roof, the
    others of the design, so a measured fall under those is not by itself a fault.
    """
    ids = ("uk-finished-fall", "uk-design-fall", "de-main-fall")
    return tuple(_judge_fall(limit(id), pitch, units) for id in ids)


def _judge_covering(covering: str, pitch: Measured, plane: str, visit: Visit) -> CoveringVerdict:
    row = minimum_for(covering, visit.building)
    name = name_of(covering)
    if isinstance(pitch, NotObserved):
        verdict = Verdict.NOT_OBSERVED
        sentence = f"{name}: pitch not observed, so {row.written} ({row.citation}) is not checked"
        return CoveringVerdict(covering, verdict, float(row.amount), row.id, sentence)
    verdict = _verdict(row, pitch, visit.work)
    return CoveringVerdict(
        covering,
        verdict,
        float(row.amount),
        row.id,
        _sentence(name, verdict, row, pitch, visit.units),
        _underlayment(covering, pitch) if verdict is not Verdict.FORBIDDEN else "",
    )


def _verdict(row: Limit, pitch: Figure, work: str) -> Verdict:
    standing = compare(pitch, float(row.amount))
    if standing is Standing.ABOVE:
        return Verdict.ALLOWED
    if standing is Standing.STRADDLES:
        return Verdict.DOUBTFUL
    return Verdict.CHECK_DRAINAGE if row.relief and work in RE_WORKS else Verdict.FORBIDDEN


def _sentence(name: str, verdict: Verdict, row: Limit, pitch: Figure, units: str) -> str:
    measured = say_pitch(pitch, units)
    limit_words = f"{row.written} ({row.citation})"
    match verdict:
        case Verdict.ALLOWED:
            return f"{name}: allowed; {measured} is at or above {limit_words}"
        case Verdict.DOUBTFUL:
            margin = plain_slope(abs(pitch.value - float(row.amount)), units)
            return (
                f"{name}: doubtful; {measured} may lie on either side of {limit_words}, "
                f"{margin} away"
            )
        case Verdict.CHECK_DRAINAGE:
            relief = limit(row.relief)
            return (
                f"{name}: check drainage; {measured} is under the {limit_words} that a new roof "
                f"is designed with, but a re-roof is measured by positive drainage within 48 hours "
                f"({relief.citation})"
            )
        case _:
            return f"{name}: not at this pitch; {measured} is under {limit_words}"


def _underlayment(covering: str, pitch: Figure) -> str:
    """Return the underlayment that a covering needs at this pitch, or an empty text."""
    if covering not in UNDERLAYMENT:
        return ""
    row = limit(UNDERLAYMENT[covering])
    match compare(pitch, float(row.amount)):
        case Standing.ABOVE if covering == "asphalt-shingles":
            return f"one layer of underlayment ({row.citation})"
        case Standing.ABOVE:
            return ""
        case Standing.BELOW:
            return f"two layers of underlayment, being under {row.written} ({row.citation})"
        case _:
            return (
                f"two layers of underlayment unless a level reading shows {row.written} or more "
                f"({row.citation})"
            )


def _judge_fall(row: Limit, pitch: Measured, units: str) -> FallVerdict:
    asked = f"{row.written} ({row.citation})"
    if isinstance(pitch, NotObserved):
        return FallVerdict(row.id, Verdict.NOT_OBSERVED, f"{asked}: pitch not observed")
    measured = say_pitch(pitch, units)
    built = "" if row.id == "uk-finished-fall" else "; asked of the design, not of what is built"
    match compare(pitch, float(row.amount)):
        case Standing.ABOVE:
            return FallVerdict(row.id, Verdict.ALLOWED, f"{asked}: {measured} meets it{built}")
        case Standing.BELOW:
            return FallVerdict(
                row.id, Verdict.CHECK_DRAINAGE, f"{asked}: {measured} is under it{built}"
            )
        case _:
            return FallVerdict(
                row.id, Verdict.DOUBTFUL, f"{asked}: {measured} may be either side of it{built}"
            )
