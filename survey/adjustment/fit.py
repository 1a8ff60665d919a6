"""Least squares with one choice of readings, with the reliability of each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.minimise import FIRST_DAMPING, minimise
from survey.adjustment.model import Array
from survey.adjustment.normal import (
    Factor,
    NormalEquations,
    NotPositive,
    eliminate,
)
from survey.adjustment.partition import Partition, choose_partition
from survey.adjustment.rank import FreeSpace, find_free_space
from survey.adjustment.reliability import Reliability, assess, group_log_p
from survey.adjustment.unknowns import Values
from survey.errors import NotEnoughObserved

# In turn, where a combination stands at the edge of what counts as free.
ROUGH = 1e-3  # fall of the squares under which a rough fit is left: 3 % of an unknown's sd
ROUGH_STEPS = 3
EDGE_DAMPINGS = (0.0, 1e-13, 1e-12, 1e-11, 1e-10, 1e-9)


@dataclass(frozen=True, slots=True)
class Choice:
    """Which readings are used, and how much wider than stated they scatter.

    Attributes
    ----------
    used : (groups,) array of bool
    factors : (kinds,) array
        Variance factor of each kind.
    widening : (groups,) array
        Further variance factor of readings that contradict each other undecided; else 1.
    """

    used: np.ndarray
    factors: Array
    widening: Array

    def variances(self, system: System) -> Array:
        """Variance of every row, used or not."""
        variances: Array = system.sd**2 * self.factors[system.kind] * self.widening[system.group]
        return variances

    def weights(self, system: System) -> Array:
        """One over variance of every row, 0 for readings set aside."""
        weights: Array = self.used[system.group] / self.variances(system)
        return weights


@dataclass(frozen=True, slots=True)
class Fit:
    """A least-squares fit.

    `residuals`, `derivatives` hold all rows, those set aside too; `normal`, `factor`, `free` and
    `reliability` stand on the rows in use. Not `settled`: a rough fit, near the least squares.
    """

    choice: Choice
    values: Values
    residuals: Array
    derivatives: Array
    weights: Array
    normal: NormalEquations
    factor: Factor
    free: FreeSpace
    reliability: Reliability
    steps: int
    settled: bool
    damping: float


def fit_readings(system: System, values: Values, choice: Choice, *, near: Fit | None = None) -> Fit:
    """Least squares of the readings in use.

    Parameters
    ----------
    system : System
    values : Values
        Where to start.
    choice : Choice
    near : Fit, optional
        With nearly the same readings: a few steps from there will do, as the residuals tell gross
        errors as well near the least squares as there.
    """
    weights = choice.weights(system)
    if near is None:
        _, derivatives = system.linearise(values)
        partition = choose_partition(system, derivatives, weights)
        found = minimise(system, values, weights, partition=partition)
    else:
        partition = near.normal.partition
        found = minimise(
            system,
            values,
            weights,
            partition=partition,
            most_steps=ROUGH_STEPS,
            decrement=ROUGH,
            damping=min(near.damping, FIRST_DAMPING),
        )
    residuals, derivatives = system.linearise(found.values)
    normal, factor, free = factorise(system, partition, derivatives, weights)
    leverage, beside = factor.leverages()
    reliability = assess(system, residuals, weights, leverage, beside)
    return Fit(
        choice,
        found.values,
        residuals,
        derivatives,
        weights,
        normal,
        factor,
        free,
        reliability,
        found.steps,
        near is None,
        found.damping,
    )


def factorise(
    system: System, partition: Partition, derivatives: Array, weights: Array
) -> tuple[NormalEquations, Factor, FreeSpace]:
    """Factor of the normal equations with minimal constraints on what is free.

    Raises
    ------
    NotEnoughObserved
        If the state is so far off that the equations no longer fix anything.
    """
    normal = NormalEquations(system, partition, derivatives, weights)
    try:
        eliminated = eliminate(normal, 0.0)
    except NotPositive:  # a point that the chosen state no longer fixes stays in the matrix
        partition = choose_partition(system, derivatives, weights, eliminate_points=False)
        normal = NormalEquations(system, partition, derivatives, weights)
        eliminated = eliminate(normal, 0.0)
    free = find_free_space(normal, eliminated)
    for damping in EDGE_DAMPINGS:
        try:
            done = eliminated if damping == 0.0 else None
            return normal, normal.factor(damping, free.pins, done), free
        except NotPositive:
            continue
    raise NotEnoughObserved(
        "the readings contradict each other so far that no place fits them",
        cure="measure with fewer photos or readings at a time to find the one that is wrong",
    )


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the readings in use say of rows that are not: see `predict_rows`."""

    rows: np.ndarray
    difference: Array  # read minus predicted, (m,), each in its own unit
    covariance: Array  # of the predicted values, (m, m), without the readings' own scatter
    estimable: np.ndarray


def predict_rows(system: System, fit: Fit, rows: np.ndarray) -> Prediction:
    """Predict rows set aside from all others (A11).

    Parameters
    ----------
    system : System
    fit : Fit
        Without those rows.
    rows : (m,) array of int
    """
    scaled = _dense_rows(system, fit, rows) * fit.normal.scale
    along = np.linalg.norm(scaled @ fit.free.basis, axis=1)
    estimable = along <= 1e-6 * np.maximum(np.linalg.norm(scaled, axis=1), 1e-300)
    covariance = scaled @ fit.factor.solve(scaled.T)
    return Prediction(rows, fit.residuals[rows], covariance, estimable)


def _dense_rows(system: System, fit: Fit, rows: np.ndarray) -> Array:
    """Give derivatives of some rows by all columns, (m, size)."""
    slopes = np.zeros((len(rows), system.unknowns.size + 1))
    np.add.at(slopes, (np.arange(len(rows))[:, None], system.columns[rows]), fit.derivatives[rows])
    return slopes[:, :-1]


def predicted_log_p(system: System, fit: Fit, groups: np.ndarray) -> Array:
    """Log of the probability that readings set aside differ this much from the rest by chance.

    Parameters
    ----------
    system : System
    fit : Fit
    groups : (m,) array of int
        Readings not in use.

    Returns
    -------
    (m,) array
        0 for a reading that the rest can't predict.
    """
    variances = fit.choice.variances(system)
    log_p = np.zeros(len(groups))
    for i, group in enumerate(groups):
        first = system.group_first[group]
        rows = np.arange(first, first + system.group_size[group])
        found = predict_rows(system, fit, rows)
        if not np.all(found.estimable):
            continue
        matrix = found.covariance + np.diag(variances[rows])
        square = float(found.difference @ np.linalg.solve(matrix, found.difference))
        log_p[i] = group_log_p(square, len(rows))
    return log_p


def as_if_used(system: System, fit: Fit, group: int) -> Fit | None:
    """Residuals and reliability as they would be with one more reading, to first order (A12).

    Parameters
    ----------
    system : System
    fit : Fit
    group : int
        A reading not in use.

    Returns
    -------
    Fit or None
        Its state, normal equations and factor are still those without the reading. None if the rest
        can't predict it.
    """
    first = int(system.group_first[group])
    rows = np.arange(first, first + int(system.group_size[group]))
    found = predict_rows(system, fit, rows)
    if not np.all(found.estimable):
        return None
    spread = found.covariance + np.diag(fit.choice.variances(system)[rows])
    slopes = _dense_rows(system, fit, rows) * fit.normal.scale
    moved = fit.normal.times(fit.factor.solve(slopes.T))  # whitened rows by the new reading
    gain = moved @ np.linalg.inv(spread)
    sd = 1.0 / np.sqrt(np.where(fit.weights > 0, fit.weights, 1.0))
    residuals = fit.residuals - sd * (gain @ found.difference)
    leverage, beside = fit.factor.leverages()
    leverage = leverage - np.sum(gain * moved, axis=1)
    beside = beside - np.append(np.sum(gain[:-1] * moved[1:], axis=1), 0.0)
    used = fit.choice.used.copy()
    used[group] = True
    choice = replace(fit.choice, used=used)
    weights = choice.weights(system)
    # Of the new reading itself: residual Sigma S^-1 d, redundancy Sigma S^-1.
    own = np.diag(1.0 / np.sqrt(weights[rows]))
    kept = own @ np.linalg.solve(spread, own)
    residuals[rows] = np.diag(own) ** 2 * np.linalg.solve(spread, found.difference)
    leverage[rows] = 1.0 - np.diag(kept)
    if len(rows) == 2:
        beside[rows[0]] = -kept[0, 1]
    reliability = assess(system, residuals, weights, leverage, beside)
    return replace(
        fit, choice=choice, residuals=residuals, weights=weights, reliability=reliability
    )
