"""What is reported of each observation after the adjustment."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.fit import Fit, predict_rows
from survey.adjustment.model import Array
from survey.adjustment.reliability import CHECKED, Reliability
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
    ends = np.cumsum(np.bincount(system.observation, minlength=len(system.observations)))
    results = []
    first = 0
    for observation, last in zip(system.observations, ends, strict=True):
        rows = order[first:last]
        first = last
        if len(rows) == 0:
            continue
        single = len(rows) == 1
        row = rows[0]
        kind = system.kinds[system.kind[row]]
        worst = rows[np.argmax(np.abs(standardised[rows]))]
        results.append(
            ObservationResult(
                id=observation.id,
                kind=kind,
                where=observation.where,
                rows=len(rows),
                unit=UNITS.get(kind, "m"),
                residual=float(residuals[row]) if single else _rms(residuals[rows]),
                sd=float(sd[row]) if single else _rms(sd[rows]),
                standardised=float(standardised[worst]),
                redundancy=float(np.sum(reliability.redundancy[rows])),
                detectable=float(np.min(reliability.detectable[rows])),
                used=bool(np.count_nonzero(used[rows]) * 2 > len(rows)),
                likely_value=_likely_value(observation, residuals[row], used[row], reliability, row)
                if single
                else None,
            )
        )
    return tuple(results)


def _standardised(system: System, fit: Fit, sd: Array) -> Array:
    """Residuals over their own sd; for rows set aside, of their difference from the prediction."""
    standardised = fit.reliability.standardised.copy()
    out = np.flatnonzero(~fit.choice.used[system.group])
    if len(out):
        found = predict_rows(system, fit, out)
        spread = np.sqrt(np.diag(found.covariance) + sd[out] ** 2)
        standardised[out] = np.where(found.estimable, found.difference / spread, 0.0)
    return standardised


def _rms(values: Array | Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _likely_value(
    observation: object, residual: float, used: bool, reliability: Reliability, row: int
) -> float | None:
    """Give what the other observations say a single reading should read."""
    value = getattr(observation, "value", None)
    if not isinstance(value, float):
        return None
    if not used:
        return float(value - residual)
    redundancy = float(reliability.redundancy[row])
    return float(value - residual / redundancy) if redundancy > 100 * CHECKED else None
