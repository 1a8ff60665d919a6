"""Observation equations: residuals and derivatives of a whole network at once.

Every kind of observation has a small class that works on all observations of its kind together (in
`equations_photo` and `equations_site`); `compile_network` sorts a network into them. The numbers
E1 to E18 in their docstrings are those of docs/method.md. Signs: a residual is observed minus
computed, a derivative is that of the computed value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from survey.adjustment.equations_base import Equations, keys_of
from survey.adjustment.equations_photo import (
    EdgeEquations,
    GravityLineEquations,
    PointMarkEquations,
    TargetCornerEquations,
)
from survey.adjustment.equations_site import (
    ElevationEquations,
    LevelEdgeEquations,
    OnPlaneEquations,
    OnTargetEquations,
    PlumbEdgeEquations,
    PriorEquations,
    RodEquations,
    SameElevationEquations,
    TapeEquations,
)
from survey.adjustment.equations_tilt import (
    EdgeAngleEquations,
    SlopeEquations,
    SpotEquations,
    TargetMountEquations,
    TargetOnPlaneEquations,
)
from survey.adjustment.model import LENS, PRINT_SCALE, Array, Key, Network, Observation, State
from survey.adjustment.unknowns import Unknowns, Values

EQUATIONS: tuple[type[Equations], ...] = (
    TargetCornerEquations,
    PointMarkEquations,
    EdgeEquations,
    GravityLineEquations,
    TapeEquations,
    RodEquations,
    SlopeEquations,
    OnPlaneEquations,
    OnTargetEquations,
    SpotEquations,
    LevelEdgeEquations,
    PlumbEdgeEquations,
    TargetMountEquations,
    TargetOnPlaneEquations,
    ElevationEquations,
    SameElevationEquations,
    EdgeAngleEquations,
    PriorEquations,
)


@dataclass(frozen=True, slots=True)
class System:
    """A network compiled for one set of unknowns.

    Rows of one `group` (both pixel coordinates of a mark, both components of a lean) stand or fall
    together as one reading. `columns` is (rows, width), -1 where a row is narrower or an unknown is
    held; `observation` indexes `observations`, `kind` the names in `kinds`.
    """

    unknowns: Unknowns
    observations: tuple[Observation, ...]
    left_out: tuple[Observation, ...]  # they touch an unknown that has no starting value
    blocks: tuple[Equations, ...]
    kinds: tuple[str, ...]
    columns: np.ndarray
    sd: Array
    observation: np.ndarray
    group: np.ndarray
    group_first: np.ndarray  # first row of each group
    group_size: np.ndarray
    kind: np.ndarray

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.sd)

    @property
    def groups(self) -> int:
        """Number of readings that stand or fall alone."""
        return len(self.group_first)

    def residuals(self, values: Values) -> Array:
        """Observed minus computed, all rows, each in its own unit."""
        parts = [block.residuals(values) for block in self.blocks]
        return np.concatenate(parts) if parts else np.zeros(0)

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives.

        Returns
        -------
        residuals : (rows,) array
        derivatives : (rows, width) array
            By the tangent parameter of each column in `columns`.
        """
        residuals = np.empty(self.rows)
        derivatives = np.zeros(self.columns.shape)
        at = 0
        for block in self.blocks:
            part, slopes = block.linearise(values)
            residuals[at : at + len(part)] = part
            derivatives[at : at + len(part), : slopes.shape[1]] = slopes
            at += len(part)
        return residuals, derivatives


def complete_start(network: Network, start: State) -> State:
    """Add the interior orientation and print scale that equations read but nobody adjusts.

    A photo without a lens in `start` takes its prior as it stands, a target without a print scale
    is as large as printed: both are then held.
    """
    state = dict(start)
    for observation in network.observations:
        for key in keys_of(observation):
            kind, name = key
            if key in state:
                continue
            if kind == LENS and name in network.cameras:
                prior = network.cameras[name]
                state[key] = np.array([prior.focal, *prior.centre, prior.k1, prior.k2], dtype=float)
            elif kind == PRINT_SCALE:
                state[key] = np.ones(2)
    return state


def compile_network(
    network: Network, start: State, observations: Sequence[Observation] | None = None
) -> tuple[System, State]:
    """Sort a network into equations.

    Parameters
    ----------
    network : Network
    start : State
        Starting values. What is missing here can't be adjusted: observations that touch it are
        left out (lenses and print scales apart, which are then held at their prior).
    observations : sequence of Observation, optional
        Instead of the network's own.

    Returns
    -------
    system : System
    state : State
        `start` with the held unknowns added.
    """
    wanted = network.observations if observations is None else list(observations)
    state = complete_start(network, start)
    kept, left_out = [], []
    touched: set[Key] = set()
    for observation in wanted:
        keys = keys_of(observation)
        if all(key in state for key in keys):
            kept.append(observation)
            touched.update(keys)
        else:
            left_out.append(observation)
    adjusted = {key for key in touched if key in start}
    unknowns = Unknowns(adjusted, touched - adjusted)
    return _assemble(network, unknowns, tuple(kept), tuple(left_out)), state


def _assemble(
    network: Network,
    unknowns: Unknowns,
    kept: tuple[Observation, ...],
    left_out: tuple[Observation, ...],
) -> System:
    """Build the blocks of a system and lay their rows one after another."""
    blocks = []
    for equations in EQUATIONS:
        chosen = [(i, o) for i, o in enumerate(kept) if equations.takes(o)]
        if chosen:
            blocks.append(equations([i for i, _ in chosen], [o for _, o in chosen], unknowns))
    for block in blocks:
        block.read_cameras(network.cameras)
    width = max((block.columns.shape[1] for block in blocks), default=0)
    columns = [
        np.pad(b.columns, ((0, 0), (0, width - b.columns.shape[1])), constant_values=-1)
        for b in blocks
    ]
    groups, count = [], 0
    for block in blocks:
        groups.append(block.group + count)
        count += int(block.group[-1]) + 1
    group = np.concatenate(groups) if groups else np.zeros(0, dtype=np.int64)
    kinds = tuple(dict.fromkeys(kind for block in blocks for kind in block.kinds))
    number = {kind: i for i, kind in enumerate(kinds)}
    return System(
        unknowns=unknowns,
        observations=kept,
        left_out=left_out,
        blocks=tuple(blocks),
        kinds=kinds,
        columns=np.concatenate(columns) if columns else np.zeros((0, 0), dtype=np.int64),
        sd=np.concatenate([b.sd for b in blocks]) if blocks else np.zeros(0),
        observation=_joined([b.observation for b in blocks]),
        group=group,
        group_first=np.flatnonzero(np.diff(group, prepend=-1)),
        group_size=np.bincount(group, minlength=count),
        kind=_joined([np.array([number[k] for k in b.row_kinds()]) for b in blocks]),
    )


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    """Join index arrays, also when there are none."""
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
