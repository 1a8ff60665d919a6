"""Floods drawn surfaces a few at a time and keeps what is needed of each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from survey.drainage.domain import Domain
from survey.drainage.ponds import COUNTABLE_AREA, COUNTABLE_DEPTH, Pond, find_ponds, flood
from survey.drainage.refining import refine_pond
from survey.drainage.sampler import Guess
from survey.drainage.surfaces import Drafter, Surface, heights_at_cells

Array = npt.NDArray[np.float64]

BATCH = 50  # surfaces held at once
WORTH_REFINING = 0.4  # of the countable depth and area, as the cells see them


def ponds_of_surfaces(
    domain: Domain, surfaces: Sequence[Surface], heights: Array, lifts: Array
) -> list[tuple[Pond, ...]]:
    """Countable ponds of each surface, worked out below the size of the cells."""
    flooded = flood(domain, heights, lifts)
    found = []
    for i, surface in enumerate(surfaces):
        ponds = [
            refine_pond(domain, flooded, i, pond, lifts, surface.heights)
            for pond in find_ponds(domain, flooded, i)
            if pond.depth >= WORTH_REFINING * COUNTABLE_DEPTH
            and pond.area >= WORTH_REFINING * COUNTABLE_AREA
        ]
        found.append(tuple(pond for pond in ponds if pond.countable))
    return found


@dataclass(frozen=True, slots=True)
class Batch:
    """A few drawn surfaces with their heights (s, m) at the points of the domain."""

    surfaces: list[Surface]
    heights: Array


@dataclass(frozen=True, slots=True)
class Draws:
    """Surfaces that can be drawn again one by one: guesses with a seed each."""

    drafter: Drafter
    guesses: Sequence[Guess]
    seed: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.guesses)

    def surface(self, number: int) -> Surface:
        """Return surface `number`, the same each time."""
        return self.drafter.draw(self.guesses[number], np.random.default_rng([*self.seed, number]))

    def heights(self, number: int) -> Array:
        """Heights (m,) of surface `number` at the points of the domain."""
        heights: Array = heights_at_cells(self.drafter.domain, [self.surface(number)])[0]
        return heights

    def batches(self) -> Iterator[Batch]:
        """Yield all surfaces a few at a time, so that memory doesn't grow with their number."""
        for start in range(0, len(self), BATCH):
            surfaces = [self.surface(i) for i in range(start, min(start + BATCH, len(self)))]
            yield Batch(surfaces, heights_at_cells(self.drafter.domain, surfaces))
