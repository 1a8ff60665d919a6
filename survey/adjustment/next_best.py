"""How much one more reading or photo would help, before anybody takes it.

The covariance alone tells: what a reading would say does not matter to first order, only where it
would be taken and how well it could be read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.derivation import Function, differentiate
from survey.adjustment.equations import System, compile_network
from survey.adjustment.equations_base import keys_of
from survey.adjustment.model import Array, Key, Network, Observation, State
from survey.adjustment.rank import FREE
from survey.photo.model import CameraPrior

STANDS = 1e-5  # share of a function along what stays free, up to which it counts as fixed
GONE = 1e-10  # relative eigenvalue under which a candidate tells nothing of a free combination


@dataclass(frozen=True, slots=True)
class Candidate:
    """A reading or photo that could be taken.

    Attributes
    ----------
    words : str
        In the user's words: "tape from A to C", "one more photo from the left".
    observations : tuple of Observation
        With the values the adjusted state predicts (only their sds and places matter).
    state : State
        Values of unknowns that the adjusted network does not have: the further photo's pose, lens.
    cameras : dict
        Prior of each further photo.
    """

    words: str
    observations: tuple[Observation, ...]
    state: State = field(default_factory=dict)
    cameras: dict[str, CameraPrior] = field(default_factory=dict)


def predicted_sds(
    adjusted: AdjustedNetwork,
    candidates: Sequence[Candidate],
    functions: Sequence[tuple[Function, Sequence[Key]]],
) -> Array:
    """Predict the standard deviation of each figure if a candidate were added (A13).

    Parameters
    ----------
    adjusted : AdjustedNetwork
    candidates : sequence of Candidate
    functions : sequence of (function, keys)
        Scalar figures of the adjusted unknowns.

    Returns
    -------
    (candidates + 1, functions) array
        The first row is how things stand; inf: not estimable.

    Notes
    -----
    What nothing fixes yet, and unknowns that a candidate brings along, enter as unknowns without
    any prior; a figure the candidate makes estimable gets its finite sd.
    """
    scale = adjusted.normal.scale
    lines = [
        differentiate(function, keys, adjusted.state, adjusted.system.unknowns)
        for function, keys in functions
    ]
    gradients = np.concatenate([line.derivatives for line in lines]) * scale
    loose = np.concatenate([line.loose for line in lines])
    solved = adjusted.factor.solve(gradients.T)
    variance = np.sum(gradients * solved.T, axis=1)
    along = gradients @ adjusted.free.basis
    whole = np.maximum(np.linalg.norm(gradients, axis=1), 1e-300)
    fixed = np.linalg.norm(along, axis=1) <= STANDS * whole
    sds = np.full((len(candidates) + 1, len(gradients)), np.inf)
    sds[0, fixed] = np.sqrt(variance[fixed])
    for i, candidate in enumerate(candidates):
        rows, new = _candidate_rows(adjusted, candidate)
        if len(rows) == 0:
            sds[i + 1] = sds[0]
            continue
        of_rows = adjusted.factor.solve(rows.T)
        spread = rows @ of_rows + np.eye(len(rows))
        gain = np.linalg.solve(spread, rows @ solved).T  # F Q A^T S^-1
        less = variance - np.sum(gain * (gradients @ of_rows), axis=1)
        free_rows = np.concatenate([rows @ adjusted.free.basis, new], axis=1)
        free_of = np.concatenate([along, np.zeros((len(along), new.shape[1]))], axis=1)
        free_of = free_of - gain @ free_rows
        more, settled = _from_free(free_rows, free_of, spread, whole)
        sds[i + 1] = np.where(settled, np.sqrt(np.maximum(less + more, 0.0)), np.inf)
    sds[:, loose] = np.inf
    return sds


def _from_free(
    free_rows: Array, free_of: Array, spread: Array, whole: Array
) -> tuple[Array, np.ndarray]:
    """Variance that unknowns without prior add, and whether they leave the functions fixed."""
    if free_rows.shape[1] == 0:
        return np.zeros(len(free_of)), np.ones(len(free_of), dtype=bool)
    weight = free_rows.T @ np.linalg.solve(spread, free_rows)
    eigenvalues, vectors = np.linalg.eigh(weight)
    told = eigenvalues > max(GONE * float(eigenvalues[-1]), FREE)
    parts = free_of @ vectors
    more = np.sum(parts[:, told] ** 2 / eigenvalues[told], axis=1)
    left = np.linalg.norm(parts[:, ~told], axis=1)
    settled: np.ndarray = left <= STANDS * whole
    return more, settled


def _candidate_rows(adjusted: AdjustedNetwork, candidate: Candidate) -> tuple[Array, Array]:
    """Whitened rows of a candidate by the adjusted (scaled) columns and by its own new unknowns."""
    state: State = {**candidate.state, **adjusted.state}
    network = Network(
        observations=list(candidate.observations),
        cameras={**adjusted.network.cameras, **candidate.cameras},
    )
    touched = {key for observation in candidate.observations for key in keys_of(observation)}
    held = touched - set(candidate.state) - set(adjusted.system.unknowns.first_column)
    start = {key: value for key, value in state.items() if key not in held}
    system, full = compile_network(network, start)
    _, derivatives = system.linearise(system.unknowns.pack(full))
    variances = _variances(adjusted, system)
    dense = np.zeros((system.rows, system.unknowns.size + 1))
    np.add.at(dense, (np.arange(system.rows)[:, None], system.columns), derivatives)
    dense = dense[:, :-1] / np.sqrt(variances)[:, None]
    rows = np.zeros((system.rows, adjusted.system.unknowns.size))
    new = []
    for key in system.unknowns.keys:
        own = dense[:, system.unknowns.columns(key)]
        if key in adjusted.system.unknowns.first_column:
            rows[:, adjusted.system.unknowns.columns(key)] += own
        else:
            new.append(own)
    fresh = np.concatenate(new, axis=1) if new else np.zeros((system.rows, 0))
    length = np.linalg.norm(fresh, axis=0)
    return rows * adjusted.normal.scale, fresh / np.where(length > 0, length, 1.0)


def _variances(adjusted: AdjustedNetwork, system: System) -> Array:
    """Variance of a candidate's rows, widened as its kind is on this visit."""
    factors = dict(zip(adjusted.system.kinds, adjusted.fit.choice.factors, strict=True))
    by_kind = np.array([factors.get(kind, 1.0) for kind in system.kinds])
    variances: Array = system.sd**2 * by_kind[system.kind]
    return variances
