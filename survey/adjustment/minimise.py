"""Finding the state of least weighted squares: damped Gauss-Newton steps.

Far from the solution the squares have long curved valleys (a lens against a distance, a photo about
a weak axis), along which straight steps must stay short. A long step is therefore bent by the
second derivative of the residuals along it (geodesic acceleration: Transtrum and Sethna,
Improvements to the Levenberg-Marquardt algorithm for nonlinear least-squares minimization,
arXiv:1201.5885, 2012).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.model import Array
from survey.adjustment.normal import Factor, NormalEquations, NotPositive
from survey.adjustment.partition import Partition, choose_partition
from survey.adjustment.unknowns import Values

LEAST_DAMPING = 1e-11  # of the unit diagonal; keeps what nothing fixes where it started
FIRST_DAMPING = 1e-6
MOST_DAMPING = 1e6
DECREMENT = 1e-12  # converged: the step would lower the weighted squares by less than this
MOST_STEPS = 60
STRAIGHT = 0.75  # share of its promise from which on the next step is not bent
WORTH_BENDING = 1.0  # fall of the squares from which a step is worth bending
MOST_BEND = 0.75  # of a step's length; Transtrum and Sethna
PROBE = 0.1  # share of a step at which the residuals are looked at for its bend


@dataclass(frozen=True, slots=True)
class Minimum:
    """Where a minimisation ended. `squares` is the weighted sum of squared residuals."""

    values: Values
    squares: float
    steps: int
    converged: bool
    damping: float  # of the last step


# A trial step may run off; its squares are then not finite, and the step is refused.
quietly = np.errstate(over="ignore", invalid="ignore", divide="ignore")


@quietly
def minimise(
    system: System,
    values: Values,
    weights: Array,
    *,
    partition: Partition | None = None,
    most_steps: int = MOST_STEPS,
    decrement: float = DECREMENT,
    damping: float = FIRST_DAMPING,
) -> Minimum:
    """Least weighted squares from a starting state (A4).

    Damped Gauss-Newton steps on the scaled normal equations: the damping falls when the squares
    fall as predicted and grows when they do not (Nielsen, Damping parameter in Marquardt's method,
    IMM-REP-1999-05). It stops when a full step would lower the squares by less than `decrement`:
    all unknowns then stand within its square root of their own standard deviation (1e-6 unless
    told otherwise), whatever their units.

    Parameters
    ----------
    system : System
    values : Values
    weights : (rows,) array
        One over variance; 0 sets a row aside.
    partition : Partition, optional
        To save choosing one.
    most_steps : int
    decrement : float
    damping : float
        Of the first step, of the unit diagonal.
    """
    growth, straight = 2.0, True
    residuals, derivatives = system.linearise(values)
    if partition is None:
        partition = choose_partition(system, derivatives, weights)
    squares = float(weights @ residuals**2)
    for step in range(most_steps):
        normal = NormalEquations(system, partition, derivatives, weights)
        gradient = normal.gradient(residuals)
        while True:
            try:
                factor = normal.factor(damping)
            except NotPositive:
                damping *= 10.0
                if damping > MOST_DAMPING:
                    return Minimum(values, squares, step, False, damping)
                continue
            move = factor.solve(gradient)
            predicted = float(move @ gradient + damping * move @ move)
            if predicted < decrement:
                return Minimum(values, squares, step, damping < 1e-2, damping)
            if not straight and predicted > WORTH_BENDING:
                move = bend_step(normal, factor, values, residuals, move)
            moved = system.unknowns.move(values, normal.scale * move)
            found = system.linearise(moved)
            new_squares = float(weights @ found[0] ** 2)
            gain = (squares - new_squares) / predicted
            if np.isfinite(new_squares) and gain > 1e-4:
                damping, growth = relax_damping(damping, gain), 2.0
                straight = gain > STRAIGHT
                break
            if predicted < 1e-6 and abs(squares - new_squares) < 1e-9 * (1.0 + squares):
                return Minimum(values, squares, step, True, damping)  # at rounding
            damping, growth, straight = damping * growth, growth * 2.0, False
            if damping > MOST_DAMPING:
                return Minimum(values, squares, step, False, damping)
        values, squares = moved, new_squares
        residuals, derivatives = found
    return Minimum(values, squares, most_steps, False, damping)


def relax_damping(damping: float, gain: float) -> float:
    """Damping after a step that won `gain` times what was predicted."""
    return max(damping * max(1 / 30.0, 1.0 - (2.0 * min(gain, 1.0) - 1.0) ** 3), LEAST_DAMPING)


def bend_step(
    normal: NormalEquations,
    factor: Factor,
    values: Values,
    residuals: Array,
    step: Array,
) -> Array:
    """Bend a step by half the acceleration that keeps the residuals on their straight course.

    Parameters
    ----------
    normal, factor
        Of the step.
    values : Values
        Where it starts.
    residuals : (rows,) array
        There.
    step : (size,) array
        In scaled columns.

    Returns
    -------
    (size,) array
        The step as it is where the bend is too long to be believed.
    """
    system = normal.system
    ahead = system.unknowns.move(values, PROBE * normal.scale * step)
    change = (system.residuals(ahead) - residuals) / PROBE
    straight = normal.times(step[:, None])[:, 0] / np.where(normal.root > 0, normal.root, 1.0)
    bend = factor.solve(normal.gradient((2.0 / PROBE) * (change + straight)))
    if not 2.0 * np.linalg.norm(bend) <= MOST_BEND * np.linalg.norm(step):
        return step
    bent: Array = step + 0.5 * bend
    return bent
