"""What stands against laying a covering over the one that is there."""

from __future__ import annotations

import re

from survey.findings import Finding, Severity
from survey.rules.limits import limit
from survey.visit.model import PlaneSpec, Visit

WET = re.compile(
    r"\b(wet|damp|soak\w*|saturated|spongy|rot(s|ted|ten|ting)?|deteriorat\w*|delaminat\w*|leak\w*"
    r"|mou?ld\w*|water[- ]?(damaged?|stain\w*|logged))\b",
    re.IGNORECASE,
)
UNSOUND = re.compile(
    r"\b(soft|unsound|unsafe|weak|broken|sag(s|ged|ging)?|crack\w*|missing|burnt?|gives way)\b",
    re.IGNORECASE,
)
SOUND = re.compile(r"\b(sound|good|firm|solid)\b", re.IGNORECASE)
DENIED = re.compile(
    r"\b(?:not|no|never|without|isn't|nothing)\s+"
    r"(?:(?:signs?|traces?|evidence) of\s+|very\s+|really\s+)?\w+",
    re.IGNORECASE,
)
HEAVY = re.compile(r"\b(slate|clay|cement|concrete|asbestos)\b", re.IGNORECASE)
HEAVY_FAMILIES = ("slate", "clay-or-concrete-tile")


def is_wet(condition: str | None) -> bool:
    """Whether what was written of a deck speaks of water in it or of rot."""
    return bool(condition and WET.search(_affirmed(condition)))


def is_unsound(condition: str | None) -> bool:
    """Whether what was written of a deck speaks of weakness, "not sound" included."""
    if not condition:
        return False
    denied = " ".join(match[0] for match in DENIED.finditer(condition))
    return bool(SOUND.search(denied) or UNSOUND.search(_affirmed(condition)))


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
    return DENIED.sub("", condition)
