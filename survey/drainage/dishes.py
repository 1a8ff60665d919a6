"""Dishes: local dips of a roof, their shapes and what is believed of them before any reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, log_ndtr, ndtr, ndtri

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FOOT, INCH = 0.3048, 0.0254
TINY = 1e-300


@dataclass(frozen=True, slots=True)
class DishPrior:
    """Belief before any reading; every figure is own judgement, docs/drainage.md says how it fares.

    Attributes
    ----------
    per_area : float
        Mean number of dishes per m2 (1.5 on 800 sq ft).
    clustering : float
        Shape of the gamma spread of that mean from roof to roof (negative binomial counts).
    least_radius, most_radius : float
        Uniform between these, metres.
    depth_mean, depth_sd, least_depth, most_depth : float
        Normal depth cut to a range, metres.
    bell_share : float
        Share of dishes with a smooth rim, (1 - q^2)^2 of the radius share q, against 1 - q^2.
    """

    per_area: float = 1.5 / (800 * FOOT**2)
    clustering: float = 2.0
    least_radius: float = 1.25 * FOOT
    most_radius: float = 6.0 * FOOT
    depth_mean: float = 0.5 * INCH
    depth_sd: float = 0.45 * INCH
    least_depth: float = 0.125 * INCH
    most_depth: float = 4.0 * INCH
    bell_share: float = 0.25

    def log_count_ratio(self, count: Array, area: float) -> Array:
        """Log of P(count + 1) / P(count) on a roof of `area` m2."""
        mean = self.per_area * area
        share = mean / (mean + self.clustering)
        ratio: Array = np.log((count + self.clustering) / (count + 1.0) * share)
        return ratio

    def log_count(self, count: Array, area: float) -> Array:
        """Log probability of a number of dishes on a roof of `area` m2."""
        mean = self.per_area * area
        share = mean / (mean + self.clustering)
        value: Array = (
            gammaln(count + self.clustering)
            - gammaln(self.clustering)
            - gammaln(count + 1.0)
            + count * np.log(share)
            + self.clustering * np.log1p(-share)
        )
        return value


def dish_shape(distance2: Array, bell: BoolArray) -> Array:
    """Share of a dish's depth at a squared distance from its centre over its squared radius."""
    inner = np.maximum(1.0 - distance2, 0.0)
    return np.where(bell, inner * inner, inner)


@dataclass(frozen=True, slots=True)
class DepthPosterior:
    """A dish's depth given all else: normal (`mean`, `sd`) cut to the prior's range.

    `log_evidence` is the log of the likelihood's mean over the prior against no dish at all.
    """

    mean: Array
    sd: Array
    log_evidence: Array


def depth_posterior(prior: DishPrior, pull: Array, weight: Array) -> DepthPosterior:
    """Combine the prior of a depth d with a likelihood exp(pull d - weight d^2 / 2)."""
    precision = weight + prior.depth_sd**-2
    sd = 1.0 / np.sqrt(precision)
    mean = (pull + prior.depth_mean * prior.depth_sd**-2) / precision
    log_evidence = (
        0.5 * (mean / sd) ** 2
        - 0.5 * (prior.depth_mean / prior.depth_sd) ** 2
        + np.log(sd / prior.depth_sd)
        + _log_between((prior.least_depth - mean) / sd, (prior.most_depth - mean) / sd)
        - _log_between(
            np.asarray((prior.least_depth - prior.depth_mean) / prior.depth_sd),
            np.asarray((prior.most_depth - prior.depth_mean) / prior.depth_sd),
        )
    )
    return DepthPosterior(mean, sd, log_evidence)


def draw_depth(prior: DishPrior, known: DepthPosterior, uniform: Array) -> Array:
    """Turn uniform numbers into depths drawn from a cut normal, metres."""
    low = (prior.least_depth - known.mean) / known.sd
    high = (prior.most_depth - known.mean) / known.sd
    flip = low > 0
    first = np.where(flip, -high, low)
    second = np.where(flip, -low, high)
    share = ndtr(first) + uniform * (ndtr(second) - ndtr(first))
    standard = np.where(share > TINY, ndtri(np.maximum(share, TINY)), second)
    standard = np.clip(standard, first, second)
    depth: Array = known.mean + known.sd * np.where(flip, -standard, standard)
    return np.clip(depth, prior.least_depth, prior.most_depth)


def _log_between(low: Array, high: Array) -> Array:
    """Log of the standard normal probability between two bounds, steady far in the tails."""
    flip = low > 0
    first = np.where(flip, -high, low)
    second = np.where(flip, -low, high)
    upper = log_ndtr(second)
    gap: Array = log_ndtr(first) - upper
    value: Array = upper + np.log1p(-np.exp(np.minimum(gap, -1e-12)))
    return value
