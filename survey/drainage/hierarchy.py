"""Low spots within low spots, and where water goes as they fill, spill and merge.

Every dip is a leaf; two dips that meet at a rim make a node above them (Barnes, Callaghan, Wickert
2020, Earth Surface Dynamics 8, 431-445). Water poured in fills leaves, spills across rims and
merges (the same authors, 2021, Earth Surface Dynamics 9, 105-121); none is lost or made.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from survey.drainage.domain import Domain

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

OUT = -1  # number that stands for "off the roof"


@dataclass(slots=True)
class Dip:
    """A depression of one surface.

    `cells` (k,) flat cell numbers under its spill, sub-dips included; `spill` height, `spill_cell`;
    `beyond` the leaf that water spilt runs into, or OUT with `way_out` the index of the way out.
    `children` are the two dips that merged into it, or empty; `capacity` m3 at its spill.
    """

    number: int
    bottom: float
    bottom_cell: int
    spill: float = np.inf
    spill_cell: int = -1
    beyond: int = OUT
    way_out: int = -1
    parent: int | None = None
    children: tuple[int, ...] = ()
    cells: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    area: float = 0.0
    capacity: float = 0.0


@dataclass(frozen=True, slots=True)
class Hierarchy:
    """All dips of one surface.

    `leaf` (rows * columns,) number of the leaf that rain on a cell runs to, or OUT.
    """

    dips: tuple[Dip, ...]
    leaf: IntArray
    elevation: Array  # flat
    cell_area: float

    def top(self, number: int) -> Dip:
        """Outermost dip that holds another."""
        dip = self.dips[number]
        while dip.parent is not None:
            dip = self.dips[dip.parent]
        return dip


def build_hierarchy(domain: Domain, heights: Array, lifts: Array) -> Hierarchy:
    """Build the dips of one surface.

    Parameters
    ----------
    domain : Domain
    heights : (m,) array
        Surface at `domain.points`, metres.
    lifts : (rows, columns) array
        Ways out, from `Domain.lifts`.
    """
    grid = domain.grid(heights)
    seeds = np.isfinite(lifts) & (domain.index >= 0)
    elevation = np.where(domain.inside | seeds, grid + np.where(seeds, lifts, 0.0), np.inf)
    builder = _Builder(elevation, seeds, domain.way_out)
    builder.run()
    dips = tuple(_measured(dip, elevation.ravel(), domain.cell_area) for dip in builder.dips)
    return Hierarchy(dips, builder.leaf, elevation.ravel(), domain.cell_area)


def _measured(dip: Dip, elevation: Array, cell_area: float) -> Dip:
    """Add area and capacity at the spill; an endless dip (no way out at all) has neither."""
    if np.isfinite(dip.spill):
        water = dip.spill - elevation[dip.cells]
        dip.cells = dip.cells[water > 0]
        dip.area = len(dip.cells) * cell_area
        dip.capacity = float(np.maximum(water, 0.0).sum()) * cell_area
    else:
        dip.area, dip.capacity = np.inf, np.inf
    return dip


class _Builder:
    """Floods a surface from its lowest cell up, joining dips where they meet."""

    def __init__(self, elevation: Array, seeds: BoolArray, way_out: IntArray) -> None:
        self.rows, self.columns = elevation.shape
        self.elevation = elevation.ravel()
        self.seeds = seeds.ravel()
        self.way_out = way_out.ravel()
        self.dips: list[Dip] = []
        self.held: dict[int, list[int]] = {}  # open dip -> its cells
        self.leaf = np.full(self.elevation.size, OUT)
        self.group = np.full(self.elevation.size, -2)  # open dip a cell went to, or OUT; -2: dry
        self.joined: dict[int, int] = {}  # closed dip -> what it became
        self.drain = np.full(self.elevation.size, -1)  # way out of drained cells

    def run(self) -> None:
        """Take cells in order of height; ways out come first among equals."""
        order = np.lexsort((~self.seeds, self.elevation))
        for cell in order:
            if not np.isfinite(self.elevation[cell]):
                break
            self._take(int(cell))
        for number, cells in self.held.items():
            self.dips[number].cells = np.array(cells)

    def _now(self, group: int) -> int:
        """Open dip that a closed one has become, or OUT."""
        while group in self.joined:
            group = self.joined[group]
        return group

    def _take(self, cell: int) -> None:
        around = [n for n in self._around(cell) if self.group[n] != -2]
        groups = {self._now(int(self.group[n])) for n in around}
        height = float(self.elevation[cell])
        if self.seeds[cell]:
            self._drain_to(groups, cell, height, int(self.way_out[cell]), -1)
            self.group[cell], self.drain[cell] = OUT, self.way_out[cell]
            return
        if not around:
            self._open(cell, height)
            return
        lowest = min(around, key=lambda n: self.elevation[n])
        self.leaf[cell] = self.leaf[lowest]
        self.drain[cell] = self.drain[lowest]
        if OUT in groups:
            drained = [n for n in around if self._now(int(self.group[n])) == OUT]
            onto = min(drained, key=lambda n: self.elevation[n])
            self._drain_to(groups, cell, height, int(self.drain[onto]), int(self.leaf[onto]))
            self.group[cell] = OUT
            self.drain[cell] = self.drain[onto]
            return
        first, *others = sorted(groups)
        entry = {group: self._entry(around, group) for group in groups}
        for other in others:
            merged = self._merge(first, other, cell, height, entry)
            entry[merged] = entry[first]
            first = merged
        self.group[cell] = first
        self.held[first].append(cell)

    def _open(self, cell: int, height: float) -> None:
        number = len(self.dips)
        self.dips.append(Dip(number, height, cell))
        self.held[number] = [cell]
        self.group[cell] = number
        self.leaf[cell] = number

    def _drain_to(self, groups: set[int], cell: int, height: float, way: int, leaf: int) -> None:
        """Close every open dip of `groups`: from `cell` on its water runs off the roof."""
        for number in sorted(groups - {OUT}):
            dip = self.dips[number]
            dip.spill, dip.spill_cell, dip.way_out = height, cell, way
            dip.beyond = leaf if leaf >= 0 else OUT
            dip.cells = np.array(self.held.pop(number))
            self.joined[number] = OUT

    def _entry(self, around: list[int], group: int) -> int:
        """Leaf that water crossing a rim into a dip comes to first."""
        mine = [n for n in around if self._now(int(self.group[n])) == group]
        return int(self.leaf[min(mine, key=lambda n: self.elevation[n])])

    def _merge(
        self, first: int, other: int, cell: int, height: float, entry: Mapping[int, int]
    ) -> int:
        number = len(self.dips)
        one, two = self.dips[first], self.dips[other]
        low = one if one.bottom <= two.bottom else two
        merged = Dip(number, low.bottom, low.bottom_cell, children=(first, other))
        for dip, sister in ((one, two), (two, one)):
            dip.spill, dip.spill_cell, dip.parent = height, cell, number
            dip.cells = np.array(self.held[dip.number])
            dip.beyond = entry[sister.number]
        self.dips.append(merged)
        self.held[number] = self.held.pop(first) + self.held.pop(other)
        self.joined[first] = self.joined[other] = number
        return number

    def _around(self, cell: int) -> list[int]:
        row, column = divmod(cell, self.columns)
        return [
            r * self.columns + c
            for r in range(max(row - 1, 0), min(row + 2, self.rows))
            for c in range(max(column - 1, 0), min(column + 2, self.columns))
            if (r, c) != (row, column)
        ]


@dataclass(frozen=True, slots=True)
class Poured:
    """What a rain left: m3 stored in each outermost wet dip, and m3 that ran off the roof."""

    stored: Mapping[int, float]
    ran_off: float


def pour_rain(hierarchy: Hierarchy, domain: Domain, rain: float) -> Poured:
    """Let `rain` metres fall evenly on the roof, all of it running off; fill, spill and merge."""
    fallen = np.where(domain.inside.ravel(), rain * domain.cell_area, 0.0)
    leaves = hierarchy.leaf
    ran_off = float(fallen[leaves == OUT].sum())
    wet = {
        int(leaf): float(fallen[leaves == leaf].sum()) for leaf in np.unique(leaves[leaves != OUT])
    }
    return pour(hierarchy, wet, ran_off)


def pour(hierarchy: Hierarchy, volumes: Mapping[int, float], ran_off: float = 0.0) -> Poured:
    """Pour volumes, m3, into leaves; fill, spill and merge until all is at rest."""
    stored = dict.fromkeys(range(len(hierarchy.dips)), 0.0)
    merged: set[int] = set()
    for leaf, volume in volumes.items():
        left, at = volume, leaf
        while left > 0:
            dip = _receiver(hierarchy, at, merged)
            room = dip.capacity - stored[dip.number]
            if left <= room:
                stored[dip.number] += left
                break
            stored[dip.number] = dip.capacity
            left -= room
            if dip.parent is not None and _full_sister(hierarchy, dip, stored, merged):
                parent = hierarchy.dips[dip.parent]
                stored[parent.number] = sum(stored.pop(child) for child in parent.children)
                merged.add(parent.number)
                stored |= dict.fromkeys(parent.children, 0.0)
                at = leaf_within(hierarchy, parent)
            elif dip.beyond != OUT:
                at = dip.beyond
            else:
                ran_off += left
                break
    return Poured({k: v for k, v in stored.items() if v > 0}, ran_off)


def _receiver(hierarchy: Hierarchy, leaf: int, merged: set[int]) -> Dip:
    """Dip that water entering a leaf stands in now."""
    dip = hierarchy.dips[leaf]
    while dip.parent is not None and dip.parent in merged:
        dip = hierarchy.dips[dip.parent]
    return dip


def _full_sister(
    hierarchy: Hierarchy, dip: Dip, stored: Mapping[int, float], merged: set[int]
) -> bool:
    """Whether the dip across the rim is full as well."""
    assert dip.parent is not None
    one, two = hierarchy.dips[dip.parent].children
    sister = hierarchy.dips[two if one == dip.number else one]
    if sister.children and sister.number not in merged:
        return False
    return stored[sister.number] >= sister.capacity


def leaf_within(hierarchy: Hierarchy, dip: Dip) -> int:
    """Return a leaf of a dip: the one its bottom lies in."""
    return int(hierarchy.leaf[dip.bottom_cell])


def stage_curve(hierarchy: Hierarchy, dip: Dip, stages: int = 9) -> Array:
    """Depth above the bottom (m), area (m2) and volume (m3) of a dip filled in even steps."""
    heights = np.sort(hierarchy.elevation[dip.cells])
    depths = np.linspace(0.0, dip.spill - dip.bottom, stages)
    under = np.searchsorted(heights, dip.bottom + depths, side="left")
    sums = np.concatenate([[0.0], np.cumsum(heights)])
    volume = (under * (dip.bottom + depths) - sums[under]) * hierarchy.cell_area
    return np.column_stack([depths, under * hierarchy.cell_area, volume])
