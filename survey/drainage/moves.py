"""How guesses at dishes are changed so that the population keeps to its target distribution.

Trans-dimensional Metropolis-Hastings moves (Green 1995, Biometrika 82, 711-732). A dish's depth is
integrated out of every acceptance ratio and then drawn from its exact conditional, so that only
centre, radius and rim are proposed. `tempering` raises the likelihood to a power between 0 and 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix

from survey.drainage.dishes import DepthPosterior, depth_posterior, draw_depth
from survey.drainage.particles import (
    Particles,
    Question,
    refresh,
    weigh_vectors,
)

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

STEP_SIZES = (0.02, 0.06, 0.2, 0.5)  # of a dish's radius; a random one is taken at each move
UNIFORM_SHARE = 0.1  # of proposals of new dishes that ignore the readings
SHARPNESS = 0.8  # power on the proposal's weights, below 1 to keep its tails long
RADIUS_LEVELS = 6
TILE_SHARE = 0.5  # side of a proposal tile over the radius it stands for
RIM_STRETCH = 0.15  # log of how much wider a bell must be to look like a plain dish


# --- small steps of one dish ---------------------------------------------------------------------


def step_dishes(
    question: Question, particles: Particles, tempering: float, rng: np.random.Generator
) -> None:
    """Shift, widen or reshape one dish of every guess, in place; its depth is redrawn."""
    p = particles
    rows = np.flatnonzero(p.count > 0)
    if len(rows) == 0:
        return
    slot = _random_dish(p, rows, rng)
    centre, radius, bell = p.centre[rows, slot], p.radius[rows, slot], p.bell[rows, slot]
    size = np.array(STEP_SIZES)[rng.integers(len(STEP_SIZES), size=len(rows))]
    reach = (size * radius)[:, None]
    new_centre = centre + reach * rng.standard_normal((len(rows), 2))
    new_radius = radius * np.exp(size * rng.standard_normal(len(rows)))
    flip = rng.random(len(rows)) < 0.2
    new_bell = bell ^ flip
    new_radius *= np.exp(np.where(flip, np.where(bell, -RIM_STRETCH, RIM_STRETCH), 0.0))
    # the reverse step is scaled by the new radius
    there = -0.5 * ((new_centre - centre) ** 2).sum(axis=1)
    log_back = there * ((size * new_radius) ** -2.0 - (size * radius) ** -2.0) - 2 * np.log(
        new_radius / radius
    )
    weighted = p.weighted[rows] - p.depth[rows, slot, None] * p.pulled[rows, slot]
    old = _score(question, p.form[rows, slot], p.pulled[rows, slot], weighted, tempering)
    shape = question.forms(new_centre, new_radius, new_bell)
    pulled = weigh_vectors(question, p.departure[rows], shape)
    new = _score(question, shape, pulled, weighted, tempering)
    log_ratio = (
        new.log_evidence
        - old.log_evidence
        + _log_prior(question, new_centre, new_radius, new_bell)
        - _log_prior(question, centre, radius, bell)
        + log_back
    )
    taken = np.log(rng.random(len(rows))) < log_ratio
    depth = draw_depth(question.prior, _choose(taken, new, old), rng.random(len(rows)))
    shape = np.where(taken[:, None], shape, p.form[rows, slot])
    pulled = np.where(taken[:, None], pulled, p.pulled[rows, slot])
    p.centre[rows, slot] = np.where(taken[:, None], new_centre, centre)
    p.radius[rows, slot] = np.where(taken, new_radius, radius)
    p.bell[rows, slot] = np.where(taken, new_bell, bell)
    _put(p, rows, slot, shape, pulled, depth)


def _random_dish(particles: Particles, rows: IntArray, rng: np.random.Generator) -> IntArray:
    """Pick one dish of each guess evenly."""
    luck = np.where(particles.active[rows], rng.random((len(rows), particles.active.shape[1])), -1)
    slot: IntArray = np.argmax(luck, axis=1)
    return slot


def _score(
    question: Question, shape: Array, pulled: Array, weighted: Array, tempering: float
) -> DepthPosterior:
    """Depth posterior of a dish against residuals without it; a dish of depth d lowers by d."""
    pull = -tempering * np.einsum("bn,bn->b", shape, weighted)
    weight = tempering * np.einsum("bn,bn->b", shape, pulled)
    return depth_posterior(question.prior, pull, np.maximum(weight, 0.0))


def _log_prior(question: Question, centre: Array, radius: Array, bell: BoolArray) -> Array:
    """Log prior density of a dish in centre and log radius; -inf where it can't be."""
    prior = question.prior
    allowed = (
        question.holds(centre) & (radius >= prior.least_radius) & (radius <= prior.most_radius)
    )
    value = np.log(radius / (prior.most_radius - prior.least_radius)) - np.log(question.area)
    value = value + np.log(np.where(bell, prior.bell_share, 1.0 - prior.bell_share))
    return np.where(allowed, value, -np.inf)


def _choose(first: BoolArray, one: DepthPosterior, other: DepthPosterior) -> DepthPosterior:
    """Take `one` where `first`, else `other`."""
    return DepthPosterior(
        np.where(first, one.mean, other.mean),
        np.where(first, one.sd, other.sd),
        np.where(first, one.log_evidence, other.log_evidence),
    )


def _put(
    particles: Particles,
    rows: IntArray,
    slot: IntArray,
    shape: Array,
    pulled: Array,
    depth: Array,
) -> None:
    """Set dishes (shape, pulled, depth) and bring residuals up to date."""
    p = particles
    change = depth[:, None] * shape - p.depth[rows, slot, None] * p.form[rows, slot]
    weighted = depth[:, None] * pulled - p.depth[rows, slot, None] * p.pulled[rows, slot]
    p.residual[rows] += change
    p.weighted[rows] += weighted
    p.form[rows, slot] = shape
    p.pulled[rows, slot] = pulled
    p.depth[rows, slot] = depth


# --- births, deaths and removals led by the readings ---------------------------------------------


@dataclass(frozen=True, slots=True)
class Candidates:
    """Places and sizes at which a new dish may be proposed.

    Tiles in centre and log radius cover everything a dish can be; a proposal picks a tile by how
    well a dish in its middle would explain the residuals, then a point of the tile evenly.

    `centre` (t, 2), `log_radius` (t,) of tile middles; `half` (t,) half side of the tile, `span`
    half its log radius; `shapes` (t, n) sparse; `weight` (h, t) of those under each departure;
    `first`, `columns`, `rows` index the tiles of each radius level.
    """

    low: Array
    centre: Array
    log_radius: Array
    half: Array
    span: float
    shapes: csr_matrix
    weight: Array
    first: IntArray
    columns: IntArray
    rows: IntArray
    level_half: Array
    log_least: float
    log_volume: Array

    def tile_of(self, centre: Array, log_radius: Array) -> IntArray:
        """Tile that holds a dish."""
        level = np.floor((log_radius - self.log_least) / (2 * self.span)).astype(np.int64)
        level = np.clip(level, 0, len(self.first) - 1)
        side = 2 * self.level_half[level]
        column = np.floor((centre[:, 0] - self.low[0]) / side).astype(np.int64)
        row = np.floor((centre[:, 1] - self.low[1]) / side).astype(np.int64)
        column = np.clip(column, 0, self.columns[level] - 1)
        row = np.clip(row, 0, self.rows[level] - 1)
        tile: IntArray = self.first[level] + row * self.columns[level] + column
        return tile


def lay_candidates(question: Question, spacing: float) -> Candidates:
    """Tile a plane for proposals; tiles follow the radius and the spacing of the readings."""
    prior = question.prior
    low, high = question.outline.min(axis=0), question.outline.max(axis=0)
    log_least, log_most = np.log(prior.least_radius), np.log(prior.most_radius)
    span = (log_most - log_least) / RADIUS_LEVELS / 2
    centres, log_radii, halves, first, columns, rows = [], [], [], [], [], []
    total = 0
    for level in range(RADIUS_LEVELS):
        log_radius = log_least + (2 * level + 1) * span
        side = max(TILE_SHARE * float(np.exp(log_radius)), 0.3 * spacing)
        across, up = np.maximum(np.ceil((high - low) / side), 1).astype(int)
        u = low[0] + side * (np.arange(across) + 0.5)
        v = low[1] + side * (np.arange(up) + 0.5)
        centres.append(np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2))
        log_radii.append(np.full(across * up, log_radius))
        halves.append(side / 2)
        first.append(total)
        columns.append(across)
        rows.append(up)
        total += across * up
    centre, log_radius_all = np.concatenate(centres), np.concatenate(log_radii)
    half = np.repeat(halves, np.array(columns) * np.array(rows))
    radius = np.exp(log_radius_all)
    dense = question.forms(centre, radius, np.zeros(total, dtype=bool))
    shapes = csr_matrix(dense)
    weight = np.stack(
        [np.asarray(shapes.multiply(shapes @ q).sum(axis=1)).ravel() for q in question.projected]
    )
    return Candidates(
        low=low,
        centre=centre,
        log_radius=log_radius_all,
        half=half,
        span=span,
        shapes=shapes,
        weight=np.maximum(weight, 0.0),
        first=np.array(first),
        columns=np.array(columns),
        rows=np.array(rows),
        level_half=np.array(halves),
        log_least=float(log_least),
        log_volume=np.log((2 * half) ** 2 * 2 * span),
    )


def _proposal(
    question: Question,
    candidates: Candidates,
    weighted: Array,
    departure: IntArray,
    tempering: float,
) -> npt.NDArray[np.float32]:
    """Weight (b, t) of proposing each tile given residuals without the dish; rows sum to 1."""
    prior = question.prior
    variance = 1.0 / (tempering * candidates.weight + prior.depth_sd**-2)
    base = 0.5 * SHARPNESS * np.log(variance) + candidates.log_volume + candidates.log_radius
    pull = (candidates.shapes @ weighted.T).T
    mean = (prior.depth_mean * prior.depth_sd**-2 - tempering * pull).astype(np.float32)
    np.maximum(mean, 0.0, out=mean)
    np.square(mean, out=mean)
    mean *= (0.5 * SHARPNESS * variance).astype(np.float32)[departure]
    mean += base.astype(np.float32)[departure]
    mean -= mean.max(axis=1, keepdims=True)
    share = np.exp(mean, out=mean)
    share *= (1.0 - UNIFORM_SHARE) / share.sum(axis=1, keepdims=True)
    even = np.exp(candidates.log_volume)
    share += (UNIFORM_SHARE * even / even.sum()).astype(np.float32)
    proposal: npt.NDArray[np.float32] = share
    return proposal


@dataclass(frozen=True, slots=True)
class Dishes:
    """One dish for each of some guesses: place, size, rim, and its forms at the observations."""

    centre: Array
    radius: Array
    bell: BoolArray
    form: Array
    pulled: Array

    def of(self, chosen: BoolArray) -> Dishes:
        """Return those chosen."""
        return Dishes(
            self.centre[chosen],
            self.radius[chosen],
            self.bell[chosen],
            self.form[chosen],
            self.pulled[chosen],
        )


def change_dishes(
    question: Question,
    candidates: Candidates,
    particles: Particles,
    tempering: float,
    rng: np.random.Generator,
) -> None:
    """Add a dish to, remove one from, or move one of every guess, in place."""
    p = particles
    kind = rng.integers(3, size=len(p.departure))  # 0 adds, 1 removes, 2 moves
    count = p.count
    rows = np.flatnonzero(np.where(kind == 0, count < question.most_dishes, count > 0))
    if len(rows) == 0:
        return
    adds, removes = kind[rows] == 0, kind[rows] == 1
    slot = np.where(adds, np.argmin(p.active[rows], axis=1), _random_dish(p, rows, rng))
    held = np.where(adds, 0.0, p.depth[rows, slot])
    weighted = p.weighted[rows] - held[:, None] * p.pulled[rows, slot]
    share = _proposal(question, candidates, weighted, p.departure[rows], tempering)
    fresh = _propose(question, candidates, share, p.departure[rows], rng)
    present = Dishes(
        p.centre[rows, slot],
        p.radius[rows, slot],
        p.bell[rows, slot],
        p.form[rows, slot],
        p.pulled[rows, slot],
    )
    new = _score(question, fresh.form, fresh.pulled, weighted, tempering)
    old = _score(question, present.form, present.pulled, weighted, tempering)
    log_new = new.log_evidence + _log_against_proposal(question, candidates, share, fresh)
    log_old = old.log_evidence + _log_against_proposal(question, candidates, share, present)
    number = count[rows].astype(float)
    up = question.prior.log_count_ratio(number, question.area)
    down = question.prior.log_count_ratio(np.maximum(number - 1.0, 0.0), question.area)
    with np.errstate(invalid="ignore"):
        log_ratio = np.where(
            adds, up + log_new, np.where(removes, -down - log_old, log_new - log_old)
        )
    taken = np.log(rng.random(len(rows))) < log_ratio
    depth = draw_depth(question.prior, new, rng.random(len(rows)))
    _apply(p, rows[taken], slot[taken], removes[taken], fresh.of(taken), depth[taken])


def _propose(
    question: Question,
    candidates: Candidates,
    share: npt.NDArray[np.float32],
    departure: IntArray,
    rng: np.random.Generator,
) -> Dishes:
    """Draw a dish for each guess: a tile by its share, a point of the tile evenly."""
    tile = _pick(share, rng)
    shift = rng.uniform(-1, 1, (len(tile), 2))
    centre = candidates.centre[tile] + candidates.half[tile, None] * shift
    log_radius = candidates.log_radius[tile] + candidates.span * rng.uniform(-1, 1, len(tile))
    radius = np.exp(log_radius)
    bell = rng.random(len(tile)) < question.prior.bell_share
    form = question.forms(centre, radius, bell)
    return Dishes(centre, radius, bell, form, weigh_vectors(question, departure, form))


def _log_against_proposal(
    question: Question, candidates: Candidates, share: npt.NDArray[np.float32], dishes: Dishes
) -> Array:
    """Log of prior over proposal density of dishes; the rim is proposed from its prior."""
    log_radius = np.log(np.maximum(dishes.radius, 1e-9))
    tile = candidates.tile_of(dishes.centre, log_radius)
    value: Array = (
        _log_prior(question, dishes.centre, dishes.radius, dishes.bell)
        - _log_bell(question, dishes.bell)
        - np.log(share[np.arange(len(tile)), tile])
        + candidates.log_volume[tile]
    )
    return value


def _apply(
    particles: Particles,
    rows: IntArray,
    slot: IntArray,
    removes: BoolArray,
    dishes: Dishes,
    depth: Array,
) -> None:
    """Carry out accepted changes."""
    p = particles
    kept = ~removes
    stay = (rows[kept], slot[kept])
    p.centre[stay] = dishes.centre[kept]
    p.radius[stay] = dishes.radius[kept]
    p.bell[stay] = dishes.bell[kept]
    p.active[rows, slot] = kept
    wanted = kept[:, None]
    _put(p, rows, slot, dishes.form * wanted, dishes.pulled * wanted, depth * kept)


def _log_bell(question: Question, bell: BoolArray) -> Array:
    """Log prior of a rim, which is also how it is proposed."""
    share = question.prior.bell_share
    return np.log(np.where(bell, share, 1.0 - share))


def _pick(share: npt.NDArray[np.float32], rng: np.random.Generator) -> IntArray:
    """Pick one column of each row by its share."""
    running = np.cumsum(share, axis=1)
    luck = rng.random(len(share))[:, None] * running[:, -1:]
    picked: IntArray = np.minimum((running < luck).sum(axis=1), share.shape[1] - 1)
    return picked


# --- departures and depths -----------------------------------------------------------------------


def redraw_departures(
    question: Question, particles: Particles, tempering: float, rng: np.random.Generator
) -> None:
    """Redraw how wavy and sagged each guess is, given its dishes, in place."""
    p = particles
    misfit = np.stack(
        [np.einsum("bn,bn->b", p.residual @ q, p.residual) for q in question.projected], axis=1
    )
    score = question.log_share + tempering * (question.log_constant - 0.5 * misfit)
    luck = rng.gumbel(size=score.shape)
    fresh = np.argmax(score + luck, axis=1)
    if (fresh != p.departure).any():
        p.departure = fresh
        refresh(question, p)
