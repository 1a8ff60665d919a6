"""What is reported of each observation after the adjustment."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from survey.adjustment.equations import System
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


def observation_results(
    system: System,
    residuals: Array,
    used: np.ndarray,
    factors: Array,
    reliability: Reliability,
) -> tuple[ObservationResult, ...]:
    """One result an observation, in the order of the system.

    Parameters
    ----------
    system : System
    residuals : (rows,) array
    used : (rows,) array of bool
    factors : (kinds,) array
    reliability : Reliability
    """
    sd = system.sd * np.sqrt(factors[system.kind])
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
        worst = rows[np.argmax(np.abs(reliability.standardised[rows]))]
        results.append(
            ObservationResult(
                id=observation.id,
                kind=kind,
                where=observation.where,
                rows=len(rows),
                unit=UNITS.get(kind, "m"),
                residual=float(residuals[row]) if single else _rms(residuals[rows]),
                sd=float(sd[row]) if single else _rms(sd[rows]),
                standardised=float(reliability.standardised[worst]),
                redundancy=float(np.sum(reliability.redundancy[rows])),
                detectable=float(np.min(reliability.detectable[rows])),
                used=bool(np.count_nonzero(used[rows]) * 2 > len(rows)),
                likely_value=_likely_value(observation, residuals[row], used[row], reliability, row)
                if single
                else None,
            )
        )
    return tuple(results)


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
