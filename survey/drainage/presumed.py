"""What is presumed of a plane's edges, and the falls of its valleys."""

from __future__ import annotations

from survey.drainage.domain import Domain
from survey.drainage.edges import Role
from survey.drainage.model import ValleyFall
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane
from survey.visit.model import EdgeKind


def presumptions(domain: Domain) -> tuple[tuple[str, ...], tuple[Finding, ...]]:
    """Return notes and findings on edges of which nobody told whether they drain."""
    unknown = [border for border in domain.borders if border.role is Role.UNKNOWN]
    notes = tuple(f"edge {b.name!r}: {b.why}; judged both open and as a wall" for b in unknown)
    presumed = tuple(
        f"edge {b.name!r}: taken as open, {b.why}"
        for b in domain.borders
        if b.role is Role.OPEN and "nothing beyond it told" in b.why
    )
    findings = tuple(
        Finding(
            "edge-drainage-unknown",
            Severity.CHECK,
            f"edge {b.name!r}",
            f"whether water can leave over it is not known: {b.why}",
            "say what it meets, or whether it drains",
        )
        for b in unknown
    )
    return (*notes, *presumed), findings


def no_way_out(domain: Domain, condition: str) -> Finding:
    """Say that every way out of a plane is closed."""
    when = f"if {condition}, " if condition else ""
    return Finding(
        "no-way-out",
        Severity.CHECK,
        f"plane {domain.plane!r}",
        f"{when}no edge and no outlet lets water off it, so how deep it would stand is not known",
        "look for an outlet and enter it, or say which edge drains",
    )


def held_back(domain: Domain) -> str:
    """Return the clause "edge X holds water back" for the edges nobody described, or nothing."""
    names = [repr(b.name) for b in domain.borders if b.role is Role.UNKNOWN]
    if not names:
        return ""
    return f"{' and '.join(names)} {'holds' if len(names) == 1 else 'hold'} water back"


def valley_falls(plane: MeasuredPlane, minimum: float | None) -> tuple[ValleyFall, ...]:
    """Falls along the valleys of a plane."""
    return tuple(
        ValleyFall(measured.edge.name, measured.slope, minimum)
        for measured in plane.edges
        if measured.edge.kind is EdgeKind.VALLEY
    )
