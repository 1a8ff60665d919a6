"""The ponds of one surface: where water stands when every depression is full to its spill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from survey.drainage.domain import Domain
from survey.drainage.filling import EIGHT, fill_depressions

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

COUNTABLE_DEPTH = 0.003175  # m, 1/8 in; water shallower than this is a film; own judgement
COUNTABLE_AREA = 0.09290304  # m2, 1 sq ft; own judgement
FILM = 1e-6  # m; water shallower than this is rounding


@dataclass(frozen=True, slots=True)
class Pond:
    """One body of water of one surface, full to its spill.

    `cells` (k, 2) rows and columns of the domain; `level` metres above the datum; horizontal
    `area` m2, `volume` m3.
    """

    cells: IntArray
    level: float
    depth: float
    area: float
    volume: float
    deepest: Array  # (2,) plane frame
    deepest_cell: IntArray  # (2,) row and column
    spill: Array | None = None  # (2,) plane frame, once refined

    @property
    def countable(self) -> bool:
        """Whether it is deep and wide enough to be spoken of."""
        return self.depth >= COUNTABLE_DEPTH and self.area >= COUNTABLE_AREA


@dataclass(frozen=True, slots=True)
class Flooded:
    """Surfaces (s, rows, columns) with their water levels and depths, metres."""

    elevation: Array
    level: Array
    depth: Array  # 0 outside the roof


def flood(domain: Domain, heights: Array, lifts: Array) -> Flooded:
    """Fill surfaces to their spill.

    Parameters
    ----------
    domain : Domain
    heights : (s, m) array
        Surface at `domain.points`, metres.
    lifts : (rows, columns) array
        Heights of the ways out above the surface, from `Domain.lifts`.
    """
    surface = domain.grid(np.atleast_2d(heights))
    seeds = np.isfinite(lifts) & (domain.index >= 0)
    barred = ~seeds & ~domain.inside
    elevation = surface + np.where(seeds, lifts, 0.0)
    elevation[:, barred] = np.inf
    level = fill_depressions(elevation, seeds)
    with np.errstate(invalid="ignore"):
        depth = np.where(domain.inside, level - surface, 0.0)
    depth[depth < FILM] = 0.0
    return Flooded(surface, level, depth)


def find_ponds(domain: Domain, flooded: Flooded, surface: int) -> tuple[Pond, ...]:
    """Return the ponds of one of the flooded surfaces, the deepest first."""
    depth = flooded.depth[surface]
    labels, count = ndimage.label(depth > 0.0, structure=EIGHT)
    if count == 0:
        return ()
    found = []
    for number, place in enumerate(ndimage.find_objects(labels), start=1):
        mine = labels[place] == number
        cells = np.argwhere(mine) + np.array([place[0].start, place[1].start])
        water = depth[cells[:, 0], cells[:, 1]]
        bottom = cells[int(np.argmax(water))]
        found.append(
            Pond(
                cells=cells,
                level=float(flooded.level[surface][tuple(bottom)]),
                depth=float(water.max()),
                area=len(cells) * domain.cell_area,
                volume=float(water.sum()) * domain.cell_area,
                deepest=domain.origin + bottom[::-1] * domain.step,
                deepest_cell=bottom,
            )
        )
    return tuple(sorted(found, key=lambda pond: -pond.depth))
