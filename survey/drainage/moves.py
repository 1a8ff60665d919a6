"""How guesses at dishes are changed so that the population keeps to its target distribution.

Trans-dimensional Metropolis-Hastings moves (Green 1995, Biometrika 82, 711-732). A dish's depth is
integrated out of every acceptance ratio and then drawn from its exact conditional, so that only
centre, radius and rim are proposed. `tempering` raises the likelihood to a power between 0 and 1.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from survey.drainage.candidates import Candidates, pick_tiles, propose_tiles
from survey.drainage.dishes import DepthPosterior, depth_posterior, draw_depth
from survey.drainage.particles import (
    Dishes,
    Particles,
    Question,
    refresh,
    ring_score,
    weigh_vectors,
)
from survey.drainage.rings import (
    RING_LED,
    RingChange,
    log_proposed_at_rings,
    propose_at_rings,
    ring_change,
)

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

STEP_SIZES = (0.02, 0.06, 0.2, 0.5)  # of a dish's radius; a random one is taken at each move
GROWING_SHARE = 0.3  # of small steps that widen a dish uphill and leave its lower rim in place
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
    new_radius = radius * np.exp(size * rng.standard_normal(len(rows)))
    flip = rng.random(len(rows)) < 0.2
    new_bell = bell ^ flip
    new_radius *= np.exp(np.where(flip, np.where(bell, -RIM_STRETCH, RIM_STRETCH), 0.0))
    # a dish that keeps the lowest point of its rim as it widens keeps its spill
    grows = rng.random(len(rows)) < GROWING_SHARE
    reach = (size * radius)[:, None]
    new_centre = centre + np.where(
        grows[:, None],
        (new_radius - radius)[:, None] * question.uphill,
        reach * rng.standard_normal((len(rows), 2)),
    )
    # the reverse of a shift is scaled by the new radius
    there = -0.5 * ((new_centre - centre) ** 2).sum(axis=1)
    log_back = there * ((size * new_radius) ** -2.0 - (size * radius) ** -2.0) - 2 * np.log(
        new_radius / radius
    )
    log_back[grows] = 0.0
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
    fresh = Dishes(new_centre, new_radius, new_bell, shape, pulled)
    present = Dishes(centre, radius, bell, p.form[rows, slot], p.pulled[rows, slot])
    depth = draw_depth(question.prior, new, rng.random(len(rows)))
    rings = ring_change(question, p, rows, slot, fresh, depth)
    taken = np.log(rng.random(len(rows))) < log_ratio + tempering * rings.added
    _apply(p, rows[taken], slot[taken], fresh.of(taken), depth[taken], rings.of(taken))
    # where nothing was taken, the depth alone is drawn again
    depth = draw_depth(question.prior, old, rng.random(len(rows)))
    rows, slot, present, depth = rows[~taken], slot[~taken], present.of(~taken), depth[~taken]
    rings = ring_change(question, p, rows, slot, present, depth)
    again = np.log(rng.random(len(rows))) < tempering * rings.added
    _apply(p, rows[again], slot[again], present.of(again), depth[again], rings.of(again))


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
    share = propose_tiles(question, candidates, weighted, p.departure[rows], tempering)
    fresh = _propose(question, candidates, share, p, rows, rng)
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
    depth = draw_depth(question.prior, new, rng.random(len(rows)))
    depth[removes] = 0.0  # a dish of no depth is none
    rings = ring_change(question, p, rows, slot, fresh, depth)
    taken = np.log(rng.random(len(rows))) < log_ratio + tempering * rings.added
    _apply(p, rows[taken], slot[taken], fresh.of(taken), depth[taken], rings.of(taken))


def _propose(
    question: Question,
    candidates: Candidates,
    share: npt.NDArray[np.float32],
    particles: Particles,
    rows: IntArray,
    rng: np.random.Generator,
) -> Dishes:
    """Draw a dish for each guess: a tile by its share, a point of the tile evenly."""
    tile = pick_tiles(share, rng)
    shift = rng.uniform(-1, 1, (len(tile), 2))
    centre = candidates.centre[tile] + candidates.half[tile, None] * shift
    log_radius = candidates.log_radius[tile] + candidates.span * rng.uniform(-1, 1, len(tile))
    if question.rings:
        led = rng.random(len(tile)) < RING_LED
        centre[led], log_radius[led] = propose_at_rings(question, int(led.sum()), rng)
    radius = np.exp(log_radius)
    bell = rng.random(len(tile)) < question.prior.bell_share
    form = question.forms(centre, radius, bell)
    pulled = weigh_vectors(question, particles.departure[rows], form)
    return Dishes(centre, radius, bell, form, pulled)


def _log_against_proposal(
    question: Question, candidates: Candidates, share: npt.NDArray[np.float32], dishes: Dishes
) -> Array:
    """Log of prior over proposal density of dishes; the rim is proposed from its prior."""
    log_radius = np.log(np.maximum(dishes.radius, 1e-9))
    tile = candidates.tile_of(dishes.centre, log_radius)
    proposed = np.log(share[np.arange(len(tile)), tile]) - candidates.log_volume[tile]
    if question.rings:
        led = log_proposed_at_rings(question, dishes.centre, log_radius)
        proposed = np.logaddexp(np.log1p(-RING_LED) + proposed, np.log(RING_LED) + led)
    value: Array = (
        _log_prior(question, dishes.centre, dishes.radius, dishes.bell)
        - _log_bell(question, dishes.bell)
        - proposed
    )
    return value


def _apply(
    particles: Particles,
    rows: IntArray,
    slot: IntArray,
    dishes: Dishes,
    depth: Array,
    rings: RingChange,
) -> None:
    """Set dishes; one of no depth is taken away."""
    p = particles
    p.centre[rows, slot] = dishes.centre
    p.radius[rows, slot] = dishes.radius
    p.bell[rows, slot] = dishes.bell
    p.active[rows, slot] = depth > 0
    wanted = (depth > 0)[:, None]
    p.ring[rows] += rings.added
    for kept, bowl in zip(p.bowls, rings.bowls, strict=True):
        kept[rows] = bowl
    _put(p, rows, slot, dishes.form * wanted, dishes.pulled * wanted, depth)


def _log_bell(question: Question, bell: BoolArray) -> Array:
    """Log prior of a rim, which is also how it is proposed."""
    share = question.prior.bell_share
    return np.log(np.where(bell, share, 1.0 - share))


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
    if question.rings:
        rings = ring_score(question, fresh, p.residual, p.bowls)
        keeps = np.log(rng.random(len(fresh))) >= tempering * (rings - p.ring)
        fresh[keeps] = p.departure[keeps]
    if (fresh != p.departure).any():
        p.departure = fresh
        refresh(question, p)
