"""The adjustment of a visit: starting values, undecided poses, the one solution, its faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.board_shape import board_findings
from survey.adjustment.decided import Adjusted, undecided_faults, undecided_poses
from survey.adjustment.doubted import with_parts_doubted
from survey.adjustment.fault_findings import fault_finding, overhang_findings, shows
from survey.adjustment.fault_search import Explanation, explain
from survey.adjustment.faults import FaultModel
from survey.adjustment.hanging import hanging_findings
from survey.adjustment.hypotheses import (
    DECIDED,
    Hypothesis,
    find_hypotheses,
    known_by_height_alone,
    same_site,
)
from survey.adjustment.model import PLANE, POINT, TARGET, Array, LevelEdge, Network, State
from survey.adjustment.outlines import crossing_findings
from survey.adjustment.snooping import MOST_ROUNDS
from survey.adjustment.solver import solve
from survey.adjustment.starting import Start
from survey.adjustment.starting_polish import score
from survey.adjustment.unchecked import unchecked_findings
from survey.errors import NotEnoughObserved
from survey.findings import Finding

# Readings set aside one by one before faults are looked for: more are not single slips.
FEW_ASIDE = 12
EDGE_DEPARTURE = 0.002  # building lines depart from level by 2 mm per m; common practice


def adjust(network: Network, *, search_faults: bool = True) -> Adjusted:
    """Adjust everything a visit observed.

    Parameters
    ----------
    network : Network
        As `survey.adjustment.build_network` returns it.
    search_faults : bool
        Whether to look for the one moved board, wrong lens or print that would explain a visit
        that does not fit. Without, such a visit only has its gross errors set aside; that is
        several times as fast, for showing a figure while a person is still marking.

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
    hypotheses = with_parts_doubted(network, hypotheses)
    _refuse_nothing(network, first, hypotheses[0].state)
    network = with_edge_departures(network, hypotheses[0].state)
    solved, scores, order = _solve_all(network, hypotheses, FEW_ASIDE if search_faults else None)
    best = solved[order[0]]
    explanations = explain(network, hypotheses[order[0]].state, best) if search_faults else []
    if explanations and explanations[0].model is not None:
        by_faults = _by_faults(network, explanations, first, best)
        if by_faults is not None:
            return by_faults
    if not all(solution.finished for solution in solved):
        solved, scores, order = _solve_all(network, hypotheses, None)
        best = solved[order[0]]
    standing = _standing(solved, scores, order)
    doubt = None
    if standing:
        gap = min(scores[i] for i in standing) - scores[order[0]]
        doubt = undecided_poses(best, hypotheses[order[0]].start, gap)
    return Adjusted(
        best,
        alternatives=tuple(solved[i] for i in standing),
        doubt=doubt,
        findings=(*first.findings, *_checks(network, best)),
    )


def _solve_all(
    network: Network, hypotheses: Sequence[Hypothesis], most_aside: int | None
) -> tuple[list[AdjustedNetwork], list[float], list[int]]:
    """Solutions of all hypotheses, their scores, and their order from the best.

    With `most_aside` the search for gross errors may be given up: a fault may be behind so many.
    """
    limit = MOST_ROUNDS if most_aside is None else most_aside
    solved = [solve(network, h.state, most_aside=limit) for h in hypotheses]
    scores = [
        score(network, solution.state if solution.finished else hypothesis.state)
        for solution, hypothesis in zip(solved, hypotheses, strict=True)
    ]
    return solved, scores, sorted(range(len(solved)), key=lambda i: scores[i])


def _by_faults(
    network: Network,
    explanations: Sequence[Explanation],
    first: Start,
    plain: AdjustedNetwork,
) -> Adjusted | None:
    """Adjust without what the likeliest fault makes untrue; others that fit stay alternatives.

    `plain` is the adjustment without a fault, which may be one of them. None if no fault comes out
    larger than chance would make it.
    """
    models: list[tuple[FaultModel, AdjustedNetwork]] = []
    for explanation in explanations:
        if explanation.model is not None:
            solution = solve(explanation.network, explanation.state)
            if shows(network, explanation.model, solution):
                models.append((explanation.model, solution))
    if not models:
        return None
    stands = any(e.model is None for e in explanations)
    alone = len(models) == 1 and not stands
    findings = [fault_finding(network, m, solution, alone=alone) for m, solution in models]
    best = models[0][1]
    others = [solution for _, solution in models[1:]]
    if stands:
        plain = plain if plain.finished else solve(network, plain.start)
        others.append(plain)
        findings += [f for f in plain.findings if f.code in ("gross-error", "readings-contradict")]
    differing = tuple(s for s in others if not same_site(s.state, best.state))
    return Adjusted(
        best,
        alternatives=differing,
        doubt=undecided_faults(findings) if differing else None,
        findings=(*first.findings, *findings, *_checks(best.network, best)),
    )


def _checks(network: Network, solution: AdjustedNetwork) -> list[Finding]:
    """Name what the solution shows, or could not have shown, of boards, overhangs and priors."""
    return [
        *board_findings(network, solution),
        *overhang_findings(network, solution),
        *unchecked_findings(network, solution),
        *hanging_findings(network, solution),
        *crossing_findings(network, solution.state),
    ]


def _standing(
    solved: Sequence[AdjustedNetwork], scores: Sequence[float], order: Sequence[int]
) -> list[int]:
    """Answers other than the best that a chi-square gap does not refuse and that differ from it."""
    standing: list[int] = []
    loose = known_by_height_alone(solved[0].network)
    for i in order[1:]:
        close = scores[i] - scores[order[0]] < DECIDED
        known = [solved[order[0]].state, *(solved[j].state for j in standing)]
        if close and not any(same_site(solved[i].state, state, loose) for state in known):
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
        f"nothing can be measured: no photo shows a target, and what was read places no point{why}",
        cure="put a printed target in a photo, or tape sides and a diagonal of a plane",
    )
