"""Derivatives of functions of the unknowns that come as plain Python callables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from survey.adjustment.model import Array, Key, State
from survey.adjustment.unknowns import SIZES, Unknowns, move_parameter

Function = Callable[[State], Array]
STEP = 1e-6  # metres, radians; relative for larger numbers (pixels)


@dataclass(frozen=True, slots=True)
class Linearised:
    """A function at the adjusted state.

    Attributes
    ----------
    value : (f,) array
    derivatives : (f, size) array
        By all adjusted columns.
    loose : (f,) array of bool
        Whether it moves with an unknown that no observation touches.
    """

    value: Array
    derivatives: Array
    loose: np.ndarray


def differentiate(
    function: Function, keys: Sequence[Key], state: State, unknowns: Unknowns
) -> Linearised:
    """Value and derivatives of a vector function, by central differences in the tangent space.

    Parameters
    ----------
    function : callable
        Takes a state that holds at least `keys`; gives a scalar or a 1-D array.
    keys : sequence of Key
        What the function depends on.
    state : State
    unknowns : Unknowns
    """
    value = np.atleast_1d(np.asarray(function(state), dtype=float))
    derivatives = np.zeros((len(value), unknowns.size))
    loose = np.zeros(len(value), dtype=bool)
    for key in dict.fromkeys(keys):
        by_key = _by_parameter(function, key, state, len(value))
        if key in unknowns.first_column:
            derivatives[:, unknowns.columns(key)] = by_key
        elif key not in unknowns.row:
            loose |= np.any(np.abs(by_key) > 1e-9, axis=1)
    return Linearised(value, derivatives, loose)


def _by_parameter(function: Function, key: Key, state: State, count: int) -> Array:
    """Central differences (count, k) by one parameter."""
    parameter = state[key]
    sizes = np.ones(SIZES[key[0]])
    if isinstance(parameter, np.ndarray):
        sizes = np.maximum(1.0, np.abs(parameter))
    slopes = np.zeros((count, len(sizes)))
    for i, size in enumerate(sizes):
        step = np.zeros(len(sizes))
        step[i] = STEP * size
        ahead = function({**state, key: move_parameter(parameter, step)})
        behind = function({**state, key: move_parameter(parameter, -step)})
        change = np.asarray(ahead, dtype=float) - np.asarray(behind, dtype=float)
        slopes[:, i] = np.atleast_1d(change) / (2.0 * step[i])
    return slopes
