"""What an edge between two measured planes is, where nobody said.

The signed dihedral test: an edge is convex when the second plane falls away below the first. Convex
and level is a ridge, convex and inclined a hip, concave a valley; two planes that fall the same way
meet at a slope transition; a wall above a level edge makes it a headwall, above an inclined one a
sidewall (definitions of the trade's glossaries; the test is our own derivation).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from survey.adjustment.model import Array
from survey.visit.model import EdgeKind

LEVEL = math.radians(3.0)  # an edge less inclined is level
FLAT = math.radians(1.0)  # two planes turned less against each other are one


@dataclass(frozen=True, slots=True)
class Side:
    """A plane beside an edge: outward normal and middle of its outline, z up."""

    normal: Array
    middle: Array
    is_wall: bool


def kind_between(start: Array, end: Array, first: Side, second: Side) -> EdgeKind:
    """Kind of the edge from `start` to `end` between two planes; unknown where it can't be told."""
    along = (end - start) / np.linalg.norm(end - start)
    inclined = abs(math.asin(np.clip(along[2], -1, 1))) > LEVEL
    if first.is_wall and second.is_wall:
        return EdgeKind.CORNER if abs(along[2]) > math.cos(LEVEL * 5) else EdgeKind.UNKNOWN
    if first.is_wall or second.is_wall:
        wall = first if first.is_wall else second
        if wall.middle[2] < (start[2] + end[2]) / 2:
            return EdgeKind.UNKNOWN  # the roof hangs over this wall: an eave or a rake
        return EdgeKind.SIDEWALL if inclined else EdgeKind.HEADWALL
    turn = math.acos(float(np.clip(first.normal @ second.normal, -1, 1)))
    if turn < FLAT:
        return EdgeKind.UNKNOWN
    below = float((second.middle - (start + end) / 2) @ first.normal)
    convex = below < 0
    across = np.cross([0.0, 0.0, 1.0], along)
    falls = [float(side.normal[:2] @ across[:2]) for side in (first, second)]
    if not inclined and falls[0] * falls[1] > 0:
        return EdgeKind.TRANSITION
    if convex:
        return EdgeKind.HIP if inclined else EdgeKind.RIDGE
    return EdgeKind.VALLEY
