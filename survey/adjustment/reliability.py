"""Tests of single readings: redundancy numbers, standardised residuals, detectable errors.

Baarda, A testing procedure for use in geodetic networks, Netherlands Geodetic Commission 2(5),
1968. A reading of two rows (a mark's x and y) is tested by its joint chi-square with two degrees of
freedom.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from survey.adjustment.equations import System
from survey.adjustment.model import Array

# sqrt of Baarda's non-centrality 17.07: 0.1 % test, found with 80 % probability.
DETECTABLE = 4.1314
TEST_LEVEL = 0.001  # probability of setting a sound reading aside, each
VISIT_LEVEL = 0.05  # and at most this for the whole visit
CHECKED = 1e-4  # redundancy under which a direction of a reading can't be tested at all


@dataclass(frozen=True, slots=True)
class Reliability:
    """How well each reading is checked by the others.

    Attributes
    ----------
    redundancy : (rows,) array
        0: nothing checks it; 1: the others know it all.
    standardised : (rows,) array
        Residual over its own sd (Baarda's w), signed; 0 where nothing checks the row.
    detectable : (rows,) array
        Smallest error found with 80 % probability at a 0.1 % test, in the row's unit; inf: none.
    log_p : (groups,) array
        Log of the probability of a residual as large by chance; 0 where nothing checks it.
    testable : (groups,) array of bool
    """

    redundancy: Array
    standardised: Array
    detectable: Array
    log_p: Array
    testable: np.ndarray


def assess(
    system: System, residuals: Array, weights: Array, leverage: Array, beside: Array
) -> Reliability:
    """Reliability of every row and reading (A8, A9).

    Parameters
    ----------
    system : System
    residuals : (rows,) array
    weights : (rows,) array
        One over variance; 0 for rows set aside, which are not tested here.
    leverage, beside : (rows,) arrays
        Diagonal and superdiagonal of the hat matrix, from `Factor.leverages`.
    """
    used = weights > 0
    sd = 1.0 / np.sqrt(np.where(used, weights, 1.0))
    redundancy = np.where(used, np.clip(1.0 - leverage, 0.0, 1.0), 0.0)
    checked = used & (redundancy > CHECKED)
    root = np.sqrt(np.where(checked, redundancy, 1.0))
    whitened = np.where(used, residuals / sd, 0.0)
    standardised = np.where(checked, whitened / root, 0.0)
    detectable = np.where(checked, DETECTABLE * sd / root, np.inf)
    log_p = np.zeros(system.groups)
    testable = np.zeros(system.groups, dtype=bool)
    first = system.group_first
    single = np.flatnonzero(system.group_size == 1)
    rows = first[single]
    testable[single] = checked[rows]
    log_p[single] = np.log(2.0) + log_ndtr(-np.abs(standardised[rows]))
    double = np.flatnonzero(system.group_size == 2)
    if len(double):
        rows = first[double]
        pair = np.stack([rows, rows + 1], axis=1)
        matrix = np.zeros((len(double), 2, 2))
        matrix[:, 0, 0] = redundancy[rows]
        matrix[:, 1, 1] = redundancy[rows + 1]
        matrix[:, 0, 1] = matrix[:, 1, 0] = -np.where(used[rows], beside[rows], 0.0)
        eigenvalues, vectors = np.linalg.eigh(matrix)
        turned = np.einsum("nji,nj->ni", vectors, whitened[pair])
        good = eigenvalues > CHECKED
        parts = np.where(good, turned**2 / np.where(good, eigenvalues, 1.0), 0.0)
        square, freedom = parts.sum(axis=1), good.sum(axis=1)
        testable[double] = (freedom > 0) & used[rows]
        one = np.log(2.0) + log_ndtr(-np.sqrt(square))
        log_p[double] = np.where(freedom == 2, -square / 2.0, np.where(freedom == 1, one, 0.0))
    log_p[~testable] = 0.0
    return Reliability(redundancy, standardised, detectable, np.minimum(log_p, 0.0), testable)


def group_log_p(square: float, freedom: int) -> float:
    """Log of the probability of a chi-square this large, for one or two degrees of freedom."""
    if freedom == 2:
        return -square / 2.0
    return float(np.log(2.0) + log_ndtr(-np.sqrt(square)))


def critical_log_p(tests: int) -> float:
    """Log of the test level: 0.1 % each, but no more than 5 % for the whole visit."""
    return float(np.log(min(TEST_LEVEL, VISIT_LEVEL / max(tests, 1))))
