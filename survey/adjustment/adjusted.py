"""The adjusted network: state, covariance, and what may be asked of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from survey.adjustment.components import coverage_factors
from survey.adjustment.derivation import Function, Linearised, differentiate
from survey.adjustment.equations import System, compile_network
from survey.adjustment.fit import Fit
from survey.adjustment.model import POINT, Array, Key, Network, State
from survey.adjustment.rank import Datum, is_estimable
from survey.adjustment.reliability import DETECTABLE
from survey.adjustment.robust import bounded_chi_square
from survey.adjustment.solution import Defect, ObservationResult, Statistics
from survey.figures import NORMAL_95
from survey.findings import Finding

LEADING = 12  # readings named at most as what a figure stands on
LEADING_SHARE = 0.05  # a reading counts if the variance would grow by this share without it
# A figure hangs on a reading if an error that the reading's own test would just miss moves the
# figure by three of its half-widths (Baarda's external reliability): (3 * 1.96 / 4.13)^2.
HANGS = (3.0 * NORMAL_95 / DETECTABLE) ** 2


@dataclass(frozen=True, slots=True)
class Derived:
    """A vector function of the unknowns, with everything known of it.

    Attributes
    ----------
    value : (f,) array
    covariance : (f, f) array
        Infinite on the diagonal, 0 beside it, where a component is not estimable.
    estimable : (f,) array of bool
    coverage_factor : (f,) array
        ``half_width = coverage_factor * sd`` covers 95 %.
    observed_by : tuple of str
        Ids of the observations it leans on most, the weightiest first.
    unchecked : tuple of str
        Ids of single readings and marks in which an error that no test finds could move it by
        three half-widths.
    """

    value: Array
    covariance: Array
    estimable: np.ndarray
    coverage_factor: Array
    observed_by: tuple[str, ...]
    unchecked: tuple[str, ...]

    @property
    def sd(self) -> Array:
        """Standard deviations, (f,); inf where not estimable."""
        sd: Array = np.sqrt(np.diag(self.covariance))
        return sd


def chi_square(network: Network, state: State) -> float:
    """Bounded weighted squares of a network at any state that holds its unknowns."""
    system, full = compile_network(network, state)
    return bounded_chi_square(system, system.residuals(system.unknowns.pack(full)))


class AdjustedNetwork:
    """What an adjustment found; fulfils `survey.adjustment.solution.Solution`.

    Tangent parameters are those of `survey.adjustment.unknowns.move_parameter`.
    """

    def __init__(
        self,
        *,
        network: Network,
        system: System,
        fit: Fit,
        state: State,
        freedom: Array,
        datum: Datum,
        observations: tuple[ObservationResult, ...],
        statistics: Statistics,
        defects: tuple[Defect, ...],
        findings: tuple[Finding, ...],
        start: State,
        finished: bool = True,
    ) -> None:
        self.network, self.system, self.fit = network, system, fit
        self.state: State = state
        self.freedom, self.datum = freedom, datum
        self.normal, self.factor, self.free = fit.normal, fit.factor, fit.free
        self.used: np.ndarray = fit.choice.used[system.group]
        self.observations: tuple[ObservationResult, ...] = observations
        self.statistics: Statistics = statistics
        self.defects: tuple[Defect, ...] = defects
        self.findings: tuple[Finding, ...] = findings
        self.start: State = start
        self.finished = finished  # False: given up while readings still failed their tests
        self.gravity_observed: bool = datum.gravity
        self.scale_observed: bool = datum.scale

    @property
    def chi_square(self) -> float:
        """Weighted squares with every reading's share bounded: see `bounded_chi_square`."""
        return bounded_chi_square(self.system, self.fit.residuals)

    def covariance(self, keys: Sequence[Key]) -> Array:
        """Joint covariance of the tangent parameters of `keys`, stacked in that order.

        What only the datum leaves free (shifts, azimuth, ...) is referred to the mean of all
        points (inner constraints, A7); what a defect leaves free has an infinite variance.
        """
        unknowns = self.system.unknowns
        columns = np.concatenate([unknowns.columns(key) for key in keys])
        rows = np.zeros((len(columns), unknowns.size))
        rows[np.arange(len(columns)), columns] = 1.0
        rows -= self._along_datum(rows)
        estimable = is_estimable(rows * self.normal.scale, self.free)
        return self._spread(rows, estimable)[0]

    def propagate(self, function: Function, keys: Sequence[Key]) -> tuple[Array, Array]:
        """Value and covariance of a vector function of the unknowns `keys` (first order).

        A component that the observations do not fix gets an infinite variance.
        """
        line = self._linearise(function, keys)
        covariance, _ = self._spread(line.derivatives, self._estimable(line))
        return line.value, covariance

    def is_estimable(self, function: Function, keys: Sequence[Key]) -> bool:
        """Whether the observations fix this function, whatever the datum."""
        if any(key not in self.state for key in keys):
            return False
        return bool(np.all(self._estimable(self._linearise(function, keys))))

    def observed_by(self, function: Function, keys: Sequence[Key]) -> tuple[str, ...]:
        """Ids of the observations that carry most of the weight in this function."""
        return self.derive(function, keys).observed_by

    def derive(self, function: Function, keys: Sequence[Key]) -> Derived:
        """Everything known of a function at the price of one: see `Derived`."""
        line = self._linearise(function, keys)
        estimable = self._estimable(line)
        covariance, seen = self._spread(line.derivatives, estimable)
        shares = np.zeros((len(line.value), len(self.system.kinds)))
        for i, row in enumerate(seen.T):
            shares[i] = np.bincount(self.system.kind, row**2, minlength=shares.shape[1])
        factor = coverage_factors(shares, self.freedom)
        leading, unchecked = self._leading(seen, estimable)
        return Derived(line.value, covariance, estimable, factor, leading, unchecked)

    def hanging(self, function: Function, keys: Sequence[Key]) -> tuple[tuple[str, ...], ...]:
        """Ids of the unchecked readings on which each component of a function hangs."""
        line = self._linearise(function, keys)
        estimable = self._estimable(line)
        _, seen = self._spread(line.derivatives, estimable)
        return tuple(
            self._leading(seen[:, i : i + 1], estimable[i : i + 1])[1]
            for i in range(len(estimable))
        )

    def _linearise(self, function: Function, keys: Sequence[Key]) -> Linearised:
        return differentiate(function, keys, self.state, self.system.unknowns)

    def _estimable(self, line: Linearised) -> np.ndarray:
        fixed = is_estimable(line.derivatives * self.normal.scale, self.free)
        estimable: np.ndarray = fixed & ~line.loose
        return estimable

    def _spread(self, derivatives: Array, estimable: np.ndarray) -> tuple[Array, Array]:
        """Covariance of linear functions, and how they move with each whitened row (rows, f)."""
        right = np.where(estimable[:, None], derivatives * self.normal.scale, 0.0).T
        solved = self.factor.solve(right)
        covariance = right.T @ solved
        covariance = 0.5 * (covariance + covariance.T)
        covariance[~estimable, ~estimable] = np.inf
        return covariance, self.normal.times(solved)

    def _along_datum(self, rows: Array) -> Array:
        """Give the part of linear functions that inner constraints over the points take out."""
        directions = self.datum.directions * self.normal.scale[:, None]
        if directions.shape[1] == 0:
            return np.zeros_like(rows)
        columns = self.system.unknowns.kind_columns[POINT].ravel()
        columns = columns[columns >= 0]
        if len(columns) == 0 or np.linalg.matrix_rank(directions[columns]) < directions.shape[1]:
            columns = np.arange(len(directions))
        inner = np.zeros((directions.shape[1], len(directions)))
        inner[:, columns] = np.linalg.pinv(directions[columns])
        along: Array = (rows @ directions) @ inner
        return along

    def _leading(
        self, seen: Array, estimable: np.ndarray
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Observations by how much the variance would grow without them, and the unchecked ones."""
        if not np.any(estimable):
            return (), ()
        moved = seen[:, estimable] ** 2
        moved = moved / np.maximum(moved.sum(axis=0), 1e-300)
        alone = np.maximum(self.fit.reliability.redundancy, 1e-9)
        growth = np.where(self.used[:, None], moved / alone[:, None], 0.0)
        count = len(self.system.observations)
        loss = np.zeros(count)
        for component in growth.T:
            loss = np.maximum(loss, np.bincount(self.system.observation, component, count))
        order = np.argsort(-loss, kind="stable")
        chosen = [int(i) for i in order[:LEADING] if loss[i] >= LEADING_SHARE]
        if not chosen:
            chosen = [int(i) for i in order[:3] if loss[i] > 0]
        rows = np.bincount(self.system.observation, minlength=count)
        unchecked = [int(i) for i in order if loss[i] > HANGS and rows[i] <= 2]
        ids = [observation.id for observation in self.system.observations]
        return tuple(ids[i] for i in chosen), tuple(ids[i] for i in unchecked)
