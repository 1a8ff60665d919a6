"""Floods drawn surfaces a few at a time and keeps what is needed of each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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


def for_each_batch(
    drafter: Drafter,
    guesses: Sequence[Guess],
    rng: np.random.Generator,
    look: Callable[[Batch], None],
) -> None:
    """Draw surfaces batch by batch and let `look` take what it needs of each."""
    for surfaces in drafter.batches(guesses, rng, BATCH):
        look(Batch(surfaces, heights_at_cells(drafter.domain, surfaces)))
