"""A dish's depth given all else, against plain integration; counts against their prior."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from survey.drainage.dishes import DishPrior, depth_posterior, draw_depth

PRIOR = DishPrior()


@pytest.mark.parametrize(
    ("pull", "weight"), [(0.0, 0.0), (800.0, 1e5), (-900.0, 1e5), (3e4, 2e6), (-2e4, 2e6)]
)
def test_evidence_of_a_dish_equals_plain_integration(pull, weight):
    low, high = PRIOR.least_depth, PRIOR.most_depth

    def before(d):
        return np.exp(-0.5 * ((d - PRIOR.depth_mean) / PRIOR.depth_sd) ** 2)

    peak = np.clip(pull / max(weight, 1e-9), low, high)
    scale = pull * peak - weight * peak**2 / 2

    def after(d):
        return before(d) * np.exp(pull * d - weight * d**2 / 2 - scale)

    top = integrate.quad(after, low, high, points=[peak], limit=400)[0]
    bottom = integrate.quad(before, low, high, limit=400)[0]
    known = depth_posterior(PRIOR, np.array(pull), np.array(weight))
    assert float(known.log_evidence) == pytest.approx(np.log(top / bottom) + scale, abs=1e-6)


@pytest.mark.parametrize("mean_in", [-3.0, 0.05, 0.5, 6.0])
def test_depths_follow_the_cut_normal(mean_in):
    sd = 0.2 * 0.0254
    known = depth_posterior(PRIOR, np.array(0.0), np.array(0.0))
    known = type(known)(np.array(mean_in * 0.0254), np.array(sd), known.log_evidence)
    uniform = np.random.default_rng(4).random(4000)
    depths = draw_depth(PRIOR, known, uniform)
    low = (PRIOR.least_depth - known.mean) / sd
    high = (PRIOR.most_depth - known.mean) / sd
    law = stats.truncnorm(low, high, loc=known.mean, scale=sd)
    assert depths.min() >= PRIOR.least_depth
    assert depths.max() <= PRIOR.most_depth
    assert stats.kstest(depths, law.cdf).pvalue > 0.001


def test_counts_follow_the_negative_binomial_that_the_ratios_say():
    area = 74.3
    counts = np.arange(40.0)
    share = np.exp(PRIOR.log_count(counts, area))
    assert share.sum() == pytest.approx(1.0, abs=1e-9)
    assert (share * counts).sum() == pytest.approx(PRIOR.per_area * area, rel=1e-6)
    ratios = PRIOR.log_count_ratio(counts[:-1], area)
    np.testing.assert_allclose(np.diff(np.log(share)), ratios, atol=1e-9)
