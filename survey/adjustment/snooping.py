"""Setting gross errors aside, one at a time, and saying so when nothing tells which it is.

After the robust pass the far readings start set aside; what fits the rest comes back, what does not
fit goes, each by its exact test. Two readings that would each explain the misfit alone are both
kept and widened until they agree: the report names both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.components import STEADY, estimate_factors
from survey.adjustment.equations import System
from survey.adjustment.equations_base import FIELD
from survey.adjustment.fit import (
    Choice,
    Fit,
    as_if_used,
    factorise,
    fit_readings,
    predicted_log_p,
)
from survey.adjustment.model import Array, TargetCorners
from survey.adjustment.partition import choose_partition
from survey.adjustment.reliability import critical_log_p
from survey.adjustment.unknowns import Values

MOST_ROUNDS = 60  # of fits; a visit with more gross errors than this is not worth adjusting
FEW_CORNERS = 4  # of one sighting; when more fail they are set aside together
MOST_DOUBTED = 20  # readings set aside at the start that are compared with their rivals
MOST_SAG = 0.15  # metres by which a deck in service may lie off its plane; judged
CLEAR = 4.5  # log p by which the worst reading must lead its rivals: a chi-square gap of 9

# Judges which of several readings may be a usual slip: their groups, the fit with them in use.
Judge = Callable[[System, Fit, list[int]], list[int]]


@dataclass(slots=True)
class Search:
    """State of the search: the fit, and the sets of readings nothing could decide between.

    `finished` is False where more readings failed than it was told to set aside.
    """

    fit: Fit
    undecided: list[tuple[int, ...]]
    steps: int
    finished: bool = True


def search(
    system: System,
    values: Values,
    used: np.ndarray,
    *,
    factors: Array | None = None,
    snoop: bool,
    components: bool,
    judge: Judge | None = None,
    most_aside: int = MOST_ROUNDS,
) -> Search:
    """Fit, test and re-estimate variances until nothing changes.

    Parameters
    ----------
    system : System
    values : Values
        Where to start; near the majority (`robust_pass`).
    used : (groups,) array of bool
        Readings to start with.
    factors : (kinds,) array, optional
        Variance factors to start with; 1 each.
    snoop, components : bool
        Whether to set readings aside and to re-estimate the kinds' variances.
    judge : callable, optional
        Picks the likely slip among rivals that the tests can't tell apart.
    most_aside : int
        Readings to set aside before the search is given up.
    """
    ones = np.ones(system.groups)
    choice = Choice(used, np.ones(len(system.kinds)) if factors is None else factors, ones)
    if snoop and not np.all(used):
        choice = replace(choice, used=_keep_rank(system, values, used))
    testing = system.groups > 0 and (snoop or components)
    state = Search(fit_readings(system, values, choice), [], 0)
    returned: set[int] = set()
    doubted = [int(g) for g in np.flatnonzero(~choice.used)]
    aside = 0
    for _ in range(MOST_ROUNDS if testing else 0):
        state.steps += state.fit.steps
        went = snoop and _set_aside(system, state, judge)
        aside += went
        if aside > most_aside:
            state.finished = False
            return state
        changed = snoop and (
            went or _take_back(system, state, returned) or _doubt(system, state, doubted, judge)
        )
        if not changed and components:
            changed = _reweigh(system, state)
        if changed:
            continue
        if state.fit.settled:
            break
        state.fit = fit_readings(system, state.fit.values, state.fit.choice)
    if not state.fit.settled:
        state.fit = fit_readings(system, state.fit.values, state.fit.choice)
    return state


def _refit(system: System, fit: Fit, choice: Choice) -> Fit:
    return fit_readings(system, fit.values, choice, near=fit)


def _without(choice: Choice, groups: list[int]) -> Choice:
    used = choice.used.copy()
    used[groups] = False
    return replace(choice, used=used)


def _set_aside(system: System, state: Search, judge: Judge | None) -> bool:
    """Set the worst reading aside if it fails its test. True: something changed."""
    fit = state.fit
    log_p = _open_log_p(fit, state)
    worst = int(np.argmin(log_p))
    if log_p[worst] >= _limit(fit):
        return False
    alike = _corners_alike(system, fit, worst)
    if len(alike) > FEW_CORNERS:
        state.fit = _refit(system, fit, _without(fit.choice, alike))
        return True
    without = _refit(system, fit, _without(fit.choice, [worst]))
    _settle(system, state, fit, without, worst, judge)
    return True


def _corners_alike(system: System, fit: Fit, worst: int) -> list[int]:
    """Corners that fail beside the worst one, in the same sighting: it was moved, or is bent.

    They go together, as one by one each would cost a fit; those that fit the rest come back.
    """
    mine = system.observation[system.group_first]
    if not isinstance(system.observations[mine[worst]], TargetCorners):
        return []
    failing = (mine == mine[worst]) & (fit.reliability.log_p < _limit(fit)) & fit.choice.used
    return [int(group) for group in np.flatnonzero(failing)]


def _doubt(system: System, state: Search, doubted: list[int], judge: Judge | None) -> bool:
    """Compare one reading that started set aside with those that explain the misfit as well.

    The readings the robust pass set aside were never compared with their rivals. Each is tested
    once as if it had been used from the beginning, to first order: a reading ten feet off must not
    drag the state along.
    """
    while doubted:
        group = int(doubted.pop())
        before = state.fit
        if before.choice.used[group] or len(doubted) >= MOST_DOUBTED:
            continue
        fit = as_if_used(system, before, group)
        if fit is None or _open_log_p(fit, state)[group] >= _limit(fit):
            continue
        _settle(system, state, fit, before, group, judge)
        if state.fit is not before:
            return True
    return False


def _settle(
    system: System, state: Search, fit: Fit, without: Fit, worst: int, judge: Judge | None
) -> None:
    """Decide between a reading and the rivals that would explain the misfit as well as it does.

    Parameters
    ----------
    system : System
    state : Search
        Ends with the reading, or a rival a usual slip points at, set aside; or with all widened.
    fit, without : Fit
        With the reading in use, and without it.
    worst : int
        The reading.
    judge : callable or None
    """
    log_p = _open_log_p(fit, state)
    near = (log_p < log_p[worst] + CLEAR) & (log_p < _limit(fit))
    near[worst] = False
    limit = _limit(without)
    rivals = [int(g) for g in np.flatnonzero(near) if without.reliability.log_p[g] >= limit]
    if rivals:
        named = [worst, *rivals]
        sagging = _sagging(system, fit, named)
        if sagging is not None:
            named = [sagging]
        elif judge:
            named = judge(system, fit, named) or named
        if len(named) > 1:
            state.fit = replace(without, choice=fit.choice)
            _widen(system, state, tuple(named), float(-2.0 * log_p[worst]))
            return
        if named != [worst]:
            without = _refit(system, without, _without(fit.choice, named))
    state.fit = without


def _sagging(system: System, fit: Fit, groups: list[int]) -> int | None:
    """Pick, among rivals, that a point of a roof's field lies in its plane, if it can be untrue.

    A reading in the deepest part of a low spot is the one that counts most; it must not be blamed
    for what the roof does there.
    """
    for group in groups:
        row = int(system.group_first[group])
        redundancy = float(fit.reliability.redundancy[row])
        if system.kinds[system.kind[row]] == FIELD and redundancy > 0:
            if abs(float(fit.residuals[row])) / redundancy < MOST_SAG:
                return group
    return None


def _open_log_p(fit: Fit, state: Search) -> Array:
    """Log p of every reading, 0 for those already named as undecided."""
    log_p = fit.reliability.log_p.copy()
    log_p[[group for rivals in state.undecided for group in rivals]] = 0.0
    return log_p


def _limit(fit: Fit) -> float:
    return critical_log_p(int(np.count_nonzero(fit.reliability.testable)))


def _widen(system: System, state: Search, rivals: tuple[int, ...], square: float) -> None:
    """Keep rivals, with sds so wide that they no longer contradict each other."""
    widening = state.fit.choice.widening.copy()
    widening[list(rivals)] *= max(square, 1.0)
    state.undecided.append(rivals)
    state.fit = _refit(system, state.fit, replace(state.fit.choice, widening=widening))


def _take_back(system: System, state: Search, returned: set[int]) -> bool:
    """Use the readings again that the rest now agrees with, each once."""
    choice = state.fit.choice
    out = np.array([g for g in np.flatnonzero(~choice.used) if int(g) not in returned], dtype=int)
    if len(out) == 0:
        return False
    limit = _limit(state.fit)
    fits = out[predicted_log_p(system, state.fit, out) >= limit]
    if len(fits) == 0:
        return False
    returned.update(int(g) for g in fits)
    used = choice.used.copy()
    used[fits] = True
    state.fit = _refit(system, state.fit, replace(choice, used=used))
    return True


def _reweigh(system: System, state: Search) -> bool:
    """Re-estimate the variance of each kind. True: one changed enough to matter."""
    fit = state.fit
    rows = fit.choice.used[system.group] & (fit.choice.widening[system.group] == 1.0)
    factors: Array = estimate_factors(system, fit.residuals, rows, fit.reliability)
    if np.all(np.abs(factors / fit.choice.factors - 1.0) <= STEADY):
        return False
    state.fit = _refit(system, fit, replace(fit.choice, factors=factors))
    return True


def _keep_rank(system: System, values: Values, used: np.ndarray) -> np.ndarray:
    """Give back the readings without which something would no longer be fixed."""
    _, derivatives = system.linearise(values)
    everything = 1.0 / system.sd**2
    rows = used[system.group]
    partition = choose_partition(system, derivatives, everything)
    _, _, before = factorise(system, partition, derivatives, everything)
    weights = np.where(rows, everything, 0.0)
    partition = choose_partition(system, derivatives, weights)
    normal, _, after = factorise(system, partition, derivatives, weights)
    if after.basis.shape[1] == before.basis.shape[1]:
        return used
    padded = np.concatenate(
        [after.basis * normal.scale[:, None], np.zeros((1, after.basis.shape[1]))]
    )
    seen = np.einsum("rk,rkb->rb", derivatives, padded[system.columns]) / system.sd[:, None]
    felt = np.bincount(system.group, np.sum(seen**2, axis=1), minlength=system.groups)
    back: np.ndarray = used | (felt > 1e-8 * max(float(felt.max()), 1e-300))
    return back
