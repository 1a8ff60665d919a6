"""Variance components: how much each kind of reading really scatters.

Each kind's variance factor is estimated from its own residuals and redundancy (Foerstner's
simplification of Helmert's method), drawn towards 1 by a prior worth some readings, so that two
lucky residuals can't shrink an interval and thirty poor ones widen it.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2
from scipy.stats import t as student

from survey.adjustment.equations import System
from survey.adjustment.equations_base import FIELD
from survey.adjustment.model import Array
from survey.adjustment.reliability import Reliability
from survey.figures import NORMAL_95

# Readings that the stated sd of a kind is worth; judged, own simulation in docs/accuracy.md.
PRIOR_WORTH = 6.0
REFUTED = 0.999  # chi-square quantile from which on a stated sd loses its worth
KNOWN = (
    "lens prior",
    "print scale prior",
    "stated value",
    "elevation",
)  # what is stated is not re-estimated
LEAST_FACTOR, MOST_FACTOR = 0.25, 100.0  # variance factors beyond these are not believed
STEADY = 0.02  # relative change of a factor that no longer matters


def prior_worth(system: System) -> Array:
    """Pseudo degrees of freedom of each kind's stated sd, (kinds,); inf: never re-estimated."""
    return np.array([np.inf if kind in KNOWN else PRIOR_WORTH for kind in system.kinds])


def kind_sums(
    system: System, residuals: Array, used: np.ndarray, reliability: Reliability
) -> tuple[Array, Array]:
    """Squares of residuals over their stated sds, and redundancy, by kind, (kinds,) each."""
    count = len(system.kinds)
    squares = np.where(used, (residuals / system.sd) ** 2, 0.0)
    redundancy = np.where(used, reliability.redundancy, 0.0)
    sums = [np.bincount(system.kind, part, minlength=count) for part in (squares, redundancy)]
    return np.asarray(sums[0], dtype=float), np.asarray(sums[1], dtype=float)


def estimate_factors(
    system: System, residuals: Array, used: np.ndarray, reliability: Reliability
) -> Array:
    """Variance factor of each kind (A6): (worth + squares) / (worth + redundancy).

    Where the squares refute the stated sd (beyond the 99.9 % quantile) its worth fades with the
    fourth power of how far they do. How far a roof may sag is never taken for less than stated: a
    deck that is smooth everywhere else may still hold one low spot.

    Parameters
    ----------
    system : System
    residuals : (rows,) array
    used : (rows,) array of bool
    reliability : Reliability
        Under the factors in use; iterate until steady.

    Returns
    -------
    (kinds,) array
        Times the stated variance.
    """
    worth = prior_worth(system)
    squares, redundancy = kind_sums(system, residuals, used, reliability)
    finite = np.where(np.isfinite(worth), worth, 1.0)
    limit = chi2.ppf(REFUTED, np.maximum(redundancy, 1.0))
    finite = finite * (limit / np.maximum(squares, limit)) ** 4
    factors = np.where(np.isfinite(worth), (finite + squares) / (finite + redundancy), 1.0)
    least = np.array([1.0 if kind == FIELD else LEAST_FACTOR for kind in system.kinds])
    return np.clip(factors, least, MOST_FACTOR)


def degrees_of_freedom(system: System, redundancy: Array) -> Array:
    """Degrees of freedom with which each kind's variance is known, (kinds,).

    A stated variance nobody re-estimates counts as known; otherwise (worth + r)^2 / r, which is r
    for many readings and inf for none.

    Parameters
    ----------
    system : System
    redundancy : (kinds,) array
    """
    worth = prior_worth(system)
    known = ~np.isfinite(worth) | (redundancy < 1e-6)
    safe = np.where(known, 1.0, redundancy)
    return np.where(known, np.inf, (np.where(known, 1.0, worth) + safe) ** 2 / safe)


def coverage_factors(shares: Array, freedom: Array) -> Array:
    """Factor from sd to 95 % half-width of functions whose variance is a sum over kinds.

    Parameters
    ----------
    shares : (f, kinds) array
        Each kind's part of the variance.
    freedom : (kinds,) array

    Returns
    -------
    (f,) array
        Student's t quantile with the effective degrees of freedom of Welch and Satterthwaite
        (JCGM 100:2008, G.4.1).
    """
    total = shares.sum(axis=1)
    spread = np.sum(shares**2 / freedom, axis=1)
    effective = np.where(spread > 0, total**2 / np.where(spread > 0, spread, 1.0), np.inf)
    factors: Array = np.where(
        np.isfinite(effective), student.ppf(0.975, np.minimum(effective, 1e6)), NORMAL_95
    )
    return factors
