"""The sampler against its prior, against plain integration, and against another library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern

from survey.drainage.candidates import lay_candidates
from survey.drainage.dishes import DishPrior, dish_shape
from survey.drainage.evidence import Departure, Extent, Soundings, weigh
from survey.drainage.moves import change_dishes, redraw_departures, step_dishes
from survey.drainage.particles import draw_prior, log_likelihood, refresh
from survey.drainage.process import Waviness, plane_trend
from survey.drainage.sampler import pose_question, sample_guesses
from survey.drainage.surfaces import conditional_root
from tests.drainage.roofs import FOOT, INCH, dished, grid_places

OUTLINE = np.array([[0, 0], [20, 0], [20, 40], [0, 40]]) * FOOT
SMOOTH = (Departure(Waviness(0.0003, 0.9), 0.0, 1.0),)


def read(surface, spacing, sd, seed, outline=OUTLINE):
    rng = np.random.default_rng(seed)
    places = grid_places(*outline[2], spacing=spacing)
    heights = surface(places[:, 0], places[:, 1]) + rng.normal(0, sd, len(places))
    return Soundings(places, heights, np.eye(len(places)) * sd**2)


def test_smooth_departure_equals_scikit_learn():
    """Weights and covariance of the Matern 5/2 part, to 1e-6 of its own size."""
    rng = np.random.default_rng(8)
    places, wanted = rng.uniform(0, 5, (40, 2)), rng.uniform(0, 5, (30, 2))
    sd, length, noise = 0.8, 1.3, 0.2
    residual = rng.normal(0, 1, 40)
    kernel = ConstantKernel(sd**2, "fixed") * Matern(length, "fixed", nu=2.5)
    other = GaussianProcessRegressor(kernel, alpha=noise**2, optimizer=None)
    mean, covariance = other.fit(places, residual).predict(wanted, return_cov=True)
    waviness = Waviness(sd, length)
    inverse = np.linalg.inv(waviness.covariance(places, places) + noise**2 * np.eye(40))
    soundings = Soundings(places, residual, noise**2 * np.eye(40))
    extent = Extent(np.array([2.5, 2.5]), np.array([2.5, 2.5]))
    weights, root = conditional_root(
        Departure(waviness, 0.0, 1.0), extent, soundings, inverse, wanted
    )
    np.testing.assert_allclose(weights @ residual, mean, atol=1e-6)
    np.testing.assert_allclose(root @ root.T, covariance, atol=1e-6)


def test_restricted_likelihood_is_that_of_contrasts_free_of_the_plane():
    """log L may differ by a constant only: compare differences between departures."""
    surface = dished(1 / 48)
    soundings = read(surface, 5 * FOOT, INCH / 16, 3)
    extent = Extent(OUTLINE.mean(axis=0), np.ptp(OUTLINE, axis=0) / 2)
    design = plane_trend(soundings.places)
    contrasts = np.linalg.svd(design)[0][:, 3:].T
    own, plain = [], []
    for sd, sag in ((0.0005, 0.0), (0.003, 0.0), (0.001, 0.01)):
        departure = Departure(Waviness(sd, 1.0), sag, 1.0)
        weighing = weigh(soundings, extent, departure)
        misfit = soundings.heights @ weighing.projected @ soundings.heights
        own.append(weighing.log_constant - 0.5 * misfit)
        terms = extent.sag_terms(soundings.places)
        total = soundings.covariance + departure.waviness.covariance(
            soundings.places, soundings.places
        )
        total = total + sag**2 * terms @ terms.T
        law = stats.multivariate_normal(np.zeros(len(contrasts)), contrasts @ total @ contrasts.T)
        plain.append(law.logpdf(contrasts @ soundings.heights))
    np.testing.assert_allclose(np.diff(own), np.diff(plain), atol=1e-6)


def test_moves_alone_keep_the_prior():
    """With the likelihood off, many moves from the prior must leave the prior."""
    prior = DishPrior()
    soundings = read(dished(1 / 48), 6 * FOOT, INCH / 16, 4)
    question, _ = pose_question(soundings, OUTLINE, prior=prior)
    candidates = lay_candidates(question, 6 * FOOT)
    rng = np.random.default_rng(12)
    particles = draw_prior(question, 1000, rng)
    for _ in range(25):
        change_dishes(question, candidates, particles, 0.0, rng)
        step_dishes(question, particles, 0.0, rng)
    redraw_departures(question, particles, 0.0, rng)
    counts = np.bincount(particles.count, minlength=question.most_dishes + 1)
    wanted = np.exp(prior.log_count(np.arange(question.most_dishes + 1.0), question.area))
    wanted = wanted / wanted.sum() * counts.sum()
    assert wanted.min() > 5
    assert stats.chisquare(counts, wanted).pvalue > 0.001
    on = particles.active
    span = prior.most_radius - prior.least_radius
    uniform = stats.uniform(prior.least_radius, span)
    # dishes of one guess are independent, so all may be pooled
    assert stats.kstest(particles.radius[on], uniform.cdf).pvalue > 0.001
    assert stats.kstest(particles.centre[on][:, 0], stats.uniform(0, 20 * FOOT).cdf).pvalue > 0.001
    assert stats.kstest(particles.centre[on][:, 1], stats.uniform(0, 40 * FOOT).cdf).pvalue > 0.001
    assert abs(particles.bell[on].mean() - prior.bell_share) < 0.05


def test_probability_of_a_dish_equals_plain_integration():
    """A small roof, few readings, at most one dish, one departure: summed on a fine lattice."""
    outline = np.array([[0, 0], [8, 0], [8, 8], [0, 8]]) * FOOT
    prior = DishPrior(bell_share=1e-9, per_area=1 / (64 * FOOT**2))
    dish = (4 * FOOT, 4 * FOOT, 2.5 * FOOT, 0.35 * INCH)
    soundings = read(dished(1 / 48, (dish,)), 2 * FOOT, INCH / 8, 9, outline)
    question, _ = pose_question(soundings, outline, prior=prior, departures=SMOOTH)
    object.__setattr__(question, "most_dishes", 1)
    guesses = sample_guesses(question, 2 * FOOT, 3000, np.random.default_rng(5), population=500)
    sampled = np.mean([len(guess.radius) for guess in guesses])

    projected = question.projected[0]
    axis = np.linspace(0, 8 * FOOT, 66)[1:-1:2]
    centre = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    radii = np.linspace(prior.least_radius, prior.most_radius, 41)[1::2]
    depths = np.linspace(prior.least_depth, 2.2 * INCH, 300)
    weight = np.exp(-0.5 * ((depths - prior.depth_mean) / prior.depth_sd) ** 2)
    weight /= weight.sum()
    y = soundings.heights
    total = 0.0
    for radius in radii:
        gap2 = ((soundings.places[None] - centre[:, None]) ** 2).sum(axis=-1) / radius**2
        form = dish_shape(gap2, np.zeros((1, 1), dtype=bool))
        pull = -(form @ projected @ y)
        bulk = np.einsum("bn,bn->b", form @ projected, form)
        ratio = np.exp(pull[:, None] * depths - 0.5 * bulk[:, None] * depths**2) @ weight
        total += ratio.mean() / len(radii)
    odds = total * np.exp(prior.log_count_ratio(np.array(0.0), question.area))
    assert sampled == pytest.approx(float(odds / (1 + odds)), abs=0.04)


def test_kept_sums_stay_equal_to_fresh_ones():
    soundings = read(dished(1 / 48), 2 * FOOT, INCH / 16, 4)
    question, _ = pose_question(soundings, OUTLINE)
    candidates = lay_candidates(question, 2 * FOOT)
    rng = np.random.default_rng(2)
    particles = draw_prior(question, 30, rng)
    for _ in range(20):
        change_dishes(question, candidates, particles, 0.3, rng)
        step_dishes(question, particles, 0.3, rng)
        redraw_departures(question, particles, 0.3, rng)
    kept = log_likelihood(question, particles)
    refresh(question, particles)
    np.testing.assert_allclose(kept, log_likelihood(question, particles), rtol=1e-8)


def test_a_dish_seen_by_many_readings_is_recovered():
    truth = (7 * FOOT, 12 * FOOT, 3 * FOOT, 1.0 * INCH)
    soundings = read(dished(1 / 48, (truth,)), 2 * FOOT, INCH / 32, 6)
    question, _ = pose_question(soundings, OUTLINE)
    guesses = sample_guesses(question, 2 * FOOT, 100, np.random.default_rng(1))
    single = [g for g in guesses if len(g.radius) == 1]
    assert len(single) > 70
    middle = np.mean([g.centre[0] for g in single], axis=0)
    assert np.abs(middle - truth[:2]).max() < 0.15 * FOOT
    assert np.mean([g.depth[0] for g in single]) == pytest.approx(truth[3], rel=0.06)
