"""Named low spots with their figures, from ponds matched over sampled surfaces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from survey.drainage.domain import Domain
from survey.drainage.flow import run_off
from survey.drainage.hierarchy import OUT, Hierarchy, build_hierarchy, stage_curve
from survey.drainage.judging import Draws
from survey.drainage.matching import Match
from survey.drainage.model import Likelihood, LowSpot, NestedLow
from survey.drainage.ponds import COUNTABLE_AREA, COUNTABLE_DEPTH, Pond
from survey.drainage.slopes import outlines_of
from survey.figures import NORMAL_95, Figure, Unit

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SHOWN, LIKELY, POSSIBLE = 0.90, 0.50, 0.25  # least probability of each word; docs/drainage.md
WATER_DENSITY = 62.4 * 0.45359237 / 0.3048**3  # kg/m3 from 62.4 lb per cu ft (ASCE 7, rain load)
GRAVITY = 9.80665  # m/s2, standard gravity (ISO 80000-3)
OUTER_SHARE = 0.025  # share of surfaces in which a cell of the outer outline is wet
SURE_SHARE = 0.95  # share, of the surfaces that hold a low spot, in which a sure cell is wet
NEAR_READINGS = 1.5  # spacings around a low spot within which readings count as its own


@dataclass(frozen=True, slots=True)
class Setting:
    """What low spots of a plane are described with."""

    domain: Domain
    draws: Draws
    lifts: Array
    reading_places: Array
    reading_names: tuple[str, ...]
    spacing: float


def likelihood_of(probability: float) -> Likelihood:
    """Put a probability in words."""
    if probability >= SHOWN:
        return Likelihood.SHOWN
    if probability >= LIKELY:
        return Likelihood.LIKELY
    return Likelihood.POSSIBLE if probability >= POSSIBLE else Likelihood.NOT_SHOWN


def describe_low_spots(
    setting: Setting, matches: Sequence[Match], numbers: Sequence[int]
) -> tuple[LowSpot, ...]:
    """Turn matches into low spots, the likeliest first; `numbers` are the surfaces matched over."""
    kept = [match for match in matches if match.probability >= OUTER_SHARE]
    return tuple(
        _describe(setting, match, number, numbers) for number, match in enumerate(kept, start=1)
    )


def _describe(setting: Setting, match: Match, number: int, numbers: Sequence[int]) -> LowSpot:
    """Figures of one low spot: median and 95 % interval over the surfaces that hold it."""
    domain = setting.domain
    present = [(i, pond) for i, pond in enumerate(match.ponds) if pond is not None]
    depths = np.array([pond.depth for _, pond in present])
    areas = np.array([pond.area for _, pond in present])
    volumes = np.array([pond.volume for _, pond in present])
    typical, pond = present[int(np.argsort(depths, kind="stable")[len(depths) // 2])]
    heights = setting.draws.heights(numbers[typical])
    hierarchy = build_hierarchy(domain, heights, setting.lifts)
    everywhere = np.zeros(len(match.ponds))
    everywhere[[i for i, _ in present]] = depths
    inner = outlines_of(domain, match.frequency, match.probability / 2)
    outer = outlines_of(domain, match.frequency, OUTER_SHARE)
    sure = outlines_of(domain, match.frequency, SURE_SHARE * match.probability)
    stages, fills_at, nested = _filling(domain, hierarchy, pond)
    spill = pond.spill if pond.spill is not None else pond.deepest
    observed_by = _read_by(setting, match)
    return LowSpot(
        name=f"{domain.plane} low spot {number}",
        plane=domain.plane,
        likelihood=likelihood_of(match.probability),
        probability=match.probability,
        outline=inner[0] if inner else np.zeros((0, 2)),
        outer_outline=outer[0] if outer else np.zeros((0, 2)),
        deepest=np.mean([p.deepest for _, p in present], axis=0),
        spill=spill,
        depth=_figure(depths, "m", observed_by),
        area=_figure(areas, "m2", observed_by),
        volume=_figure(volumes, "m3", observed_by),
        weight=_figure(volumes * WATER_DENSITY, "kg", observed_by),
        load=_figure(depths * WATER_DENSITY * GRAVITY, "Pa", observed_by),
        drains_to=_drains_to(domain, heights, setting.lifts, pond),
        outlet=_outlet_in(domain, pond),
        observed_by=observed_by,
        depth_range=interval(everywhere),
        depth_interval=interval(depths),
        area_interval=interval(areas),
        volume_interval=interval(volumes),
        sure_outline=sure[0] if sure else None,
        stages=stages,
        fills_at_rain=fills_at,
        nested=nested,
    )


def interval(values: Array) -> tuple[float, float]:
    """Return the 95 % interval of sampled values."""
    low, high = np.quantile(values, [0.025, 0.975])
    return float(low), float(high)


def _figure(values: Array, unit: Unit, observed_by: tuple[str, ...]) -> Figure:
    """Median of sampled values with a half-width that holds their 95 % interval."""
    value = float(np.median(values))
    sd = float(values.std())
    low, high = interval(values)
    wide = max(high - value, value - low)
    return Figure(value, sd, unit, observed_by, wide / sd if sd > 0 else NORMAL_95)


def _read_by(setting: Setting, match: Match) -> tuple[str, ...]:
    """Return the readings in and around a low spot, the nearest to its middle first."""
    rows, columns = np.nonzero(match.frequency >= OUTER_SHARE)
    cells = setting.domain.origin + np.column_stack([columns, rows]) * setting.domain.step
    if len(cells) == 0 or len(setting.reading_places) == 0:
        return ()
    gaps = np.linalg.norm(setting.reading_places[:, None] - cells[None], axis=-1).min(axis=1)
    middle = np.linalg.norm(setting.reading_places - cells.mean(axis=0), axis=1)
    near = [int(i) for i in np.argsort(middle) if gaps[i] <= NEAR_READINGS * setting.spacing]
    return tuple(setting.reading_names[i] for i in near)


def _filling(
    domain: Domain, hierarchy: Hierarchy, pond: Pond
) -> tuple[Array | None, float | None, tuple[NestedLow, ...]]:
    """Stage curve, rain that fills it, and low spots within, of a pond of one surface."""
    flat = int(pond.deepest_cell[0] * domain.shape[1] + pond.deepest_cell[1])
    leaf = int(hierarchy.leaf[flat])
    if leaf == OUT:
        return None, None, ()
    top = hierarchy.top(leaf)
    if not np.isfinite(top.spill) or len(top.cells) == 0:
        return None, None, ()
    leaves = [dip.number for dip in hierarchy.dips if hierarchy.top(dip.number) is top]
    catchment = int(np.isin(hierarchy.leaf[domain.inside.ravel()], leaves).sum())
    fills_at = pond.volume / (catchment * domain.cell_area) if catchment else None
    curve = stage_curve(hierarchy, top)
    if curve[-1, 0] > 0 and curve[-1, 2] > 0:  # as deep and as large as worked out below the cell
        curve = curve * [pond.depth / curve[-1, 0], 1.0, pond.volume / curve[-1, 2]]
        curve[:, 1] *= pond.area / max(curve[-1, 1], 1e-12)
    return curve, fills_at, _nested(domain, hierarchy, top.number)


def _nested(domain: Domain, hierarchy: Hierarchy, number: int) -> tuple[NestedLow, ...]:
    """Countable low spots under an outermost one."""
    found: list[NestedLow] = []
    pending = list(hierarchy.dips[number].children)
    while pending:
        dip = hierarchy.dips[pending.pop()]
        depth = dip.spill - dip.bottom
        if depth >= COUNTABLE_DEPTH and dip.area >= COUNTABLE_AREA:
            row, column = divmod(dip.bottom_cell, domain.shape[1])
            place = domain.origin + np.array([column, row]) * domain.step
            found.append(NestedLow(place, depth, dip.area, dip.capacity))
        pending.extend(dip.children)
    return tuple(sorted(found, key=lambda low: -low.depth))


def _outlet_in(domain: Domain, pond: Pond) -> str | None:
    """Name of an outlet within or touching a pond (one that stands above its bottom)."""
    for outlet in domain.outlets:
        if outlet.is_edge:
            continue
        cell = np.round((outlet.at - domain.origin) / domain.step)[::-1]
        if (np.abs(pond.cells - cell).max(axis=1) <= 1).any():
            return outlet.name
    return None


def _drains_to(domain: Domain, heights: Array, lifts: Array, pond: Pond) -> str:
    """Name of the way out that water spilt by a pond leaves by."""
    onward, _ = run_off(domain, heights, lifts)
    cell = int(pond.deepest_cell[0] * domain.shape[1] + pond.deepest_cell[1])
    for _ in range(onward.size):
        if onward[cell] < 0:
            break
        cell = int(onward[cell])
    number = int(domain.way_out.ravel()[cell])
    return domain.outlets[number].name if number >= 0 else "nowhere"


def leaves_by(domain: Domain, heights: Array, lifts: Array) -> tuple[str, ...]:
    """Return the ways out of a surface (m,), the one with the most roof draining to it first."""
    if not np.isfinite(lifts).any():
        return ()
    onward, _ = run_off(domain, heights, lifts)
    final = np.arange(onward.size)
    for _ in range(int(np.ceil(np.log2(onward.size))) + 1):  # pointer doubling
        jump = np.where(onward >= 0, onward, np.arange(onward.size))
        final = jump[final] if _ == 0 else final[final]
    ways = domain.way_out.ravel()[final[domain.inside.ravel()]]
    counts = np.bincount(ways[ways >= 0], minlength=len(domain.outlets))
    order = sorted(range(len(counts)), key=lambda i: (-counts[i], i))
    return tuple(domain.outlets[i].name for i in order if counts[i] > 0)
