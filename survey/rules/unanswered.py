"""What a person sees and no photo measures: questions that the visit leaves open."""

from __future__ import annotations

from collections.abc import Iterable

from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane
from survey.rules.slopes import covering_intended
from survey.rules.wording import joined
from survey.visit.model import EdgeKind, OutletKind, PlaneSpec, Visit

MULTI_PLY = ("built-up", "coal-tar-built-up", "modified-bitumen")


def find_unanswered(visit: Visit, roofs: tuple[MeasuredPlane, ...]) -> list[Finding]:
    """Return one finding for each open question, naming everything it is open for."""
    specs = [plane.spec for plane in roofs]
    return [
        *_ask_decks(specs),
        *_ask_coverings(specs, visit),
        *_ask_edges(roofs),
        *_ask_outlets(visit),
        *_ask_conditions(visit),
    ]


def _open(
    code: str,
    kind: str,
    names: Iterable[str],
    what: str,
    cure: str,
    severity: Severity = Severity.NOTE,
) -> list[Finding]:
    """Return one finding naming all `names`, or none when there are none."""
    listed = list(dict.fromkeys(names))
    if not listed:
        return []
    where = f"{kind}{'s' if len(listed) > 1 else ''} {joined(listed)}"
    return [Finding(code, severity, where, what, cure)]


def _ask_decks(specs: list[PlaneSpec]) -> list[Finding]:
    return [
        *_open(
            "deck-not-known",
            "plane",
            (spec.name for spec in specs if spec.deck.kind is None or spec.deck.thickness is None),
            "what the deck is made of, or how thick it is, was not written down",
            "look from below or at an edge; write deck kind and thickness",
        ),
        *_open(
            "deck-condition-not-known",
            "plane",
            (spec.name for spec in specs if not spec.deck.condition),
            "whether the deck is sound was not written down",
            "look from below, press from a ladder; write 'sound', 'soft', 'wet' or what you saw",
            Severity.CHECK,
        ),
        *_open(
            "ventilation-not-known",
            "plane",
            (spec.name for spec in specs if not spec.ventilation),
            "how the space under the deck is ventilated was not written down",
            "look for soffit and ridge vents; write 'none' if there are none",
        ),
    ]


def _ask_coverings(specs: list[PlaneSpec], visit: Visit) -> list[Finding]:
    bars = visit.work == "re-cover"
    over = "; over two or more none may be laid" if bars else ""
    counted = visit.work != "new"
    return [
        *_open(
            "coverings-on-not-known",
            "plane",
            (spec.name for spec in specs if counted and spec.coverings_on is None),
            f"how many coverings are already on was not written down{over}",
            "count them at an edge or in a test cut",
            Severity.CHECK if bars else Severity.NOTE,
        ),
        *_open(
            "plies-not-known",
            "plane",
            (
                spec.name
                for spec in specs
                if covering_intended(spec, visit) in MULTI_PLY
                and spec.plies is None
                and visit.plies is None
            ),
            "how many plies are to go on was not written down",
            "write the plies intended",
        ),
    ]


def _ask_edges(roofs: tuple[MeasuredPlane, ...]) -> list[Finding]:
    edges = [measured.edge for plane in roofs for measured in plane.edges]
    return [
        *_open(
            "edge-kind-not-known",
            "edge",
            (edge.name for edge in edges if edge.kind is EdgeKind.UNKNOWN),
            "what kind of edge it is was not written down, so it is counted under no trim",
            "write eave, rake, ridge, hip, valley, headwall, sidewall, parapet, ...",
        ),
        *_open(
            "dam-height-not-known",
            "edge",
            (
                edge.name
                for edge in edges
                if edge.dam_height is None and edge.kind is EdgeKind.PARAPET
            ),
            "how high the parapet stands above the roof surface was not written down",
            "measure it from the roof surface up",
        ),
    ]


def _ask_outlets(visit: Visit) -> list[Finding]:
    return _open(
        "outlet-size-not-known",
        "outlet",
        (o.name for o in visit.outlets if o.width is None and o.kind is not OutletKind.GUTTER),
        "the width of the opening was not written down",
        "measure it",
    )


def _ask_conditions(visit: Visit) -> list[Finding]:
    day = visit.conditions
    answers = (
        ("the weather", day.weather),
        ("the temperature", day.temperature),
        ("the last rain", day.last_rain),
    )
    missing = [word for word, answer in answers if answer is None]
    if not missing:
        return []
    return [
        Finding(
            "conditions-not-known",
            Severity.NOTE,
            "visit",
            f"not written down of the day: {', '.join(missing)}; standing water means little "
            "without the hours since rain",
            "write the conditions into visit.toml",
        )
    ]
