"""Ponds of many sampled surfaces matched into one low spot each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from survey.drainage.ponds import Pond

Array = npt.NDArray[np.float64]

LEAST_PROBABILITY = 0.025  # a low spot seen in fewer surfaces than this is not listed
CORE_SHARE = 0.5  # cells wet at least this often, against the wettest cell, make the core


@dataclass(frozen=True, slots=True)
class Match:
    """A low spot over the sampled surfaces.

    `ponds[i]` is the pond of surface `i` that belongs to it, or None; `frequency` (rows, columns)
    the share of surfaces in which a cell is under its water.
    """

    ponds: tuple[Pond | None, ...]
    frequency: Array

    @property
    def probability(self) -> float:
        """Share of surfaces that hold it."""
        return sum(pond is not None for pond in self.ponds) / len(self.ponds)


def match_ponds(surfaces: Sequence[Sequence[Pond]], shape: tuple[int, int]) -> list[Match]:
    """Group the countable ponds of every surface into low spots, the likeliest first.

    Notes
    -----
    The cell most often under water that is not yet explained starts a low spot. Its core is the
    cells wet at least half as often among the ponds over that cell. In each surface the unclaimed
    pond that shares most cells with the core joins. A pond that drowns two cores counts for both.
    """
    count = len(surfaces)
    free = [(i, pond) for i, ponds in enumerate(surfaces) for pond in ponds if pond.countable]
    everything = free
    cores: list[npt.NDArray[np.bool_]] = []
    while free:
        total = _wetness([pond for _, pond in free], shape)
        peak = np.unravel_index(int(np.argmax(total)), shape)
        over = [pond for _, pond in free if _covers(pond, peak)]
        wet = _wetness(over, shape)
        core = wet >= max(CORE_SHARE * len(over), 1)
        joined = [i for i, (_, pond) in enumerate(free) if _shared(pond, core) > 0]
        claimed = {free[i][0] for i in joined}
        if len(claimed) < LEAST_PROBABILITY * count and len(over) < LEAST_PROBABILITY * count:
            gone = set(joined)
        else:
            cores.append(core)
            gone = set(joined)
        free = [item for i, item in enumerate(free) if i not in gone]
    matches = [_gather(everything, core, count, shape) for core in cores]
    kept = [m for m in matches if m.probability >= LEAST_PROBABILITY]
    return sorted(kept, key=lambda match: -match.probability)


def _gather(
    ponds: list[tuple[int, Pond]],
    core: npt.NDArray[np.bool_],
    count: int,
    shape: tuple[int, int],
) -> Match:
    """Take from each surface the pond that shares most cells with a core."""
    best: list[Pond | None] = [None] * count
    shares = [0] * count
    for i, pond in ponds:
        shared = _shared(pond, core)
        if shared > shares[i]:
            best[i], shares[i] = pond, shared
    frequency = _wetness([pond for pond in best if pond is not None], shape) / count
    return Match(tuple(best), frequency)


def _wetness(ponds: Sequence[Pond], shape: tuple[int, int]) -> Array:
    """Count how many ponds cover each cell."""
    total = np.zeros(shape)
    for pond in ponds:
        total[pond.cells[:, 0], pond.cells[:, 1]] += 1
    return total


def _covers(pond: Pond, cell: tuple[np.intp, ...]) -> bool:
    return bool(((pond.cells[:, 0] == cell[0]) & (pond.cells[:, 1] == cell[1])).any())


def _shared(pond: Pond, core: npt.NDArray[np.bool_]) -> int:
    return int(core[pond.cells[:, 0], pond.cells[:, 1]].sum())
