"""The adjustment of a visit: starting values, undecided poses, the one solution, its faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.decided import Adjusted
from survey.adjustment.hypotheses import DECIDED, Hypothesis, find_hypotheses, same_site
from survey.adjustment.model import PLANE, POINT, TARGET, Array, LevelEdge, Network, State
from survey.adjustment.solver import solve
from survey.adjustment.starting import Start
from survey.adjustment.starting_polish import score
from survey.errors import NotEnoughObserved

EDGE_DEPARTURE = 0.002  # building lines depart from level by 2 mm per m; common practice


def adjust(network: Network) -> Adjusted:
    """Adjust everything a visit observed.

    Parameters
    ----------
    network : Network
        As `survey.adjustment.build_network` returns it.

    Returns
    -------
    Adjusted
        The best solution, with every other answer that fits as well.

    Raises
    ------
    NotEnoughObserved
        If photos and readings together fix no length, height or slope at all.
    """
    hypotheses, first = find_hypotheses(network)
    _refuse_nothing(network, first, hypotheses[0].state)
    solved = [_solve(network, hypothesis) for hypothesis in hypotheses]
    scores = [score(network, solution.state) for solution in solved]
    order = sorted(range(len(solved)), key=lambda i: scores[i])
    best = order[0]
    standing = _standing(solved, scores, order)
    return Adjusted(
        solved[best],
        alternatives=tuple(solved[i] for i in standing),
        taken=hypotheses[best].start,
        gap=min((scores[i] - scores[best] for i in standing), default=np.inf),
        findings=first.findings,
    )


def _solve(network: Network, hypothesis: Hypothesis) -> AdjustedNetwork:
    return solve(with_edge_departures(network, hypothesis.state), hypothesis.state)


def _standing(
    solved: Sequence[AdjustedNetwork], scores: Sequence[float], order: Sequence[int]
) -> list[int]:
    """Answers other than the best that a chi-square gap does not refuse and that differ from it."""
    standing: list[int] = []
    for i in order[1:]:
        close = scores[i] - scores[order[0]] < DECIDED
        known = [solved[order[0]].state, *(solved[j].state for j in standing)]
        if close and not any(same_site(solved[i].state, state) for state in known):
            standing.append(i)
    return standing


def with_edge_departures(network: Network, state: State) -> Network:
    """Widen level edges by how far building lines depart from level over their length."""
    observations = [
        replace(o, sd=float(np.hypot(o.sd, EDGE_DEPARTURE * _length(state, o.start, o.end))))
        if isinstance(o, LevelEdge)
        else o
        for o in network.observations
    ]
    return replace(network, observations=observations)


def _length(state: State, start: str, end: str) -> float:
    if (POINT, start) not in state or (POINT, end) not in state:
        return 0.0
    first, second = (np.asarray(state[(POINT, name)]) for name in (start, end))
    step: Array = second - first
    return float(np.linalg.norm(step))


def _refuse_nothing(network: Network, first: Start, state: State) -> None:
    if any(key[0] in (POINT, TARGET, PLANE) for key in state):
        return
    reasons = [f"{f.where}: {f.what}" for f in (*network.findings, *first.findings)]
    why = f" ({reasons[0]})" if reasons else ""
    raise NotEnoughObserved(
        f"nothing can be measured: no photo shows a target and no tape or rod was read{why}",
        cure="put a printed target in a photo, or enter taped lengths or rod readings",
    )
