"""What is reported of each observation after the adjustment."""

from __future__ import annotations

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.fit import Fit, predict_rows
from survey.adjustment.model import Array, Observation
from survey.adjustment.solution import ObservationResult

UNITS = {
    "target corner": "px",
    "point mark": "px",
    "edge mark": "px",
    "plumb or level line": "px",
    "slope reading": "rad",
    "plumb edge": "rad",
    "target mount": "rad",
    "edge angle": "rad",
    "print scale prior": "1",
    "lens prior": "px",
}  # metres for all other kinds
LEAST_REDUNDANCY = 0.01  # under it the others say too little of a reading


def observation_results(system: System, fit: Fit) -> tuple[ObservationResult, ...]:
    """One result an observation, in the order of the system.

    Parameters
    ----------
    system : System
    fit : Fit
    """
    sd = np.sqrt(fit.choice.variances(system))
    residuals, reliability = fit.residuals, fit.reliability
    used = fit.choice.used[system.group]
    standardised = _standardised(system, fit, sd)
    order = np.argsort(system.observation, kind="stable")
    count = np.bincount(system.observation, minlength=len(system.observations))
    starts = np.concatenate([[0], np.cumsum(count)])[:-1]
    kept = np.flatnonzero(count)
    starts = starts[kept]

    def each(function: np.ufunc, values: Array) -> Array:
        return np.asarray(function.reduceat(values[order], starts))

    def rms(values: Array) -> Array:
        return np.asarray(np.sqrt(each(np.add, values**2) / count[kept]))

    first = order[starts]
    single = count[kept] == 1
    largest = np.where(
        each(np.maximum, standardised) >= -each(np.minimum, standardised),
        each(np.maximum, standardised),
        each(np.minimum, standardised),
    )
    columns = zip(
        kept.tolist(),
        system.kind[first].tolist(),
        count[kept].tolist(),
        np.where(single, residuals[first], rms(residuals)).tolist(),
        rms(sd).tolist(),
        largest.tolist(),
        each(np.add, reliability.redundancy).tolist(),
        each(np.minimum, reliability.detectable).tolist(),
        (2 * each(np.add, used.astype(float)) > count[kept]).tolist(),
        reliability.redundancy[first].tolist(),
        strict=True,
    )
    return tuple(
        _result(system.observations[index], system.kinds[kind], *rest)
        for index, kind, *rest in columns
    )


def _result(
    observation: Observation,
    kind: str,
    rows: int,
    residual: float,
    sd: float,
    standardised: float,
    redundancy: float,
    detectable: float,
    used: bool,
    first_redundancy: float,
) -> ObservationResult:
    likely = _likely_value(observation, residual, used, first_redundancy) if rows == 1 else None
    return ObservationResult(
        id=observation.id,
        kind=kind,
        where=observation.where,
        rows=rows,
        unit=UNITS.get(kind, "m"),
        residual=residual,
        sd=sd,
        standardised=standardised,
        redundancy=redundancy,
        detectable=detectable,
        used=used,
        likely_value=likely,
    )


def _standardised(system: System, fit: Fit, sd: Array) -> Array:
    """Residuals over their own sd; for rows set aside, of their difference from the prediction."""
    standardised = fit.reliability.standardised.copy()
    out = np.flatnonzero(~fit.choice.used[system.group])
    if len(out):
        found = predict_rows(system, fit, out)
        spread = np.sqrt(np.diag(found.covariance) + sd[out] ** 2)
        standardised[out] = np.where(found.estimable, found.difference / spread, 0.0)
    return standardised


def _likely_value(
    observation: Observation, residual: float, used: bool, redundancy: float
) -> float | None:
    """Give what the other observations say a single reading should read."""
    value = getattr(observation, "value", None)
    if not isinstance(value, float):
        return None
    if not used:
        return value - residual
    return value - residual / redundancy if redundancy > LEAST_REDUNDANCY else None
