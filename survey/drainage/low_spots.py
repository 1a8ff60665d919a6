"""Named low spots with their figures, from ponds matched over sampled surfaces."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from skimage.segmentation import watershed

from survey.drainage.domain import Domain
from survey.drainage.matching import Match
from survey.drainage.model import Likelihood, LowSpot
from survey.drainage.ponds import Pond, flood
from survey.drainage.slopes import outlines_of
from survey.figures import NORMAL_95, Figure, Unit

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SHOWN, LIKELY, POSSIBLE = 0.90, 0.50, 0.25  # least probability of each word; own judgement
WATER_DENSITY = 62.4 * 0.45359237 / 0.3048**3  # kg/m3 from 62.4 lb per cu ft (ASCE 7, rain load)
GRAVITY = 9.80665  # m/s2, standard gravity (ISO 80000-3)
OUTER_SHARE = 0.025  # share of surfaces in which a cell of the outer outline is wet


def likelihood_of(probability: float) -> Likelihood:
    """Put a probability in words."""
    if probability >= SHOWN:
        return Likelihood.SHOWN
    if probability >= LIKELY:
        return Likelihood.LIKELY
    return Likelihood.POSSIBLE if probability >= POSSIBLE else Likelihood.NOT_SHOWN


def describe_low_spots(
    domain: Domain,
    heights: Array,
    lifts: Array,
    matches: Sequence[Match],
    observed_by: tuple[str, ...],
) -> tuple[LowSpot, ...]:
    """Turn matches into low spots of the plane file, the likeliest first."""
    return tuple(
        _describe(domain, heights, lifts, match, number, observed_by)
        for number, match in enumerate(matches, start=1)
        if match.probability >= OUTER_SHARE
    )


def _describe(
    domain: Domain,
    heights: Array,
    lifts: Array,
    match: Match,
    number: int,
    observed_by: tuple[str, ...],
) -> LowSpot:
    """Figures of one low spot: median and 95 % interval over the surfaces that hold it."""
    present = [(i, pond) for i, pond in enumerate(match.ponds) if pond is not None]
    depths = np.array([pond.depth for _, pond in present])
    areas = np.array([pond.area for _, pond in present])
    volumes = np.array([pond.volume for _, pond in present])
    typical = int(np.argsort(depths)[len(depths) // 2])
    surface, pond = present[typical]
    spill, drains_to = spill_of(domain, heights[surface], lifts, pond)
    inner = outlines_of(domain, match.frequency, match.probability / 2)
    outer = outlines_of(domain, match.frequency, OUTER_SHARE)
    everywhere = np.zeros(len(match.ponds))
    everywhere[[i for i, _ in present]] = depths
    return LowSpot(
        name=f"{domain.plane} low spot {number}",
        plane=domain.plane,
        likelihood=likelihood_of(match.probability),
        probability=match.probability,
        outline=inner[0] if inner else np.zeros((0, 2)),
        outer_outline=outer[0] if outer else np.zeros((0, 2)),
        deepest=pond.deepest,
        spill=spill,
        depth=_figure(depths, "m", observed_by),
        area=_figure(areas, "m2", observed_by),
        volume=_figure(volumes, "m3", observed_by),
        weight=_figure(volumes * WATER_DENSITY, "kg", observed_by),
        load=_figure(depths * WATER_DENSITY * GRAVITY, "Pa", observed_by),
        drains_to=drains_to,
        outlet=_outlet_in(domain, pond),
        observed_by=observed_by,
        depth_range=interval(everywhere),
        depth_interval=interval(depths),
        area_interval=interval(areas),
        volume_interval=interval(volumes),
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


def _outlet_in(domain: Domain, pond: Pond) -> str | None:
    """Name of an outlet within or touching a pond (one that stands above its bottom)."""
    for outlet in domain.outlets:
        if outlet.is_edge:
            continue
        cell = np.round((outlet.at - domain.origin) / domain.step)[::-1]
        if (np.abs(pond.cells - cell).max(axis=1) <= 1).any():
            return outlet.name
    return None


def basins(domain: Domain, heights: Array, lifts: Array) -> IntArray:
    """Way out that each cell drains to when every depression is full: index into `outlets`, or -1.

    Watershed by flooding from the ways out, the order of a priority flood.
    """
    flooded = flood(domain, heights, lifts)
    markers = np.where(np.isfinite(lifts) & (domain.index >= 0), domain.way_out + 1, 0)
    elevation = np.where(markers > 0, flooded.level[0], np.minimum(flooded.elevation[0], 1e6))
    mask = domain.inside | (markers > 0)
    labels: IntArray = watershed(  # type: ignore[no-untyped-call]
        elevation, markers, connectivity=2, mask=mask
    ).astype(np.int64)
    return labels - 1


def spill_of(domain: Domain, heights: Array, lifts: Array, pond: Pond) -> tuple[Array, str]:
    """Where a pond spills (plane frame) and the way out its water then takes."""
    flooded = flood(domain, heights, lifts)
    level = flooded.level[0]
    ring = np.ones(level.shape, dtype=bool)
    ring[pond.cells[:, 0], pond.cells[:, 1]] = False
    wet = ~ring
    around = np.argwhere(_grow(wet) & ring & np.isfinite(level))
    if len(around) == 0:
        return pond.deepest, "nowhere"
    heights_around = level[around[:, 0], around[:, 1]]
    lowest = around[int(np.argmin(heights_around))]
    spill = domain.origin + lowest[::-1] * domain.step
    basin = basins(domain, heights, lifts)[tuple(pond.cells[0])]
    return spill, domain.outlets[basin].name if basin >= 0 else "nowhere"


def _grow(cells: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Cells and their eight neighbours."""
    grown = cells.copy()
    grown[1:] |= cells[:-1]
    grown[:-1] |= cells[1:]
    wide = grown.copy()
    wide[:, 1:] |= grown[:, :-1]
    wide[:, :-1] |= grown[:, 1:]
    return wide


def leaves_by(domain: Domain, heights: Array) -> tuple[str, ...]:
    """Return the ways out of a surface (m,), the one with the most roof draining to it first."""
    lifts = domain.lifts(unknown_open=True)
    if not np.isfinite(lifts).any():
        return ()
    labels = basins(domain, heights, lifts)[domain.inside]
    counts = np.bincount(labels[labels >= 0], minlength=len(domain.outlets))
    order = sorted(range(len(counts)), key=lambda i: (-counts[i], i))
    return tuple(domain.outlets[i].name for i in order if counts[i] > 0)
