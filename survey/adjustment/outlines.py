"""Outlines that cross themselves: corners under each other's names, or a layout folded over."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry import LineString

from survey.adjustment.model import POINT, Array, Network, State
from survey.findings import Finding, Severity


def crossing_sides(state: State, outline: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Find two sides of an outline that cut each other.

    Parameters
    ----------
    state : State
    outline : sequence of str
        Corner names in order.

    Returns
    -------
    tuple of (start, end)
        Two sides; empty if none cross, or a corner has no place.
    """
    if len(outline) < 4 or any((POINT, name) not in state for name in outline):
        return ()
    ring: Array = np.array([state[(POINT, name)] for name in outline])
    _, _, axes = np.linalg.svd(ring - ring.mean(axis=0))
    flat = (ring - ring.mean(axis=0)) @ axes[:2].T
    count = len(outline)
    sides = [LineString(flat[[i, (i + 1) % count]]) for i in range(count)]
    for i in range(count):
        for j in range(i + 2, count if i else count - 1):
            if sides[i].crosses(sides[j]):
                return tuple((outline[k], outline[(k + 1) % count]) for k in (i, j))
    return ()


def is_folded(network: Network, state: State) -> bool:
    """Whether the outline of some plane crosses itself."""
    return any(crossing_sides(state, outline) for outline in network.outlines.values())


def crossing_findings(network: Network, state: State) -> list[Finding]:
    """Name each plane whose outline crosses itself."""
    findings = []
    for plane, outline in network.outlines.items():
        sides = crossing_sides(state, outline)
        if sides:
            first, second = ("-".join(side) for side in sides)
            findings.append(
                Finding(
                    "outline-crosses-itself",
                    Severity.STOP,
                    plane,
                    f"the outline of {plane} crosses itself: side {first} cuts side {second}, so "
                    "its area and some lengths are not those of a roof",
                    "check the order of its corners and whether two carry each other's name; in a "
                    "layout by tape, tape one more diagonal",
                )
            )
    return findings
