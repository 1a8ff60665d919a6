"""Brings starting values close to the observations before any reading is judged.

A start is good to centimetres where corners are read to hundredths of a pixel, so every residual is
huge at first. Least squares with pull that levels off (iterated weights of an L1-like loss, all
residuals in units of their common scatter) gets near without letting one gross error lead; what is
stated of lenses and prints keeps its full weight, so that no scale is lost on the way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from survey.adjustment.equations import System, compile_network
from survey.adjustment.minimise import minimise
from survey.adjustment.model import Array, Network, State
from survey.adjustment.normal import choose_partition
from survey.adjustment.robust import GROSS_SQUARE, bounded_chi_square, reading_norms
from survey.adjustment.unknowns import Values

# Steps of each round of weights: damping starts afresh each round, and weakly fixed directions (a
# tilt that one slope reading gives) move only once it has died down.
ROUNDS = (4, 4, 6, 10, 10, 20)
BEND = 2.0  # scatters at which the pull starts to level off
SETTLED = 1e-3  # relative change of the cost
STATED = ("lens prior", "print scale prior")


@dataclass(frozen=True, slots=True)
class Polished:
    """A start after polishing; `score` is the chi-square with each reading's share bounded."""

    state: State
    score: float


def polish(network: Network, start: State) -> Polished:
    """Pull a start towards all observations at once.

    Parameters
    ----------
    network : Network
    start : State

    Returns
    -------
    Polished
        Observations left out for want of a starting value count the bound in the score.
    """
    system, state = compile_network(network, start)
    values = system.unknowns.pack(state)
    if system.rows == 0:
        return Polished(state, GROSS_SQUARE[0] * len(system.left_out))
    partition = None
    base = 1.0 / system.sd**2
    stated = np.isin(system.kind, [i for i, k in enumerate(system.kinds) if k in STATED])
    last = np.inf
    for steps in ROUNDS:
        weights, cost = _weights(system, values, base, stated)
        if partition is None:
            _, derivatives = system.linearise(values)
            partition = choose_partition(system, derivatives, base)
        if abs(last - cost) < SETTLED * (1.0 + cost):
            steps = ROUNDS[-1]
        last = cost
        found = minimise(system, values, weights, partition=partition, most_steps=steps)
        values = found.values
        if steps == ROUNDS[-1]:
            break
    polished = {**state, **system.unknowns.unpack(values)}
    return Polished(polished, _score(system, values))


def _weights(
    system: System, values: Values, base: Array, stated: np.ndarray
) -> tuple[Array, float]:
    """Row weights and L1-like cost at a state."""
    norms = reading_norms(system, system.residuals(values))
    scatter = max(1.0, float(np.median(norms)))
    relative = norms / (BEND * scatter)
    pull = (1.0 / np.sqrt(1.0 + relative**2))[system.group]
    cost = float(np.sum(np.sqrt(1.0 + (norms / BEND) ** 2) - 1.0))
    return base * np.where(stated, 1.0, pull), cost


def score(network: Network, state: State) -> float:
    """Bounded chi-square of a network at a state; left-out readings count the bound each."""
    system, complete = compile_network(network, state)
    return _score(system, system.unknowns.pack(complete))


def _score(system: System, values: Values) -> float:
    bounded = bounded_chi_square(system, system.residuals(values))
    return bounded + GROSS_SQUARE[0] * len(system.left_out)
