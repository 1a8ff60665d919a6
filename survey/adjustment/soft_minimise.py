"""Finding the state of least cost where the pull of far readings levels off.

The cost is the square of a residual near zero and grows only linearly from a few scatters on
(pseudo-Huber), so that one gross reading hardly leads. Weights follow the state at every step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.minimise import (
    FIRST_DAMPING,
    MOST_DAMPING,
    STRAIGHT,
    WORTH_BENDING,
    bend_step,
    quietly,
    relax_damping,
)
from survey.adjustment.model import Array
from survey.adjustment.normal import NormalEquations, NotPositive
from survey.adjustment.partition import choose_partition
from survey.adjustment.unknowns import Values

BEND = 2.0  # scatters at which the pull starts to level off
MOST_STEPS = 60  # trial steps
SETTLED = 1e-3  # fall of the cost, in squares of the scatter, that no longer matters


@dataclass(frozen=True, slots=True)
class SoftMinimum:
    """Where a descent ended, after how many trial steps."""

    values: Values
    steps: int
    settled: bool


class SoftCost:
    """Cost of residuals and their weights, for one scatter.

    Parameters
    ----------
    system : System
    firm : (rows,) array of bool
        Rows whose cost is always the square.
    """

    def __init__(self, system: System, firm: np.ndarray) -> None:
        self.system, self.size = system, system.group_size
        self.firm = firm[system.group_first]
        self.base: Array = 1.0 / system.sd**2
        self.reach = np.inf

    def squares(self, residuals: Array) -> Array:
        """Mean square of each reading's residuals over their stated sds, (groups,)."""
        summed = np.add.reduceat(residuals**2 * self.base, self.system.group_first)
        return np.asarray(summed / self.size, dtype=float)

    def narrow(self, squares: Array) -> None:
        """Let the pull level off at the median scatter, which never grows again."""
        scatter = max(1.0, float(np.sqrt(np.median(squares))))
        self.reach = min(self.reach, BEND * scatter)

    def total(self, squares: Array) -> float:
        """Sum over all readings."""
        soft = 2.0 * self.reach**2 * (np.sqrt(1.0 + squares / self.reach**2) - 1.0)
        return float(np.sum(self.size * np.where(self.firm, squares, soft)))

    def weights(self, squares: Array) -> Array:
        """Weight of each row, (rows,)."""
        pull = np.where(self.firm, 1.0, 1.0 / np.sqrt(1.0 + squares / self.reach**2))
        weights: Array = self.base * pull[self.system.group]
        return weights


@quietly
def minimise_softly(
    system: System, values: Values, firm: np.ndarray, *, most_steps: int = MOST_STEPS
) -> SoftMinimum:
    """Least cost from a starting state that may be far off (A14).

    Parameters
    ----------
    system : System
        With at least one row.
    values : Values
    firm : (rows,) array of bool
        Rows that keep their full weight (what is stated of lenses and prints).
    most_steps : int
        Trial steps, refused ones included.
    """
    cost = SoftCost(system, firm)
    residuals, derivatives = system.linearise(values)
    partition = choose_partition(system, derivatives, cost.base)
    damping, growth, straight, trials = FIRST_DAMPING, 2.0, True, 0
    while trials < most_steps:
        squares = cost.squares(residuals)
        cost.narrow(squares)
        before = cost.total(squares)
        normal = NormalEquations(system, partition, derivatives, cost.weights(squares))
        gradient = normal.gradient(residuals)
        while True:
            trials += 1
            try:
                factor = normal.factor(damping)
            except NotPositive:
                factor = None
            if factor is not None:
                step = factor.solve(gradient)
                predicted = float(step @ gradient + damping * step @ step)
                if predicted < SETTLED * (cost.reach / BEND) ** 2:
                    return SoftMinimum(values, trials, True)
                if not straight and predicted > WORTH_BENDING:
                    step = bend_step(normal, factor, values, residuals, step)
                moved = system.unknowns.move(values, normal.scale * step)
                found = system.linearise(moved)
                gain = (before - cost.total(cost.squares(found[0]))) / predicted
                if np.isfinite(gain) and gain > 1e-4:
                    damping, growth = relax_damping(damping, gain), 2.0
                    straight = gain > STRAIGHT
                    break
            damping, growth, straight = damping * growth, growth * 2.0, False
            if damping > MOST_DAMPING or trials >= most_steps:
                return SoftMinimum(values, trials, False)
        values, (residuals, derivatives) = moved, found
    return SoftMinimum(values, trials, False)
