"""Finding the state of least weighted squares: damped Gauss-Newton steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.model import Array
from survey.adjustment.normal import NormalEquations, NotPositive, Partition, choose_partition
from survey.adjustment.unknowns import Values

LEAST_DAMPING = 1e-11  # of the unit diagonal; keeps what nothing fixes where it started
FIRST_DAMPING = 1e-6
MOST_DAMPING = 1e6
DECREMENT = 1e-12  # converged: the step would lower the weighted squares by less than this
MOST_STEPS = 60


@dataclass(frozen=True, slots=True)
class Minimum:
    """Where a minimisation ended. `squares` is the weighted sum of squared residuals."""

    values: Values
    squares: float
    steps: int
    converged: bool


def minimise(
    system: System,
    values: Values,
    weights: Array,
    *,
    partition: Partition | None = None,
    most_steps: int = MOST_STEPS,
) -> Minimum:
    """Least weighted squares from a starting state (A4).

    Damped Gauss-Newton steps on the scaled normal equations: the damping falls when the squares
    fall as predicted and grows when they do not (Nielsen, Damping parameter in Marquardt's method,
    IMM-REP-1999-05). It stops when a full step would lower the squares by less than 1e-12:
    all unknowns then stand within 1e-6 of their own standard deviation, whatever their units.

    Parameters
    ----------
    system : System
    values : Values
    weights : (rows,) array
        One over variance; 0 sets a row aside.
    partition : Partition, optional
        To save choosing one.
    most_steps : int
    """
    damping, growth = FIRST_DAMPING, 2.0
    residuals, derivatives = system.linearise(values)
    if partition is None:
        partition = choose_partition(system, derivatives, weights)
    squares = float(weights @ residuals**2)
    for step in range(most_steps):
        normal = NormalEquations(system, partition, derivatives, weights)
        gradient = normal.gradient(residuals)
        while True:
            try:
                move = normal.factor(damping).solve(gradient)
            except NotPositive:
                damping *= 10.0
                if damping > MOST_DAMPING:
                    return Minimum(values, squares, step, False)
                continue
            predicted = float(move @ gradient + damping * move @ move)
            if predicted < DECREMENT:
                return Minimum(values, squares, step, damping < 1e-2)
            moved = system.unknowns.move(values, normal.scale * move)
            found = system.residuals(moved)
            new_squares = float(weights @ found**2)
            gain = (squares - new_squares) / predicted
            if np.isfinite(new_squares) and gain > 1e-4:
                damping *= max(1 / 30.0, 1.0 - (2.0 * gain - 1.0) ** 3)
                damping, growth = max(damping, LEAST_DAMPING), 2.0
                break
            if predicted < 1e-6 and abs(squares - new_squares) < 1e-9 * (1.0 + squares):
                return Minimum(values, squares, step, True)  # at rounding
            damping, growth = damping * growth, growth * 2.0
            if damping > MOST_DAMPING:
                return Minimum(values, squares, step, False)
        values, squares = moved, new_squares
        residuals, derivatives = system.linearise(values)
    return Minimum(values, squares, most_steps, False)
