"""Tries every class of fault on a visit that does not fit, and keeps those that explain it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.equations import System, compile_network
from survey.adjustment.faults import MOVED, FaultModel, fault_models, is_troubled
from survey.adjustment.hypotheses import DECIDED
from survey.adjustment.model import (
    PRINT_SCALE,
    TARGET,
    Array,
    Network,
    Observation,
    Prior,
    State,
    TargetCorners,
)
from survey.adjustment.robust import GROSS_SQUARE, bounded_chi_square
from survey.adjustment.soft_minimise import minimise_softly
from survey.adjustment.starting_polish import stated_rows
from survey.adjustment.unknowns import Values

FAULT_COST = GROSS_SQUARE[0]  # a fault costs as much as one gross reading
BELIEVABLE = 4.0  # sds of a loosely stated lens or print beyond which it is no explanation
LOOSE = 0.05  # relative sd above which a prior counts as loosely stated
MOST_STANDING = 3  # explanations carried along when nothing decides between them
# In turn: trial steps each class of fault is followed for, and how many go on from there.
HEATS = ((5, 8), (15, 4), (40, 4))


@dataclass(frozen=True, slots=True)
class Explanation:
    """A fault with the state that fits without what it makes untrue.

    `cost` is bounded chi-square less degrees of freedom, with the fault's own cost; the explanation
    without a fault (`model` None) leaves single readings aside instead.
    """

    model: FaultModel | None
    network: Network
    state: State
    cost: float


def explain(network: Network, state: State, solution: AdjustedNetwork) -> list[Explanation]:
    """Explanations of a visit that does not fit, the best first; without a fault if it fits.

    Parameters
    ----------
    network : Network
    state : State
        Near the majority of its observations: what `solution` started from.
    solution : AdjustedNetwork
        Its adjustment without any fault.

    Returns
    -------
    list of Explanation
        The best, and what a chi-square gap of 9 does not refuse; the one without a fault comes last
        there. A visit that fits gets one, with no fault.
    """
    # Readings kept and widened bend the solution; where it started, one of them is left aside.
    alone = min(_cost(network, solution.state), _cost(network, state))
    plain = Explanation(None, network, solution.state, alone)
    if not is_troubled(solution):
        return [plain]
    trials = [_Trial(model, state) for model in fault_models(network, state, _flagged(solution))]
    for steps, going_on in HEATS:
        for trial in trials:
            trial.follow(steps)
        trials = sorted(trials, key=lambda trial: trial.cost)[:going_on]
    found = [plain]
    for trial in trials:
        best = trial.state()
        if _is_believable(trial.model.network, best):
            found.append(Explanation(trial.model, trial.model.network, best, trial.cost))
    found.sort(key=lambda explanation: explanation.cost)
    standing = [e for e in found if e.cost - found[0].cost < DECIDED]
    # Where setting single readings aside explains it best, or as well and without a doubt left,
    # the adjustment's own word stands.
    if standing[0] is plain or (plain in standing and _settled(solution)):
        return [plain]
    faults = [e for e in standing if e.model is not None][:MOST_STANDING]
    return [*faults, *(e for e in standing if e.model is None)]


class _Trial:
    """One class of fault on its way to the state that fits best without what it makes untrue."""

    def __init__(self, model: FaultModel, state: State) -> None:
        self.model = model
        self.system, self.start = compile_network(model.network, _placed_twice(model, state))
        self.values: Values = self.system.unknowns.pack(self.start)
        self.firm = stated_rows(self.system)
        self.settled = self.system.rows == 0
        self.cost = np.inf

    def follow(self, steps: int) -> None:
        """Descend for some trial steps and see what the fault would cost."""
        if not self.settled:
            found = minimise_softly(self.system, self.values, self.firm, most_steps=steps)
            self.values, self.settled = found.values, found.settled
        residuals = self.system.residuals(self.values)
        self.cost = _bounded(self.system, residuals) + FAULT_COST + self.model.parameters

    def state(self) -> State:
        """Where it stands."""
        return {**self.start, **self.system.unknowns.unpack(self.values)}


def _placed_twice(model: FaultModel, state: State) -> State:
    """Start a board that may have moved from where it hung before."""
    start = dict(state)
    for o in model.network.observations:
        if isinstance(o, TargetCorners) and o.target.endswith(MOVED):
            for kind in (TARGET, PRINT_SCALE):
                before = (kind, o.target.removesuffix(MOVED))
                if before in state:
                    start[(kind, o.target)] = state[before]
    return start


def _is_believable(network: Network, state: State) -> bool:
    """Whether no lens or print came out as none can be, however loosely it was stated."""
    for o in network.observations:
        if isinstance(o, Prior) and o.mean_of is None and o.key in state:
            off = np.abs(np.asarray(state[o.key]) - o.mean) / o.sd
            if float(off.max()) > BELIEVABLE and np.any(
                o.sd / np.maximum(np.abs(o.mean), 1) > 0.05
            ):
                return False
    return True


def _settled(solution: AdjustedNetwork) -> bool:
    """Whether the adjustment named its gross errors without leaving anything undecided."""
    return all(finding.code != "readings-contradict" for finding in solution.findings)


def _cost(network: Network, state: State) -> float:
    """Bounded chi-square less what it is expected to be."""
    system, complete = compile_network(network, state)
    return _bounded(system, system.residuals(system.unknowns.pack(complete)))


def _bounded(system: System, residuals: Array) -> float:
    squares = bounded_chi_square(system, residuals) + GROSS_SQUARE[0] * len(system.left_out)
    return squares - (system.rows - system.unknowns.size)


def _flagged(solution: AdjustedNetwork) -> Sequence[Observation]:
    """Observations set aside, or named in a contradiction."""
    named = " ".join(f.where for f in solution.findings if f.code == "readings-contradict")
    out = {o.id for o in solution.observations if not o.used}
    return [
        o for o in solution.network.observations if o.id in out or (o.where and o.where in named)
    ]
