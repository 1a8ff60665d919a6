"""Which of a target's two poses is the right one: decided by everything the visit observed.

Each sighting whose two poses fit its photo nearly equally well is a question. Every combination of
answers (or, where there are too many, every single change from the best so far) is polished against
all observations; answers that end in the same place are one. The rest is a matter of chi-square: a
gap of 9 to the best decides (own simulation in docs/accuracy.md: no wrong answer passed it), less
leaves both standing.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from survey.adjustment.equations_base import keys_of
from survey.adjustment.model import (
    CAMERA,
    POINT,
    TARGET,
    Elevation,
    Key,
    LevelEdge,
    Network,
    Pose,
    RodHeight,
    SameElevation,
    State,
)
from survey.adjustment.starting import Start, StartFinder
from survey.adjustment.starting_growth import Sight
from survey.adjustment.starting_polish import polish
from survey.adjustment.starting_repair import better_start

DECIDED = 9.0  # chi-square gap that decides between two answers
SLACK = 6.0  # more than that is kept until the adjustment itself has spoken
ALL_COMBINATIONS = 3  # questions up to which every combination is tried
MOST_TRIALS = 40  # polished starts at most
SAME_TURN = 0.004  # radians; answers nearer than this in every pose, and
SAME_SHIFT = 0.02  # metres in every place, are one


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One consistent set of answers, polished."""

    start: Start
    state: State
    score: float


def find_hypotheses(network: Network) -> tuple[list[Hypothesis], Start]:
    """Every answer that may still be the right one, the best first.

    Returns
    -------
    hypotheses : list of Hypothesis
        Distinct in their poses; scores within `DECIDED` + `SLACK` of the best. Never empty.
    start : Start
        The first start, with what could not be placed.
    """
    finder = StartFinder(network)
    first = finder.find()
    first, polished = better_start(network, finder, first, polish(network, first.state))
    found = [Hypothesis(first, polished.state, polished.score)]
    tried = {_answers(first.taken)}
    for told in _combinations(first):
        _try(network, finder, told, found, tried)
    if len(first.open_gaps) > ALL_COMBINATIONS:
        _search_around(network, finder, found, tried)
    loose = known_by_height_alone(network)
    found.sort(key=lambda h: h.score)
    kept: list[Hypothesis] = []
    for hypothesis in found:
        near = hypothesis.score - found[0].score < DECIDED + SLACK
        if near and all(not same_site(hypothesis.state, other.state, loose) for other in kept):
            kept.append(hypothesis)
    return kept, first


def _polished(network: Network, start: Start) -> Hypothesis:
    polished = polish(network, start.state)
    return Hypothesis(start, polished.state, polished.score)


def _answers(taken: Mapping[Sight, int]) -> frozenset[tuple[Sight, int]]:
    return frozenset(taken.items())


def _combinations(first: Start) -> list[dict[Sight, int]]:
    """Every combination of answers to few questions; to many, all turned over at once."""
    questions = sorted(first.open_gaps)
    if not questions:
        return []
    if len(questions) > ALL_COMBINATIONS:
        return [{sight: 1 - first.taken[sight] for sight in questions}]
    return [
        dict(zip(questions, answer, strict=True))
        for answer in itertools.product((0, 1), repeat=len(questions))
    ]


def _search_around(
    network: Network,
    finder: StartFinder,
    found: list[Hypothesis],
    tried: set[frozenset[tuple[Sight, int]]],
) -> None:
    """Change one answer of the best hypothesis at a time until none is better."""
    while len(tried) < MOST_TRIALS:
        best = min(found, key=lambda h: h.score)
        for sight in sorted(best.start.open_gaps, key=lambda s: best.start.open_gaps[s]):
            told = {**best.start.taken, sight: 1 - best.start.taken[sight]}
            _try(network, finder, told, found, tried)
        if min(found, key=lambda h: h.score) is best:
            break


def _try(
    network: Network,
    finder: StartFinder,
    told: Mapping[Sight, int],
    found: list[Hypothesis],
    tried: set[frozenset[tuple[Sight, int]]],
) -> None:
    if len(tried) >= MOST_TRIALS:
        return
    start = finder.find(told)
    answers = _answers(start.taken)
    if answers in tried:
        return
    tried.add(answers)
    if not any(same_site(start.state, other.start.state) for other in found):
        found.append(_polished(network, start))


def known_by_height_alone(network: Network) -> frozenset[Key]:
    """Points that only rods and levels speak of: where they stand in plan means nothing."""
    heights: set[Key] = set()
    placed: set[Key] = set()
    for observation in network.observations:
        only = isinstance(observation, RodHeight | Elevation | LevelEdge | SameElevation)
        (heights if only else placed).update(keys_of(observation))
    return frozenset(key for key in heights - placed if key[0] == POINT)


def same_site(first: State, second: State, loose: Collection[Key] = ()) -> bool:
    """Whether two states show the same site, wherever it lies and however it is turned.

    Points that are `loose` may lie anywhere.
    """
    if set(first) != set(second):
        return False
    keys = [key for key in first if key[0] in (CAMERA, TARGET, POINT) and key not in loose]
    here, there = (np.array([_place(state, key) for key in keys]) for state in (first, second))
    if len(here) == 0:
        return True
    rotation = _turn_between(first, second, here, there)
    moved = (here - here.mean(axis=0)) @ rotation.T + there.mean(axis=0)
    if np.abs(moved - there).max() > SAME_SHIFT:
        return False
    for key in keys:
        a, b = first[key], second[key]
        if isinstance(a, Pose) and isinstance(b, Pose):
            turned = b.rotation.T @ rotation @ a.rotation
            if np.arccos(np.clip((np.trace(turned) - 1) / 2, -1, 1)) > SAME_TURN:
                return False
    return True


def _place(state: State, key: tuple[str, str]) -> np.ndarray:
    value = state[key]
    return value.translation if isinstance(value, Pose) else np.asarray(value)


def _turn_between(first: State, second: State, here: np.ndarray, there: np.ndarray) -> np.ndarray:
    """Rotation that carries one site onto the other: by its first pose, else by its places."""
    for key, value in first.items():
        other = second.get(key)
        if key[0] == CAMERA and isinstance(value, Pose) and isinstance(other, Pose):
            return other.rotation @ value.rotation.T
    cross = (there - there.mean(axis=0)).T @ (here - here.mean(axis=0))
    left, _, right = np.linalg.svd(cross)
    sign = np.diag([1.0, 1.0, np.sign(np.linalg.det(left @ right))])
    rotation: np.ndarray = left @ sign @ right
    return rotation
