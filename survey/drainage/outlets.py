"""Outlets against the low points they serve, and water behind blocked ones."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from survey.drainage.domain import Domain
from survey.drainage.low_spots import GRAVITY, WATER_DENSITY
from survey.drainage.model import BlockedOutlets, OutletState
from survey.drainage.ponds import flood
from survey.figures import NORMAL_95, Figure, Measured, NotObserved, Unit

Array = npt.NDArray[np.float64]


def outlet_states(domain: Domain, heights: Array) -> tuple[OutletState, ...]:
    """Height of each outlet's flow line above the lowest roof that would drain to it.

    `heights` (s, m) are sampled surfaces at `domain.points`. The low point is the lowest roof cell
    of the plane: the place water reaches last when that outlet alone is open.
    """
    inside = domain.index[domain.inside]
    lowest = heights[:, inside].min(axis=1)
    states = []
    for number, outlet in enumerate(domain.outlets):
        if outlet.is_edge:
            continue
        cells = domain.index[(domain.way_out == number) & (domain.index >= 0)]
        if len(cells) == 0:
            gap = NotObserved("its place on the plane is not known", "give its place by tape")
            states.append(OutletState(outlet.name, outlet.kind, gap))
            continue
        flow_line = heights[:, cells].min(axis=1) + outlet.lift
        states.append(OutletState(outlet.name, outlet.kind, _figure(flow_line - lowest, "m")))
    return tuple(states)


def blocked_outlets(domain: Domain, heights: Array) -> BlockedOutlets | None:
    """Water that would stand with every primary outlet blocked; None when there is none to block.

    Levels are those of still water on the roof as measured: no head for the flow itself, no
    sagging under the load.
    """
    primary = frozenset(o.name for o in domain.outlets if not o.is_edge and not o.is_overflow)
    if not primary:
        return None
    lifts = domain.lifts(unknown_open=True, without=primary)
    names = tuple(sorted(primary))
    if not np.isfinite(lifts).any():
        gap = NotObserved(
            "no overflow and no height of any edge is known", "measure the lowest parapet or curb"
        )
        return BlockedOutlets(names, "", gap, gap, gap, gap)
    flooded = flood(domain, heights, lifts)
    depth = flooded.depth.max(axis=(1, 2))
    area = (flooded.depth > 0).sum(axis=(1, 2)) * domain.cell_area
    volume = flooded.depth.sum(axis=(1, 2)) * domain.cell_area
    return BlockedOutlets(
        blocked=names,
        spills_over=_lowest_way(domain, heights, lifts),
        depth=_figure(depth, "m"),
        load=_figure(depth * WATER_DENSITY * GRAVITY, "Pa"),
        area=_figure(area, "m2"),
        volume=_figure(volume, "m3"),
    )


def _lowest_way(domain: Domain, heights: Array, lifts: Array) -> str:
    """Way out that stands lowest on most surfaces."""
    known = (domain.index >= 0) & np.isfinite(lifts)
    levels = heights[:, domain.index[known]] + lifts[known]
    numbers = domain.way_out[known][np.argmin(levels, axis=1)]
    return domain.outlets[int(np.bincount(numbers).argmax())].name


def _figure(values: Array, unit: Unit) -> Measured:
    """Median of sampled values with a half-width that holds their 95 % interval."""
    value, sd = float(np.median(values)), float(values.std())
    low, high = np.quantile(values, [0.025, 0.975])
    wide = max(float(high) - value, value - float(low))
    return Figure(value, sd, unit, (), wide / sd if sd > 0 else NORMAL_95)
