"""Sampling what the roof may look like: plane, dishes and waviness, given the readings.

A population starts from the prior and is led to the posterior through a sequence of tempered
targets, reweighted, resampled and moved at each (Del Moral, Doucet, Jasra 2006, J. R. Statist.
Soc. B 68, 411-436), then moved on at the full target. The steps follow the population's own
effective size, so that no user sets anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from survey.drainage.candidates import Candidates, lay_candidates
from survey.drainage.dishes import DishPrior
from survey.drainage.evidence import DEPARTURES, Departure, Extent, Soundings, Weighing, weigh
from survey.drainage.moves import change_dishes, redraw_departures, step_dishes
from survey.drainage.particles import (
    LEVEL_FALL,
    MANY,
    Particles,
    Question,
    draw_prior,
    log_likelihood,
    refresh,
)
from survey.drainage.pond_edges import fit_ring, lay_ring
from survey.drainage.rings import seed_rings
from survey.drainage.tide_lines import TideLine

Array = npt.NDArray[np.float64]

POPULATION = 100
KEPT_SHARE = 0.5  # effective share of the population that a tempering step must keep
STEPS = 10  # small steps after each change of dishes
ROUNDS_TEMPERED = 1
ROUNDS_FULL = 12
ROUNDS_BETWEEN = 4
DISHES_PER_MEAN = 4.0


@dataclass(frozen=True, slots=True)
class Guess:
    """One draw of the dishes of a plane: centre (k, 2), radius, depth, bell (k,), departure."""

    centre: Array
    radius: Array
    depth: Array
    bell: npt.NDArray[np.bool_]
    departure: int
    residual: Array  # (n,) readings minus dishes
    levels: Array  # (l,) heights of the tide lines


def pose_question(
    soundings: Soundings,
    outline: Array,
    *,
    prior: DishPrior | None = None,
    departures: tuple[Departure, ...] = DEPARTURES,
    tide_lines: Sequence[TideLine] = (),
    open_sides: Sequence[bool] | None = None,
) -> tuple[Question, Extent]:
    """Prepare readings, prior and outline for sampling.

    `open_sides` says of each side of the outline whether water can leave over it; only tide lines
    ask. None: over none is known.
    """
    prior = prior or DishPrior()
    low, high = outline.min(axis=0), outline.max(axis=0)
    extent = Extent((low + high) / 2, np.maximum((high - low) / 2, 1e-3))
    weighings = tuple(weigh(soundings, extent, departure) for departure in departures)
    share = np.array([departure.share for departure in departures])
    mean = prior.per_area * float(np.prod(high - low))
    tilt = _tilt(soundings, weighings[0])
    steepness = float(np.linalg.norm(tilt))
    downhill = -tilt / steepness if steepness > LEVEL_FALL else np.array([0.0, -1.0])
    question = Question(
        soundings=soundings,
        weighings=weighings,
        projected=np.stack([w.projected for w in weighings]),
        log_constant=np.array([w.log_constant for w in weighings]),
        log_share=np.log(share / share.sum()),
        prior=prior,
        outline=outline,
        tilt=tilt,
        rings=tuple(
            lay_ring(line, soundings, extent, weighings, downhill, outline, open_sides)
            for line in tide_lines
        ),
        most_dishes=int(np.clip(np.ceil(DISHES_PER_MEAN * mean), 5, 14)),
    )
    return question, extent


def _tilt(soundings: Soundings, weighing: Weighing) -> Array:
    """Fall of the plane from the readings, du and dv."""
    design = soundings.design()
    trend: Array = weighing.trend_covariance @ (design.T @ weighing.inverse @ soundings.heights)
    return trend[1:3]


def sample_guesses(
    question: Question,
    spacing: float,
    count: int,
    rng: np.random.Generator,
    *,
    population: int = POPULATION,
) -> list[Guess]:
    """Draw `count` guesses from the posterior."""
    candidates = lay_candidates(question, spacing)
    particles = draw_prior(question, population, rng)
    seed_rings(question, particles, rng)
    tempering = 0.0
    while tempering < 1.0:
        score = log_likelihood(question, particles)
        tempering, weight = _next_tempering(score, tempering)
        particles = particles.take(_resample(weight, rng))
        for _ in range(ROUNDS_TEMPERED):
            _one_round(question, candidates, particles, tempering, rng)
    for _ in range(ROUNDS_FULL):
        _one_round(question, candidates, particles, 1.0, rng)
    refresh(question, particles)
    guesses = _guesses(question, particles, rng)
    while len(guesses) < count:
        for _ in range(ROUNDS_BETWEEN):
            _one_round(question, candidates, particles, 1.0, rng)
        refresh(question, particles)
        guesses += _guesses(question, particles, rng)
    return guesses[:count]


def _one_round(
    question: Question,
    candidates: Candidates,
    particles: Particles,
    tempering: float,
    rng: np.random.Generator,
) -> None:
    """Change dishes, step them, and redraw the departures.

    With many readings the departures are redrawn in one round of three.
    """
    change_dishes(question, candidates, particles, tempering, rng)
    for _ in range(STEPS):
        step_dishes(question, particles, tempering, rng)
    if len(question.soundings.heights) < MANY or rng.random() < 1 / 3:
        redraw_departures(question, particles, tempering, rng)


def _next_tempering(score: Array, tempering: float) -> tuple[float, Array]:
    """Largest power of the likelihood that keeps the wanted effective share, and the weights."""

    def weights(power: float) -> Array:
        log_weight = (power - tempering) * (score - score.max())
        weight = np.exp(log_weight)
        normal: Array = weight / weight.sum()
        return normal

    def kept(power: float) -> float:
        return float(1.0 / (weights(power) ** 2).sum() / len(score))

    if kept(1.0) >= KEPT_SHARE:
        return 1.0, weights(1.0)
    low, high = tempering, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if kept(middle) >= KEPT_SHARE else (low, middle)
    power = max(low, tempering + 1e-9)
    return power, weights(power)


def _resample(weight: Array, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Systematic resampling."""
    marks = (rng.random() + np.arange(len(weight))) / len(weight)
    running = np.cumsum(weight)
    order: npt.NDArray[np.int64] = np.searchsorted(running / running[-1], marks).astype(np.int64)
    return np.minimum(order, len(weight) - 1)


def _guesses(question: Question, particles: Particles, rng: np.random.Generator) -> list[Guess]:
    """Copy the population out as single guesses, with drawn heights of the tide lines."""
    p = particles
    levels = np.zeros((len(p.departure), len(question.rings)))
    for number, (ring, bowl) in enumerate(zip(question.rings, p.bowls, strict=True)):
        fit = fit_ring(ring, p.departure, p.residual, bowl)
        levels[:, number] = fit.level + fit.level_sd * rng.standard_normal(len(fit.level))
    out = []
    for b in range(len(p.departure)):
        on = p.active[b]
        out.append(
            Guess(
                p.centre[b, on].copy(),
                p.radius[b, on].copy(),
                p.depth[b, on].copy(),
                p.bell[b, on].copy(),
                int(p.departure[b]),
                p.residual[b].copy(),
                levels[b],
            )
        )
    return out
