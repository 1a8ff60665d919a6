"""The robust first pass: a state near the majority, whatever a few readings say.

Gross errors make several valleys; each is entered from another side and the deepest one is kept,
measured by squares that no single reading can make large (`bounded_chi_square`).
"""

from __future__ import annotations

import numpy as np

from survey.adjustment.components import KNOWN, prior_worth
from survey.adjustment.equations import System
from survey.adjustment.minimise import minimise
from survey.adjustment.model import Array
from survey.adjustment.partition import Partition
from survey.adjustment.unknowns import Values

HUBER = 2.0  # sds beyond which a reading's pull no longer grows
HUBER_ROUNDS = 8
CUTS = (16.0, 8.0, 4.0, 4.0)  # Geman-McClure scales of the rounds that follow, in sds
WIDE_CUTS = (128.0, 64.0, 32.0)  # and before them, where no round with Huber's weights went ahead
STEPS_A_ROUND = 2
RESTING = 1e-3  # fall of the squares that no longer matters before the exact adjustment
QUIET = 4.5  # scatters of its kind under which no reading needs a robust weight
SUSPECT = 5.0  # scatters of its kind at which a reading starts set aside
MOST_SCALE = 3.0  # what scatters more than this is bent by a gross error, not badly read
FEW = 8  # a kind with fewer readings has no robust scale of its own
MEDIAN_OF_NORM = (0.674489750196, 0.832554611158)  # of |N(0,1)| and of the rms of two of them
# Squares at which a reading counts as gross: chi-square quantiles at 1 - 1e-5, of 1 and 2 rows.
GROSS_SQUARE = (19.51, 23.03)
BOOKED = ("tape length", "rod reading", "slope reading", "elevation")  # read and written by hand


def bounded_chi_square(system: System, residuals: Array) -> float:
    """Sum of squared residuals over their stated sds, each reading's share bounded.

    A gross error then costs the same in every state, used or set aside, so that states found from
    different starting values can be compared: a gap of 9 decides.

    Parameters
    ----------
    system : System
    residuals : (rows,) array
    """
    if system.rows == 0:
        return 0.0
    squares = np.add.reduceat((residuals / system.sd) ** 2, system.group_first)
    bound = np.where(system.group_size == 1, *GROSS_SQUARE)
    return float(np.sum(np.minimum(squares, bound)))


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
            scatter = float(np.median(norms[mine] / medians[mine]))
            scales[i] = min(max(1.0, scatter), MOST_SCALE)
    return scales


def robust_pass(
    system: System, start: Values, partition: Partition
) -> tuple[Values, np.ndarray, int]:
    """Bring the state near the majority of every kind (A5).

    First Huber's weights, whose squares beyond two sds grow only linearly: that problem is convex
    but for the geometry, so one reading a foot off rarely drags the state along. Then Geman-McClure
    weights with a shrinking scale (graduated non-convexity; Black and Rangarajan, IJCV 19, 57-91,
    1996) take the far readings' pull away altogether. If any reading ends far off, the valley is
    entered from three more sides: straight from the start; with each sighting of a target weighing
    as one reading and the lenses held to what is known of them (a moved target must not outvote all
    marks, nor bend a lens); and from photos and conditions alone.

    Returns
    -------
    values : Values
    used : (groups,) array of bool
        False for readings so far off that they start set aside.
    steps : int
    """
    everything = np.ones(system.rows, dtype=bool)
    values, steps = _descend(system, start, partition, everything, (np.nan,) * HUBER_ROUNDS + CUTS)
    far = suspects(system, values)
    if not np.any(far):
        return values, ~far, steps
    booked = np.isin(system.kind, [i for i, k in enumerate(system.kinds) if k in BOOKED])
    ends = [values]
    found, more = _descend(system, start, partition, everything, WIDE_CUTS + CUTS)
    ends.append(found)
    steps += more
    alike = np.bincount(system.observation)[system.observation]  # a sighting weighs as one reading
    stated = np.isin(system.kind, [i for i, k in enumerate(system.kinds) if k in KNOWN])
    huber = (np.nan,) * HUBER_ROUNDS
    found, more = _descend(system, start, partition, everything / alike, huber + CUTS, stated)
    ends.append(found)
    steps += more
    if np.any(booked) and not np.all(booked):
        found, more = _descend(system, start, partition, ~booked, (np.nan,) * HUBER_ROUNDS + CUTS)
        steps += more
        found, more = _descend(system, found, partition, everything, WIDE_CUTS + CUTS)
        ends.append(found)
        steps += more
    squares = [bounded_chi_square(system, system.residuals(end)) for end in ends]
    values = ends[int(np.argmin(squares))]
    return values, ~suspects(system, values), steps


def _descend(
    system: System,
    values: Values,
    partition: Partition,
    shares: np.ndarray,
    stages: tuple[float, ...],
    firm: np.ndarray | None = None,
) -> tuple[Values, int]:
    """Re-weight and step through stages: a Geman-McClure scale each, nan for Huber's weights.

    `shares` (rows,) multiplies the weights; rows that are `firm` are never trusted less.
    """
    kind = system.kind[system.group_first]
    base = shares / system.sd**2
    steps, resting = 0, False
    for cut in stages:
        if resting and np.isnan(cut):
            continue
        norms = reading_norms(system, system.residuals(values))
        relative = norms / kind_scales(system, norms)[kind]
        if steps and np.max(relative) < QUIET:
            break
        if np.isnan(cut):
            trust = np.minimum(1.0, HUBER / np.maximum(relative, 1e-300))
        else:
            trust = 1.0 / (1.0 + (relative / cut) ** 2) ** 2
        weights = base * trust[system.group]
        if firm is not None:
            weights = np.where(firm, 1.0 / system.sd**2, weights)
        found = minimise(
            system,
            values,
            weights,
            partition=partition,
            most_steps=STEPS_A_ROUND,
            decrement=RESTING,
        )
        resting = found.steps == 0
        values, steps = found.values, steps + found.steps
    return values, steps


def first_factors(system: System, values: Values) -> Array:
    """Variance factor of each kind to test with first, from the median scatter, (kinds,).

    Without it the marks of a rough hand would be taken for gross errors one by one before their
    variance is ever estimated.
    """
    norms = reading_norms(system, system.residuals(values))
    scales = kind_scales(system, norms)
    count = np.bincount(system.kind[system.group_first], minlength=len(system.kinds)) / 2.0
    worth = np.minimum(prior_worth(system), 1e12)
    return np.asarray((worth + count * scales**2) / (worth + count), dtype=float)


def suspects(system: System, values: Values) -> np.ndarray:
    """Tell readings farther off than `SUSPECT` times their kind's scatter, (groups,) of bool."""
    norms = reading_norms(system, system.residuals(values))
    kind = system.kind[system.group_first]
    far: np.ndarray = norms / kind_scales(system, norms)[kind] > SUSPECT
    return far
