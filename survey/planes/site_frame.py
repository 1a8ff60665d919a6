"""The site frame for reading: where its origin lies and which way its axes run."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from survey.adjustment.model import PLANE, POINT, Array, Key, PlaneParameters, State
from survey.adjustment.solution import Solution
from survey.visit.model import PlaneKind, PlaneSpec


@dataclass(frozen=True, slots=True)
class SiteFrame:
    """Origin at point `origin`, x towards point `along`, z up by gravity.

    Without gravity z is the normal of `plane`, so that everything within the site still has a
    place.
    """

    origin: str
    along: str
    plane: str | None  # its normal is z; None: gravity is

    def keys(self) -> tuple[Key, ...]:
        """Unknowns that fix the frame."""
        tilt: tuple[Key, ...] = ((PLANE, self.plane),) if self.plane else ()
        return ((POINT, self.origin), (POINT, self.along), *tilt)

    def axes(self, state: State) -> tuple[Array, Array]:
        """Rows x, y, z of the frame in the adjustment's frame (3, 3), and its origin (3,)."""
        first = point_of(state, self.origin)
        z = np.array([0.0, 0.0, 1.0])
        if self.plane is not None:
            z = plane_of(state, self.plane).normal
        x = point_of(state, self.along) - first
        x = x - (x @ z) * z
        x = x / np.linalg.norm(x)
        return np.stack([x, np.cross(z, x), z]), first


def point_of(state: State, name: str) -> Array:
    """Give a point in the adjustment's frame."""
    place = state[(POINT, name)]
    assert isinstance(place, np.ndarray)
    return place


def plane_of(state: State, name: str) -> PlaneParameters:
    """Give a plane in the adjustment's frame."""
    plane = state[(PLANE, name)]
    assert isinstance(plane, PlaneParameters)
    return plane


def choose_frame(solution: Solution, planes: Sequence[PlaneSpec]) -> SiteFrame | None:
    """Frame on the first edge of the first roof plane that has one; walls come after roofs."""
    state = solution.state
    gravity = solution.gravity_observed
    for plane in sorted(planes, key=lambda plane: plane.kind is PlaneKind.WALL):
        ring = [name for name in plane.outline if (POINT, name) in state]
        z = None if gravity else plane.name
        if z is not None and (PLANE, z) not in state:
            continue
        for start, end in itertools.pairwise(ring):
            frame = SiteFrame(start, end, z)
            step = point_of(state, end) - point_of(state, start)
            up = np.array([0.0, 0.0, 1.0]) if z is None else plane_of(state, z).normal
            if np.linalg.norm(step - (step @ up) * up) > 0.05:
                return frame
    return None
