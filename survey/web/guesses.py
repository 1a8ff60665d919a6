"""What the sides of a newly marked plane probably are, from where they lie in the photo.

A guess is written like any other answer, and is shown as a guess until a person has looked at it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from survey.visit.model import EdgeKind, PlaneKind, PointMark, Visit

Px = tuple[float, float]
STEEP = 1.0  # rise over run in the photo above which a wall's side is taken for plumb


def outline_in_photo(visit: Visit, outline: Sequence[str]) -> list[Px] | None:
    """Return an outline's corners in the photo that shows them all, the last marked; or None."""
    by_photo: dict[str, dict[str, Px]] = {}
    for mark in visit.marks:
        if isinstance(mark, PointMark) and mark.point in outline:
            by_photo.setdefault(mark.photo, {})[mark.point] = mark.px
    whole = [places for places in by_photo.values() if len(places) == len(set(outline))]
    return [whole[-1][name] for name in outline] if whole else None


def is_clockwise(corners: Sequence[Px]) -> bool:
    """Whether corners run clockwise as seen in the photo (y runs down)."""
    ring = [*corners, corners[0]]
    return sum(x * v - u * y for (x, y), (u, v) in pairwise(ring)) > 0


def turned(outline: Sequence[str]) -> tuple[str, ...]:
    """Return an outline the other way round, from the same first corner."""
    return (outline[0], *outline[:0:-1])


def sides(outline: Sequence[str]) -> list[tuple[str, str]]:
    """Return the sides of an outline, in order."""
    return list(pairwise((*outline, outline[0])))


def guess_kinds(kind: PlaneKind, corners: Sequence[Px]) -> list[EdgeKind]:
    """Return what each side probably is.

    Parameters
    ----------
    kind : PlaneKind
    corners : sequence of (x, y)
        In order, pixel frame of one photo. A roof is presumed to be seen from its eave: the side
        lowest in the photo is the eave, the one highest and farthest along it lies against the
        house, the others are rakes.

    Returns
    -------
    list of EdgeKind
        One for each side, from the first corner on.
    """
    ring = np.array([*corners, corners[0]], dtype=float)
    middles = (ring[:-1] + ring[1:]) / 2
    steps = np.abs(np.diff(ring, axis=0))
    upright = steps[:, 1] > STEEP * np.maximum(steps[:, 0], 1e-9)
    lowest = int(np.argmax(middles[:, 1]))
    if kind is PlaneKind.WALL:
        kinds = [EdgeKind.CORNER if steep else EdgeKind.UNKNOWN for steep in upright]
        kinds[lowest] = EdgeKind.BASE
        return kinds
    kinds = [EdgeKind.RAKE] * len(corners)
    kinds[lowest] = EdgeKind.EAVE
    if len(corners) > 3:
        highest = int(np.argmin(middles[:, 1]))
        kinds[highest] = EdgeKind.HEADWALL
    return kinds


def shared_sides(visit: Visit, name: str) -> set[frozenset[str]]:
    """Return the sides that another plane of the visit has; what they are follows from both."""
    counts = Counter(
        frozenset(side)
        for plane in visit.planes
        if plane.name != name
        for side in sides(plane.outline)
    )
    return set(counts)
