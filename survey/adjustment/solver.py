"""One adjustment from start to finish: robust pass, least squares, data snooping, covariance."""

from __future__ import annotations

from functools import partial

import numpy as np
import scipy.stats

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.components import degrees_of_freedom, kind_sums
from survey.adjustment.defects import find_defects
from survey.adjustment.equations import System, compile_network
from survey.adjustment.fit import Fit
from survey.adjustment.gross import gross_error_findings, slip_judge, undecided_findings
from survey.adjustment.model import PRINT_SCALE, TARGET, Network, State
from survey.adjustment.partition import choose_partition
from survey.adjustment.rank import Datum, connected_parts, find_datum
from survey.adjustment.results import observation_results
from survey.adjustment.robust import first_factors, robust_pass
from survey.adjustment.snooping import MOST_ROUNDS, Search, search
from survey.adjustment.solution import Statistics
from survey.findings import Finding, Severity


def solve(
    network: Network,
    start: State,
    *,
    robust: bool = True,
    variance_components: bool = True,
    most_aside: int = MOST_ROUNDS,
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
    most_aside : int
        Readings set aside one by one before the search for gross errors is given up: the solution
        is then not `finished`, and its state only near the least squares.

    Returns
    -------
    AdjustedNetwork
    """
    system, state = compile_network(network, start)
    values = system.unknowns.pack(state)
    used = np.ones(system.groups, dtype=bool)
    factors, steps = np.ones(len(system.kinds)), 0
    if robust:
        _, derivatives = system.linearise(values)
        partition = choose_partition(system, derivatives, 1.0 / system.sd**2)
        values, used, steps = robust_pass(system, values, partition)
        if variance_components and system.rows:
            factors = first_factors(system, values)
    found = search(
        system,
        values,
        used,
        factors=factors,
        snoop=robust,
        components=variance_components,
        judge=partial(slip_judge, units=network.units),
        most_aside=most_aside,
    )
    found.steps += steps
    return _gather(network, system, state, found)


def _gather(network: Network, system: System, start: State, found: Search) -> AdjustedNetwork:
    """Make the adjusted network of the last fit."""
    fit = found.fit
    rows = fit.choice.used[system.group]
    datum = _main_datum(system, fit, rows)
    _, redundancy = kind_sums(system, fit.residuals, rows, fit.reliability)
    state = {**start, **system.unknowns.unpack(fit.values)}
    statistics = _statistics(system, fit, rows, found.steps)
    findings = [
        *gross_error_findings(network, system, fit, state),
        *undecided_findings(network, system, fit, found.undecided),
        *_misfit(statistics),
    ]
    return AdjustedNetwork(
        network=network,
        system=system,
        fit=fit,
        state=state,
        freedom=degrees_of_freedom(system, redundancy),
        datum=datum,
        observations=observation_results(system, fit),
        statistics=statistics,
        defects=find_defects(system, fit, datum),
        findings=tuple(findings),
        start=start,
        finished=found.finished,
    )


def _main_datum(system: System, fit: Fit, rows: np.ndarray) -> Datum:
    """Datum of the largest connected part."""
    parts = connected_parts(system, rows)
    inside = np.zeros(system.unknowns.size, dtype=bool)
    for key in parts[0] if parts else []:
        inside[system.unknowns.columns(key)] = True
        scale = (PRINT_SCALE, key[1])
        if key[0] == TARGET and scale in system.unknowns.first_column:
            inside[system.unknowns.columns(scale)] = True
    if not parts:
        return Datum(np.zeros((system.unknowns.size, 0)), False, False)
    return find_datum(fit.normal, fit.values, inside)


def _statistics(system: System, fit: Fit, rows: np.ndarray, steps: int) -> Statistics:
    """Global test of the readings in use against their stated sds (A10)."""
    rows = rows & (fit.choice.widening[system.group] == 1.0)  # contradictions are named apart
    count = int(np.count_nonzero(rows))
    unknowns = system.unknowns.size - fit.free.basis.shape[1]
    freedom = count - unknowns
    squares = float(np.sum((fit.residuals[rows] / system.sd[rows]) ** 2))
    lower, upper = 0.0, np.inf
    if freedom > 0:
        lower, upper = (float(scipy.stats.chi2.ppf(p, freedom) / freedom) for p in (0.025, 0.975))
    factors = zip(system.kinds, fit.choice.factors, strict=True)
    return Statistics(
        rows=count,
        unknowns=unknowns,
        degrees_of_freedom=freedom,
        variance_factor=squares / freedom if freedom > 0 else 1.0,
        lower=lower,
        upper=upper,
        kinds=tuple((kind, float(factor)) for kind, factor in factors),
        iterations=steps,
    )


def _misfit(statistics: Statistics) -> list[Finding]:
    """Say when the readings scatter more than their stated sds allow."""
    if statistics.variance_factor <= statistics.upper:
        return []
    ratio = float(np.sqrt(statistics.variance_factor))
    wide = [kind for kind, factor in statistics.kinds if factor > 1.5]
    which = f" (most: {', '.join(wide)})" if wide else ""
    return [
        Finding(
            "adjustment-does-not-fit",
            Severity.CHECK,
            "adjustment",
            f"the readings scatter {ratio:.1f} times what their standard deviations allow{which}; "
            "intervals were widened where there was enough to judge by",
            "look at the observations with the largest standardised residuals",
        )
    ]
