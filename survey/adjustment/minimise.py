"""Finding the state of least weighted squares: damped Gauss-Newton, and its robust first pass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.model import Array
from survey.adjustment.normal import NormalEquations, NotPositive, Partition, choose_partition
from survey.adjustment.unknowns import Values

LEAST_DAMPING = 1e-11  # of the unit diagonal; keeps what nothing fixes where it started
FIRST_DAMPING = 1e-4
MOST_DAMPING = 1e6
DECREMENT = 1e-9  # converged: the step would lower the weighted squares by less than this
MOST_STEPS = 60
CUT_START = 1e4  # a reading this many sds off is as bad as any
CUT_END = 4.0  # Geman-McClure scale of the last robust steps, in sds
CUT_SHRINK = 0.4
ROBUST_TAIL = 4  # steps at the last scale
FEW = 5  # a kind with fewer readings has no robust scale of its own
MEDIAN_OF_NORM = (0.674489750196, 0.832554611158)  # of |N(0,1)| and of the rms of two of them


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
    IMM-REP-1999-05). It stops when a full step would lower the squares by less than 1e-9: all
    unknowns then stand within 3e-5 of their own standard deviation, whatever their units.

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


def reading_norms(system: System, residuals: Array) -> Array:
    """Root mean square of each reading's residuals over their sds, (groups,)."""
    squared = np.add.reduceat((residuals / system.sd) ** 2, system.group_first)
    norms: Array = np.sqrt(squared / system.group_size)
    return norms


def kind_scales(system: System, norms: Array) -> Array:
    """How many times its sd each kind scatters, by the median of its readings; never under 1.

    Parameters
    ----------
    system : System
    norms : (groups,) array
        From `reading_norms`.

    Returns
    -------
    (kinds,) array
        1 for kinds with too few readings for a median to be robust.
    """
    kind = system.kind[system.group_first]
    scales = np.ones(len(system.kinds))
    medians = np.asarray(MEDIAN_OF_NORM)[np.minimum(system.group_size, 2) - 1]
    for i in range(len(system.kinds)):
        mine = kind == i
        if np.count_nonzero(mine) >= FEW:
            scales[i] = max(1.0, float(np.median(norms[mine] / medians[mine])))
    return scales


def robust_pass(system: System, values: Values, partition: Partition) -> tuple[Values, int]:
    """Bring the state near the majority of every kind, whatever a few readings say (A5).

    Geman-McClure weights whose scale shrinks from the worst reading down to four sds (graduated
    non-convexity; Black and Rangarajan, IJCV 19, 57-91, 1996). Residuals count in units of their
    kind's own scatter, so no kind is starved because its sds are too small.

    Returns
    -------
    values : Values
    steps : int
    """
    kind = system.kind[system.group_first]
    base = 1.0 / system.sd**2
    cut, steps, tail = np.inf, 0, 0
    while tail < ROBUST_TAIL:
        norms = reading_norms(system, system.residuals(values))
        relative = norms / kind_scales(system, norms)[kind]
        if not np.isfinite(cut):
            cut = min(max(float(relative.max(initial=0.0)), CUT_END), CUT_START)
        weights = base * (1.0 / (1.0 + (relative / cut) ** 2) ** 2)[system.group]
        found = minimise(system, values, weights, partition=partition, most_steps=2)
        values, steps = found.values, steps + found.steps
        if cut <= CUT_END:
            tail += 1
            if found.steps == 0:
                break
        cut = max(cut * CUT_SHRINK, CUT_END)
    return values, steps


def suspects(system: System, values: Values, limit: float) -> np.ndarray:
    """Tell readings farther off than `limit` times their kind's scatter, (groups,) of bool."""
    norms = reading_norms(system, system.residuals(values))
    kind = system.kind[system.group_first]
    far: np.ndarray = norms / kind_scales(system, norms)[kind] > limit
    return far
