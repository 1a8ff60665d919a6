"""How well guesses at the dishes agree with a tide line being the edge of a pond.

What is unsure of a traced point is its place. A point that lies off the edge of the water by a
distance square to it is off in height by that distance times the slope there, so that the density
of the *place* is that of the height times the slope. To leave the slope out would favour shallow
dishes, by a factor for each point traced.

Around the middle of each ring the guess is also looked at along rays: the level at which water in
the ring would spill is the lowest, over the rays that get away, of the highest place on the ray.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.special import log_ndtr, ndtr

from survey.drainage.evidence import Extent, Soundings, Weighing, departure_covariance, trend_design
from survey.drainage.tide_lines import LEVEL_SD, TideLine

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

FOOT, INCH = 0.3048, 0.0254
SPILL_SD = INCH / 24  # a full pond's edge about the spill of its dishes; own judgement
WRONG_RING = 0.02  # share of part-full rings that stand where no pond could; own judgement
NO_POND = 1e-3  # 1/m, density of a ring's level where nothing holds water; own judgement
NO_WAY_OUT = 20.0  # 1/m, density of the level where nothing tells how high water can stand
NOTICED = INCH / 8  # depth of water that leaves an edge in half of the cases; own judgement
NOTICED_SD = INCH / 24
MOST_POINTS = 16  # of a tide line; more are thinned out, as a hand errs alike on close points
DIRECTIONS = 12
NEAR = np.arange(0.0, 2.5, 0.2)  # places along a ray, in widths of the ring from its middle
FAR = FOOT * np.array([1.0, 2.5, 4.5, 7.0])  # and beyond, metres
FLOOR_SHARE = 0.9  # of the ring's radius within which its deepest place lies
AROUND = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])


@dataclass(frozen=True, slots=True)
class Ring:
    """One tide line as a pond's edge.

    Attributes
    ----------
    middle : (2,) array
        Plane frame.
    radius : float
        Of a circle about as wide, metres.
    plan_sd : float
        Of a traced place, metres a coordinate.
    full_share : float
        How likely its pond was full to its spill.
    count : int
        Points traced, t.
    places : (m, 2) array
        The t traced places, four neighbours of each, and the places on the rays, plane frame.
    weights : tuple of (m, n) arrays
        For each departure, what the readings less dishes tell of plane, steps and departure there.
    covariance : tuple of (t, t) arrays
        For each departure, of that at the traced places, m2.
    used : (d, r) array of bool
        Places of each ray that lie on the plane.
    away : (d,) array of bool
        Rays on which water gets away.
    """

    middle: Array
    radius: float
    plan_sd: float
    full_share: float
    count: int
    places: Array
    weights: tuple[Array, ...]
    covariance: tuple[Array, ...]
    used: BoolArray
    away: BoolArray


def lay_ring(
    line: TideLine,
    soundings: Soundings,
    extent: Extent,
    weighings: Sequence[Weighing],
    downhill: Array,
    outline: Array,
    open_sides: Sequence[bool] | None,
) -> Ring:
    """Lay rays around a tide line and work out what the readings tell of its places.

    Parameters
    ----------
    line : TideLine
    soundings, extent, weighings
        The readings, and what they are worth under each departure.
    downhill : (2,) array
        Unit vector, plane frame.
    outline : (n, 2) array
        Of the plane.
    open_sides : sequence of n bool, or None
        Whether water can leave over each side of the outline; None: over none.
    """
    traced = line.outline[:: int(np.ceil(len(line.outline) / MOST_POINTS))]
    middle = traced.mean(axis=0)
    radius = max(float(np.linalg.norm(traced - middle, axis=1).mean()), 0.1)
    square = np.array([-downhill[1], downhill[0]])
    turn = 2 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    ways = np.cos(turn)[:, None] * downhill + np.sin(turn)[:, None] * square
    reach = np.concatenate([radius * NEAR, radius * NEAR[-1] + FAR])
    used = np.zeros((DIRECTIONS, len(reach)), dtype=bool)
    away = np.zeros(DIRECTIONS, dtype=bool)
    for d, way in enumerate(ways):
        end, side = _leaves(middle, way, outline)
        used[d] = reach < end
        away[d] = end > reach[-1] or (open_sides is not None and open_sides[side])
    rays = (middle + reach[None, :, None] * ways[:, None, :]).reshape(-1, 2)
    used &= shapely.contains_xy(shapely.Polygon(outline), rays[:, 0], rays[:, 1]).reshape(
        used.shape
    )
    used[:, 0] = True
    beside = (traced[:, None] + line.plan_sd * AROUND).reshape(-1, 2)
    places = np.vstack([traced, beside, rays])
    told = [_predict(soundings, extent, weighing, places, len(traced)) for weighing in weighings]
    return Ring(
        middle=middle,
        radius=radius,
        plan_sd=line.plan_sd,
        full_share=line.full_share,
        count=len(traced),
        places=places,
        weights=tuple(weights for weights, _ in told),
        covariance=tuple(covariance for _, covariance in told),
        used=used,
        away=away,
    )


def _leaves(start: Array, way: Array, outline: Array) -> tuple[float, int]:
    """How far along a ray it first crosses the outline, and over which side."""
    nearest, over = np.inf, 0
    for side, (first, second) in enumerate(zip(outline, np.roll(outline, -1, axis=0), strict=True)):
        run = second - first
        across = way[0] * run[1] - way[1] * run[0]
        if abs(across) < 1e-12:
            continue
        gap = first - start
        reach = (gap[0] * run[1] - gap[1] * run[0]) / across
        share = (gap[0] * way[1] - gap[1] * way[0]) / across
        if reach > 0 and -1e-9 <= share <= 1 + 1e-9 and reach < nearest:
            nearest, over = float(reach), side
    return nearest, over


def _predict(
    soundings: Soundings, extent: Extent, weighing: Weighing, places: Array, count: int
) -> tuple[Array, Array]:
    """Weights (m, n) of the readings at places, and covariance (t, t) left at the first of them."""
    design = soundings.design()
    wanted = trend_design(places, soundings.breaks)
    read = departure_covariance(weighing.departure, extent, places, soundings.places)
    kriged = soundings.observe(read) @ weighing.inverse
    short = wanted - kriged @ design
    weights = kriged + short @ weighing.trend_covariance @ design.T @ weighing.inverse
    first = places[:count]
    left = departure_covariance(weighing.departure, extent, first, first)
    left = left - kriged[:count] @ soundings.observe(read[:count]).T
    left = left + short[:count] @ weighing.trend_covariance @ short[:count].T
    return weights, (left + left.T) / 2


@dataclass(frozen=True, slots=True)
class EdgeFit:
    """How a ring fits some guesses.

    `score` (b,) log density of its traced places and its level; `level` (b,) most likely height of
    its water and `level_sd` (b,), metres.
    """

    score: Array
    level: Array
    level_sd: Array


def fit_ring(ring: Ring, departure: IntArray, residual: Array, bowl: Array) -> EdgeFit:
    """Hold guesses against a tide line.

    Most rings are the edge of a pond full to its spill; the others stand anywhere below. Above the
    spill there are none, but for a small share that keeps a wrong ring from ruling everything. And
    water so shallow that it dries at once leaves no edge to trace.

    Parameters
    ----------
    ring : Ring
    departure : (b,) array of int
    residual : (b, n) array
        Readings less dishes.
    bowl : (b, m) array
        What the dishes take from the places of the ring, metres.
    """
    heights = -bowl
    covariance = np.empty((len(bowl), ring.count, ring.count))
    for number in np.unique(departure):
        mine = departure == number
        heights[mine] += residual[mine] @ ring.weights[number].T
        covariance[mine] = ring.covariance[number]
    count = ring.count
    edge = heights[:, :count]
    beside = heights[:, count : 5 * count].reshape(-1, count, 4)
    slope2 = 2.0 * (((beside - edge[..., None]) / ring.plan_sd) ** 2).mean(axis=2)
    each = np.arange(count)
    covariance[:, each, each] += LEVEL_SD**2 + ring.plan_sd**2 * slope2
    score, level, level_sd = _one_level(covariance, edge)
    score += 0.5 * np.log(slope2 + (LEVEL_SD / ring.plan_sd) ** 2).sum(axis=1)
    rays = heights[:, 5 * count :].reshape(-1, *ring.used.shape)
    score += _log_level_density(ring, rays, level, level_sd)
    return EdgeFit(score, level, level_sd)


def _one_level(covariance: Array, edge: Array) -> tuple[Array, Array, Array]:
    """Log likelihood (b,) of edge heights (b, t) being one level, that level, and its sd."""
    factor = np.linalg.cholesky(covariance)
    both = np.stack([np.ones_like(edge), edge], axis=-1)
    solved = np.linalg.solve(covariance, both)
    weight = solved[..., 0].sum(axis=1)
    level = solved[..., 1].sum(axis=1) / weight
    misfit = (edge * solved[..., 1]).sum(axis=1) - weight * level**2
    log_root = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return -0.5 * misfit - log_root - 0.5 * np.log(weight), level, 1.0 / np.sqrt(weight)


def _log_level_density(ring: Ring, rays: Array, level: Array, level_sd: Array) -> Array:
    """Log density (b,) of a ring's level, given the surface along its rays (b, d, r)."""
    near = ring.used & (np.arange(rays.shape[2]) * NEAR[1] <= FLOOR_SHARE)
    bottom = np.where(near, rays, np.inf).min(axis=(1, 2))
    noticed = log_ndtr((level - bottom - NOTICED) / np.hypot(NOTICED_SD, level_sd))
    if not ring.away.any():
        unknown: Array = np.logaddexp(noticed + np.log(NO_WAY_OUT), np.log(NO_POND))
        return unknown
    tops = np.where(ring.used, rays, -np.inf).max(axis=2)
    spill = tops[:, ring.away].min(axis=1)
    gap, held = spill - level, spill - bottom
    deep = np.maximum(held, 1e-4)
    within = ndtr(gap / level_sd) - ndtr((gap - deep) / level_sd)
    below = (WRONG_RING + (1.0 - WRONG_RING) * within) / deep
    width = np.hypot(SPILL_SD, level_sd)
    at_spill = np.exp(-0.5 * (gap / width) ** 2) / (width * np.sqrt(2 * np.pi))
    density = ring.full_share * at_spill + (1.0 - ring.full_share) * below
    density = np.where(held > 1e-4, density, NO_POND)
    value: Array = np.logaddexp(noticed + np.log(density), np.log(NO_POND))
    return value
