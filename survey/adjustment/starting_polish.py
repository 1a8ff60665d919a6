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
from survey.adjustment.model import Network, State
from survey.adjustment.robust import GROSS_SQUARE, bounded_chi_square
from survey.adjustment.soft_minimise import minimise_softly
from survey.adjustment.starting_lost_points import lost_points_anew
from survey.adjustment.unknowns import Values

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
    values = minimise_softly(system, values, stated_rows(system)).values
    best = Polished({**state, **system.unknowns.unpack(values)}, _score(system, values))
    anew = lost_points_anew(network, system, best.state)
    if anew.keys() == best.state.keys() and all(anew[key] is best.state[key] for key in anew):
        return best
    values = minimise_softly(system, system.unknowns.pack(anew), stated_rows(system)).values
    again = Polished({**state, **system.unknowns.unpack(values)}, _score(system, values))
    return again if again.score < best.score else best


def stated_rows(system: System) -> np.ndarray:
    """Which rows hold what is stated of lenses and prints: they keep their weight, (rows,)."""
    stated: np.ndarray = np.isin(
        system.kind, [i for i, kind in enumerate(system.kinds) if kind in STATED]
    )
    return stated


def score(network: Network, state: State) -> float:
    """Bounded chi-square of a network at a state; left-out readings count the bound each."""
    system, complete = compile_network(network, state)
    return _score(system, system.unknowns.pack(complete))


def _score(system: System, values: Values) -> float:
    bounded = bounded_chi_square(system, system.residuals(values))
    return bounded + GROSS_SQUARE[0] * len(system.left_out)
