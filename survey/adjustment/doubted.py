"""Starts tried again without each part of the visit that may have spoiled them.

Two things lead a start so far astray that no step leads back. A roof laid out by tapes has no
photos that would hold its shape: one tape read ten feet off gives another shape. And two corners
that carry each other's name in one photo drag their rays across the site. Without the wrong part
the rest fits, and the part costs no more than a gross reading or two, so it shows itself. Where two
layouts by tape fit alike, the one whose outlines do not cross themselves is meant.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from survey.adjustment.equations import compile_network
from survey.adjustment.hypotheses import DECIDED, Hypothesis
from survey.adjustment.model import (
    POINT,
    EdgeInPhoto,
    Network,
    Observation,
    PointInPhoto,
    State,
    TapeLength,
)
from survey.adjustment.outlines import is_folded
from survey.adjustment.robust import GROSS_SQUARE
from survey.adjustment.starting import StartFinder
from survey.adjustment.starting_polish import polish, score

MOST_PARTS = 12
TAPES_TROUBLED = 0.5 * GROSS_SQUARE[0]  # bounded chi-square over what is expected
PHOTOS_TROUBLED = 3.0 * GROSS_SQUARE[1]  # a stray mark or two lead no start astray


def with_parts_doubted(network: Network, hypotheses: Sequence[Hypothesis]) -> list[Hypothesis]:
    """Start from the visit without the part that spoils it, where there is one.

    Parameters
    ----------
    network : Network
    hypotheses : sequence of Hypothesis
        The best first.

    Returns
    -------
    list of Hypothesis
        The same, or the one found without one part alone where it fits all readings better.
    """
    found = list(hypotheses)
    best = found[0]
    system, _ = compile_network(network, best.state)
    over = best.score - max(system.rows - system.unknowns.size, 0)
    if over < (PHOTOS_TROUBLED if network.cameras else TAPES_TROUBLED):
        return found
    folded = is_folded(network, best.state)
    for part in _parts(network):
        spoilt = {id(o) for o in part}
        others = replace(
            network, observations=[o for o in network.observations if id(o) not in spoilt]
        )
        start = StartFinder(others).find()
        if not network.cameras and set(start.state) != set(best.start.state):
            continue
        # The wrong part must not pull at it again, so all observations only judge.
        for state in _laid_out(others, start.state):
            cost, crossed = score(network, state), is_folded(network, state)
            lead = best.score - cost
            if (lead > DECIDED and crossed <= folded) or (folded > crossed and lead > -DECIDED):
                best, folded = Hypothesis(start, state, cost), crossed
    return found if best is found[0] else [best]


def _parts(network: Network) -> list[list[Observation]]:
    """Parts to doubt: the marks of each photo; each tape where there is no photo."""
    parts: dict[str, list[Observation]] = {}
    for o in network.observations:
        if isinstance(o, PointInPhoto | EdgeInPhoto):
            parts.setdefault(o.photo, []).append(o)
        elif isinstance(o, TapeLength) and not network.cameras:
            parts.setdefault(o.id, []).append(o)
    return list(parts.values()) if 1 < len(parts) <= MOST_PARTS else []


def _laid_out(network: Network, start: State) -> Iterator[State]:
    """Yield the layout of a start, and with each corner mirrored that hangs on two tapes."""
    state = polish(network, start).state
    yield state
    if network.cameras or not is_folded(network, state):
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
