"""Layouts by tape alone, tried again without each tape in turn.

A roof laid out by tapes has no photos that would hold its shape: one tape read ten feet off leads
the layout into another shape, from which no step leads back. The layout without the wrong tape
costs no more than one gross reading, so it shows itself. Where two layouts fit alike, the one whose
outlines do not cross themselves is meant.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from survey.adjustment.hypotheses import DECIDED, Hypothesis
from survey.adjustment.model import POINT, Network, State, TapeLength
from survey.adjustment.outlines import is_folded
from survey.adjustment.robust import GROSS_SQUARE
from survey.adjustment.starting import StartFinder
from survey.adjustment.starting_polish import polish, score

MOST_TAPES = 12
TROUBLED = 0.5 * GROSS_SQUARE[0]  # bounded chi-square over the number of readings


def with_tapes_doubted(network: Network, hypotheses: Sequence[Hypothesis]) -> list[Hypothesis]:
    """Start from the layout without the tape that spoils it, where there is one.

    Parameters
    ----------
    network : Network
    hypotheses : sequence of Hypothesis
        The best first.

    Returns
    -------
    list of Hypothesis
        The same, or the one found without a tape alone where it fits all readings better.
    """
    found = list(hypotheses)
    tapes = [o for o in network.observations if isinstance(o, TapeLength)]
    if network.cameras or not 1 < len(tapes) <= MOST_TAPES or found[0].score < TROUBLED:
        return found
    best = found[0]
    folded = is_folded(network, best.state)
    for tape in tapes:
        others = replace(network, observations=[o for o in network.observations if o is not tape])
        start = StartFinder(others).find()
        if set(start.state) != set(best.start.state):
            continue
        # The wrong tape must not pull at it again, so all of them only judge.
        for state in _laid_out(others, start.state):
            cost, crossed = score(network, state), is_folded(network, state)
            lead = best.score - cost
            if (lead > DECIDED and crossed <= folded) or (folded > crossed and lead > -DECIDED):
                best, folded = Hypothesis(start, state, cost), crossed
    return found if best is found[0] else [best]


def _laid_out(network: Network, start: State) -> Iterator[State]:
    """Yield the layout of a start, and with each corner mirrored that hangs on two tapes."""
    state = polish(network, start).state
    yield state
    if not is_folded(network, state):
        return
    tied: dict[str, list[str]] = {}
    for tape in network.observations:
        if isinstance(tape, TapeLength):
            tied.setdefault(tape.start, []).append(tape.end)
            tied.setdefault(tape.end, []).append(tape.start)
    for corner, others in tied.items():
        if len(set(others)) == 2:
            first, second = (np.asarray(state[(POINT, name)]) for name in sorted(set(others)))
            along = (second - first)[:2] / np.linalg.norm((second - first)[:2])
            there = np.asarray(state[(POINT, corner)]).copy()
            offset = there[:2] - first[:2]
            there[:2] = first[:2] + 2 * (offset @ along) * along - offset
            yield polish(network, {**state, (POINT, corner): there}).state
