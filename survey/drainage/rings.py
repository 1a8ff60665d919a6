"""Tide lines in the sampler: dishes proposed under them, and what a change does to their fit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from survey.drainage.particles import (
    Dishes,
    Particles,
    Question,
    refresh,
    ring_score,
    shapes_at,
)

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

RING_LED = 0.4  # of proposals of new dishes that start from a ring, where there is one
LED_WIDER, LED_WIDER_SD = 0.25, 0.25  # log of a dish's radius over its ring's
LED_OFF = 0.12  # of the ring's radius by which the centre strays


@dataclass(frozen=True, slots=True)
class RingChange:
    """What a change of dishes adds to the ring scores (r,), and what they then take (r, m)."""

    added: Array
    bowls: tuple[Array, ...]

    def of(self, chosen: BoolArray) -> RingChange:
        """Return those chosen."""
        return RingChange(self.added[chosen], tuple(bowl[chosen] for bowl in self.bowls))


def propose_at_rings(
    question: Question, count: int, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Draw centres (count, 2) and log radii of dishes whose lower rim touches a ring."""
    which = rng.integers(len(question.rings), size=count)
    middle = np.array([ring.middle for ring in question.rings])[which]
    width = np.array([ring.radius for ring in question.rings])[which]
    log_radius = np.log(width) + LED_WIDER + LED_WIDER_SD * rng.standard_normal(count)
    centre = middle + (np.exp(log_radius) - width)[:, None] * question.uphill
    centre += (LED_OFF * width)[:, None] * rng.standard_normal((count, 2))
    return centre, log_radius


def seed_rings(question: Question, particles: Particles, rng: np.random.Generator) -> None:
    """Put a dish under every ring of each guess of a starting population, in place.

    Water stood there, so that the search need not find out anew; moves at every tempered target
    then take each away again as often as it should be.
    """
    p = particles
    every = np.arange(len(p.departure))
    low, high = question.prior.least_radius, question.prior.most_radius
    for number in range(min(len(question.rings), p.active.shape[1])):
        only = replace(question, rings=(question.rings[number],))
        centre, log_radius = propose_at_rings(only, len(every), rng)
        wanted = question.holds(centre)
        p.centre[wanted, number] = centre[wanted]
        p.radius[:, number] = np.clip(np.exp(log_radius), low, high)
        p.depth[~p.active[:, number], number] = question.prior.depth_mean
        p.active[:, number] = True
    refresh(question, p)


def log_proposed_at_rings(question: Question, centre: Array, log_radius: Array) -> Array:
    """Log density (b,) of `propose_at_rings`, in centre and log radius."""
    terms = []
    for ring in question.rings:
        wider = (log_radius - np.log(ring.radius) - LED_WIDER) / LED_WIDER_SD
        expected = ring.middle + (np.exp(log_radius) - ring.radius)[:, None] * question.uphill
        off2 = ((centre - expected) ** 2).sum(axis=1) / (LED_OFF * ring.radius) ** 2
        scale = LED_WIDER_SD * (LED_OFF * ring.radius) ** 2 * (2 * np.pi) ** 1.5
        terms.append(-0.5 * (wider**2 + off2) - np.log(scale))
    density: Array = logsumexp(np.array(terms), axis=0) - np.log(len(terms))
    return density


def ring_change(
    question: Question,
    particles: Particles,
    rows: IntArray,
    slot: IntArray,
    dishes: Dishes,
    depth: Array,
) -> RingChange:
    """Work out what setting one dish of some guesses makes of their rings."""
    p = particles
    if not question.rings:
        return RingChange(np.zeros(len(rows)), ())
    held = p.depth[rows, slot]
    residual = p.residual[rows] + depth[:, None] * dishes.form
    residual -= held[:, None] * p.form[rows, slot]
    bowls = []
    for ring, bowl in zip(question.rings, p.bowls, strict=True):
        fresh = shapes_at(ring.places, dishes.centre, dishes.radius, dishes.bell)
        present = shapes_at(
            ring.places, p.centre[rows, slot], p.radius[rows, slot], p.bell[rows, slot]
        )
        bowls.append(bowl[rows] + depth[:, None] * fresh - held[:, None] * present)
    score = ring_score(question, p.departure[rows], residual, bowls)
    return RingChange(score - p.ring[rows], tuple(bowls))
