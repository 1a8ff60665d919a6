"""One adjustment from start to finish: robust pass, least squares, data snooping, covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.stats

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.components import (
    STEADY,
    degrees_of_freedom,
    estimate_factors,
    kind_sums,
)
from survey.adjustment.equations import System, compile_network
from survey.adjustment.minimise import minimise, robust_pass, suspects
from survey.adjustment.model import Array, Network, State
from survey.adjustment.normal import (
    Factor,
    NormalEquations,
    NotPositive,
    Partition,
    choose_partition,
)
from survey.adjustment.rank import (
    Datum,
    FreeSpace,
    connected_parts,
    find_datum,
    find_free_space,
)
from survey.adjustment.reliability import Reliability, assess, critical_log_p
from survey.adjustment.results import observation_results
from survey.adjustment.solution import Statistics
from survey.adjustment.unknowns import Values

SUSPECT = (
    5.0  # a reading this many of its kind's scatters off after the robust pass starts set aside
)
MOST_ROUNDS = 80  # of least squares, components and tests


@dataclass(frozen=True, slots=True)
class Fit:
    """Least squares with one choice of readings and variance factors."""

    values: Values
    residuals: Array
    weights: Array
    normal: NormalEquations
    factor: Factor
    free: FreeSpace
    reliability: Reliability
    steps: int


def solve(
    network: Network,
    start: State,
    *,
    robust: bool = True,
    variance_components: bool = True,
) -> AdjustedNetwork:
    """Adjust a network.

    Parameters
    ----------
    network : Network
    start : State
        Starting values of the unknowns. Observations that touch an unknown without one are left
        out and named in the defects; a lens or print scale without one is held at its prior.
    robust : bool
        Robust first pass and data snooping. False: plain least squares of everything.
    variance_components : bool
        Re-estimate each kind's variance. False: standard deviations as stated.

    Returns
    -------
    AdjustedNetwork
    """
    system, state = compile_network(network, start)
    values = system.unknowns.pack(state)
    used = np.ones(system.groups, dtype=bool)
    steps = 0
    if robust:
        _, derivatives = system.linearise(values)
        partition = choose_partition(system, derivatives, 1.0 / system.sd**2)
        values, steps = robust_pass(system, values, partition)
        used = ~suspects(system, values, SUSPECT)
    factors = np.ones(len(system.kinds))
    fit, used, factors = _search(
        system, values, used, factors, robust=robust, components=variance_components
    )
    return _gather(network, system, state, fit, used, factors, steps + fit.steps)


def row_weights(system: System, used: np.ndarray, factors: Array) -> Array:
    """One over variance of every row, 0 for readings set aside."""
    weights: Array = used[system.group] / (system.sd**2 * factors[system.kind])
    return weights


def fit_readings(
    system: System, values: Values, used: np.ndarray, factors: Array, pins: FreeSpace | None = None
) -> Fit:
    """Least squares of the readings in use, with the reliability of each.

    Parameters
    ----------
    system : System
    values : Values
        Where to start.
    used : (groups,) array of bool
    factors : (kinds,) array
    pins : FreeSpace, optional
        Of an earlier fit of the same readings, to save finding it again.
    """
    weights = row_weights(system, used, factors)
    residuals, derivatives = system.linearise(values)
    partition = choose_partition(system, derivatives, weights)
    found = minimise(system, values, weights, partition=partition)
    residuals, derivatives = system.linearise(found.values)
    normal, factor, free = _factor(system, partition, derivatives, weights, pins)
    leverage, beside = factor.leverages()
    reliability = assess(system, residuals, weights, leverage, beside)
    return Fit(found.values, residuals, weights, normal, factor, free, reliability, found.steps)


def _factor(
    system: System,
    partition: Partition,
    derivatives: Array,
    weights: Array,
    known: FreeSpace | None,
) -> tuple[NormalEquations, Factor, FreeSpace]:
    """Factor with minimal constraints on what is free."""
    normal = NormalEquations(system, partition, derivatives, weights)
    free = find_free_space(normal)
    del known
    try:
        return normal, normal.factor(0.0, free.pins), free
    except NotPositive:  # at the edge of what counts as free
        return normal, normal.factor(1e-13, free.pins), free


def _search(
    system: System,
    values: Values,
    used: np.ndarray,
    factors: Array,
    *,
    robust: bool,
    components: bool,
) -> tuple[Fit, np.ndarray, Array]:
    """Fit, re-estimate variances and set readings aside until nothing changes."""
    fit = fit_readings(system, values, used, factors)
    for _ in range(MOST_ROUNDS if robust or components else 0):
        changed = False
        if robust:
            reliability = fit.reliability
            limit = critical_log_p(int(np.count_nonzero(reliability.testable)))
            worst = int(np.argmin(reliability.log_p))
            if reliability.log_p[worst] < limit:
                used = used.copy()
                used[worst] = False
                changed = True
        if not changed and components:
            rows = used[system.group]
            new = estimate_factors(system, fit.residuals, rows, fit.reliability)
            changed = bool(np.any(np.abs(new / factors - 1.0) > STEADY))
            factors = new
        if not changed:
            break
        fit = fit_readings(system, fit.values, used, factors)
    return fit, used, factors


def _gather(
    network: Network,
    system: System,
    start: State,
    fit: Fit,
    used: np.ndarray,
    factors: Array,
    steps: int,
) -> AdjustedNetwork:
    """Make the adjusted network of the last fit."""
    rows = used[system.group]
    datum = _main_datum(system, fit, rows)
    _, redundancy = kind_sums(system, fit.residuals, rows, fit.reliability)
    adjusted = AdjustedNetwork(
        network=network,
        system=system,
        values=fit.values,
        state={**start, **system.unknowns.unpack(fit.values)},
        residuals=fit.residuals,
        used=rows,
        factors=factors,
        freedom=degrees_of_freedom(system, redundancy),
        normal=fit.normal,
        factor=fit.factor,
        free=fit.free,
        datum=datum,
        reliability=fit.reliability,
    )
    adjusted.statistics = _statistics(system, fit, rows, factors, steps)
    adjusted.observations = observation_results(
        system, fit.residuals, rows, factors, fit.reliability
    )
    return adjusted


def _main_datum(system: System, fit: Fit, rows: np.ndarray) -> Datum:
    """Datum of the largest connected part."""
    parts = connected_parts(system, rows)
    inside = np.zeros(system.unknowns.size, dtype=bool)
    for key in parts[0] if parts else []:
        inside[system.unknowns.columns(key)] = True
    if not parts:
        return Datum(np.zeros((system.unknowns.size, 0)), False, False)
    return find_datum(fit.normal, fit.values, inside)


def _statistics(
    system: System, fit: Fit, rows: np.ndarray, factors: Array, steps: int
) -> Statistics:
    """Global test of the readings in use against their stated sds (A10)."""
    count = int(np.count_nonzero(rows))
    unknowns = system.unknowns.size - fit.free.basis.shape[1]
    freedom = count - unknowns
    squares = float(np.sum((fit.residuals[rows] / system.sd[rows]) ** 2))
    lower, upper = 0.0, np.inf
    if freedom > 0:
        lower, upper = (float(scipy.stats.chi2.ppf(p, freedom) / freedom) for p in (0.025, 0.975))
    return Statistics(
        rows=count,
        unknowns=unknowns,
        degrees_of_freedom=freedom,
        variance_factor=squares / freedom if freedom > 0 else 1.0,
        lower=lower,
        upper=upper,
        kinds=tuple((kind, float(f)) for kind, f in zip(system.kinds, factors, strict=True)),
        iterations=steps,
    )
