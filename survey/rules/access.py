"""Cautions on getting up, down and around. No output ever says that a roof may be walked on."""

from __future__ import annotations

from survey.figures import NotObserved
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane
from survey.rules.limits import limit
from survey.rules.model import Caution
from survey.rules.reroofing import is_unsound, is_wet
from survey.rules.slopes import ROUNDING
from survey.visit.model import PlaneSpec, Visit

ALWAYS = (
    "osha-ladder-angle",
    "osha-ladder-rails",
    "osha-power-lines",
    "osha-ladder-rails-material",
    "osha-fall-height",
    "osha-monitor-width",
    "osha-warning-line",
    "osha-inspection",
)


def cautions_for(visit: Visit, roofs: tuple[MeasuredPlane, ...]) -> tuple[Caution, ...]:
    """Return the cautions of a visit, the general ones first."""
    first = Caution(
        "",
        "Measure from the ground or a ladder where you can. Nothing here says that a roof will "
        "carry a person: that is judged on site, from below first.",
    )
    ids = list(ALWAYS)
    if visit.building == "dwelling":
        ids.insert(ids.index("osha-warning-line"), "osha-residential")
    if any(_may_be_steep(plane) for plane in roofs):
        ids.insert(ids.index("osha-fall-height") + 1, "osha-steep-roof")
    cited = (Caution(id, f"{limit(id).says} ({limit(id).citation})") for id in ids)
    decks = (
        Caution(
            "",
            f"Stay off '{plane.spec.name}': its deck is written down as "
            f"'{plane.spec.deck.condition}'.",
        )
        for plane in roofs
        if is_wet(plane.spec.deck.condition) or is_unsound(plane.spec.deck.condition)
    )
    return (first, *decks, *cited)


def find_deck_findings(plane: PlaneSpec) -> list[Finding]:
    """Return a finding for a deck that is written down as wet or unsound."""
    condition = plane.deck.condition
    where = f"plane '{plane.name}'"
    if is_wet(condition):
        return [
            Finding(
                "deck-wet",
                Severity.CHECK,
                where,
                f"the deck is written down as '{condition}'",
                "stay off it; look from below, open it in a test cut, price new deck",
            )
        ]
    if is_unsound(condition):
        return [
            Finding(
                "deck-unsound",
                Severity.CHECK,
                where,
                f"the deck is written down as '{condition}'",
                "stay off it; find how far it goes from below, price new deck",
            )
        ]
    return []


def _may_be_steep(plane: MeasuredPlane) -> bool:
    """Whether a plane is, or may be, over 4:12; unknown pitch counts as may be."""
    if isinstance(plane.pitch, NotObserved):
        return True
    bound = float(limit("osha-steep-roof").amount)
    return plane.pitch.value + plane.pitch.half_width > bound + ROUNDING
