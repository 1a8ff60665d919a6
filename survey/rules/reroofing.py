"""What stands against laying a covering over the one that is there."""

from __future__ import annotations

import re

from survey.findings import Finding, Severity
from survey.rules.limits import limit
from survey.visit.model import PlaneSpec, Visit

WET = re.compile(r"\b(wet|soak\w*|saturated|damp|spongy|rot\w*|deteriorat\w*|delaminat\w*)\b", re.I)
UNSOUND = re.compile(r"\b(soft|unsound|broken|sagg\w*|crack\w*|missing|unsafe|weak|burnt?)\b", re.I)
SOUND = re.compile(r"\b(sound|good|dry|firm|solid)\b", re.I)
NEGATED = re.compile(r"\b(not|no|never|without|un)\s+\w+", re.I)
HEAVY = re.compile(r"\b(slate|clay|cement|concrete|asbestos)\b", re.I)
HEAVY_FAMILIES = ("slate", "clay-or-concrete-tile")


def is_wet(condition: str | None) -> bool:
    """Whether what was written of a deck speaks of water in it or of rot."""
    return bool(condition and WET.search(_affirmed(condition)))


def is_unsound(condition: str | None) -> bool:
    """Whether what was written of a deck speaks of weakness, "not sound" included."""
    if not condition:
        return False
    doubted = [match[0] for match in NEGATED.finditer(condition) if SOUND.search(match[0])]
    return bool(doubted or UNSOUND.search(_affirmed(condition)))


def find_re_cover_bars(plane: PlaneSpec, visit: Visit) -> list[Finding]:
    """Return what bars re-covering a plane; nothing unless the visit's work is a re-cover."""
    if visit.work != "re-cover":
        return []
    where = f"plane '{plane.name}'"
    found = []
    bar = limit("re-cover-two-coverings")
    if plane.coverings_on is not None and plane.coverings_on >= bar.amount:
        found.append(
            _barred(
                "re-cover-two-coverings",
                where,
                f"{plane.coverings_on} coverings are on; over two or more none may be laid",
            )
        )
    if is_wet(plane.deck.condition):
        found.append(
            _barred(
                "re-cover-wet",
                where,
                f"the deck is written down as '{plane.deck.condition}'; a covering that is soaked "
                "or has let the deck go may not be laid over",
                "re-cover-wet-or-worn",
            )
        )
    existing = plane.existing_covering
    if existing and (existing in HEAVY_FAMILIES or HEAVY.search(existing)):
        found.append(
            _barred(
                "re-cover-slate-or-tile",
                where,
                f"'{existing}' is on; slate and clay, cement or asbestos-cement tile may not be "
                "laid over",
            )
        )
    return found


def _barred(code: str, where: str, what: str, rule: str = "") -> Finding:
    row = limit(rule or code)
    return Finding(
        code,
        Severity.CHECK,
        where,
        f"{what} ({row.citation})",
        "price a tear-off, or have the building department say otherwise",
        row.id,
    )


def _affirmed(condition: str) -> str:
    """Return the text without what it denies: "not soft, a bit wet" keeps "a bit wet"."""
    return NEGATED.sub("", condition)
