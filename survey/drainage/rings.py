"""Tide lines in the sampler: their points are shifted to where they may have been."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from survey.drainage.particles import Dishes, Particles, Question, ring_score, traced_shapes

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SHIFT_SIZES = (0.2, 0.6, 1.5)  # of the sd of a traced place


def ring_change(
    question: Question,
    particles: Particles,
    rows: IntArray,
    slot: IntArray,
    dishes: Dishes,
    depth: Array,
) -> Array:
    """Work out what setting one dish of some guesses adds to their ring scores."""
    p = particles
    if not question.rings:
        return np.zeros(len(rows))
    every = np.arange(len(rows))
    centre, radius, depths = p.centre[rows], p.radius[rows], p.depth[rows]
    residual = p.residual[rows] + depth[:, None] * dishes.form
    residual -= depths[every, slot, None] * p.form[rows, slot]
    centre[every, slot], radius[every, slot] = dishes.centre, dishes.radius
    depths[every, slot] = depth
    return ring_score(question, centre, radius, depths, residual) - p.ring[rows]


def shift_traced(
    question: Question, particles: Particles, tempering: float, rng: np.random.Generator
) -> None:
    """Shift every traced place a little in every guess, one after another, in place.

    The place of a traced point is unknown, its height is that of its water. To take the place as
    told and the height as unsure instead would favour shallow dishes: the steeper a wall, the more
    the heights at wrongly placed points scatter.
    """
    p = particles
    traced = question.soundings.traced
    if traced == 0:
        return
    plan_sd = question.soundings.plan_sd
    assert plan_sd is not None
    n = p.residual.shape[1]
    for j in range(traced):
        row, sd = n - traced + j, plan_sd[n - traced + j]
        size = sd * np.array(SHIFT_SIZES)[rng.integers(len(SHIFT_SIZES), size=len(p.shift))]
        old = p.shift[:, j]
        new = old + size[:, None] * rng.standard_normal(old.shape)
        place = (question.soundings.places[row - n] + new)[:, None, None, :]
        form = traced_shapes(place, p.centre, p.radius, p.bell)[..., 0] * p.active
        change = form - p.form[..., row]
        rise = (p.depth * change).sum(axis=1) - (new - old) @ question.tilt
        column = question.projected[p.departure, row]
        log_ratio = -tempering * rise * (p.weighted[:, row] + 0.5 * rise * column[:, row])
        log_ratio -= 0.5 * ((new**2).sum(axis=1) - (old**2).sum(axis=1)) / sd**2
        residual = p.residual.copy()
        residual[:, row] += rise
        rings = ring_score(question, p.centre, p.radius, p.depth, residual)
        log_ratio += tempering * (rings - p.ring)
        taken = np.flatnonzero(np.log(rng.random(len(old))) < log_ratio)
        p.ring[taken] = rings[taken]
        p.shift[taken, j] = new[taken]
        p.form[taken, :, row] = form[taken]
        p.pulled[taken] += change[taken][..., None] * column[taken][:, None, :]
        p.residual[taken, row] += rise[taken]
        p.weighted[taken] += rise[taken, None] * column[taken]
