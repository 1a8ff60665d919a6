"""What the observations leave free: null space, datum, minimal constraints."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg
import scipy.sparse
import scipy.sparse.csgraph

from survey.adjustment.equations import System
from survey.adjustment.model import (
    CAMERA,
    PLANE,
    POINT,
    SETUP,
    TARGET,
    WATER_LEVEL,
    Array,
    Key,
)
from survey.adjustment.normal import Eliminated, NormalEquations
from survey.adjustment.unknowns import Values, datum_directions

# Eigenvalue of the scaled normal matrix under which a combination of unknowns counts as free: its
# sd would be 3e5 times that of an unknown with all else given. Rounding leaves about 1e-14; the
# weakest combination that is really observed (a 3 % print scale among 1e4 pixels) about 1e-8.
FREE = 1e-11
# Share of a function's gradient that may lie along free combinations: central differences leave
# 1e-8 and less.
ESTIMABLE = 1e-5
# Share of a tilt or enlargement in a free direction that is no more than mixing: where plumb edges
# lean, their two rows turn into each other with azimuth, which so seems observed a little.
MIXED = 0.03
TILTS, AZIMUTH, ENLARGEMENT = (3, 4), 5, 6  # columns of `datum_directions`
# What a datum moves; the print scales of a part's targets go with it.
PLACED = (CAMERA, TARGET, PLANE, POINT, SETUP, WATER_LEVEL)


@dataclass(frozen=True, slots=True)
class FreeSpace:
    """What nothing fixes, in scaled columns.

    Attributes
    ----------
    basis : (size, k) array
        Orthonormal combinations of unknowns that no observation changes with.
    pins : (k,) array of int
        Kept columns (indices among them) to hold: minimal constraints.
    """

    basis: Array
    pins: np.ndarray


def find_free_space(normal: NormalEquations, eliminated: Eliminated) -> FreeSpace:
    """Null space of the scaled normal matrix, and columns whose holding removes it.

    The eigenvectors of the reduced matrix below `FREE` carry over to the eliminated points; the
    held columns are picked by column-pivoted QR of the basis.
    """
    partition = normal.partition
    size = normal.system.unknowns.size
    reduced = eliminated.reduced
    if len(reduced) == 0:
        return FreeSpace(np.zeros((size, 0)), np.zeros(0, dtype=np.int64))
    _, kept = scipy.linalg.eigh(
        reduced, subset_by_value=(-np.inf, FREE), check_finite=False, driver="evr"
    )
    if kept.shape[1] == 0:
        return FreeSpace(np.zeros((size, 0)), np.zeros(0, dtype=np.int64))
    _, _, order = scipy.linalg.qr(kept.T, mode="economic", pivoting=True)
    basis = np.zeros((size, kept.shape[1]))
    basis[partition.kept] = kept
    basis[partition.points.ravel()] = -eliminated.carried @ kept
    basis, _ = np.linalg.qr(basis)
    return FreeSpace(basis, np.sort(order[: kept.shape[1]]))


def is_estimable(gradients: Array, free: FreeSpace) -> np.ndarray:
    """Whether functions stand still along everything that is free.

    Parameters
    ----------
    gradients : (f, size) array
        By the scaled columns.
    free : FreeSpace

    Returns
    -------
    (f,) array of bool
    """
    along = np.linalg.norm(gradients @ free.basis, axis=1)
    whole = np.linalg.norm(gradients, axis=1)
    still: np.ndarray = along <= ESTIMABLE * whole
    return still


@dataclass(frozen=True, slots=True)
class Datum:
    """Which shifts, turns and enlargement of the whole site nothing fixes.

    `directions` (size, k) spans them in scaled columns, orthonormal; `gravity`, `scale` tell
    whether tilts and enlargement are observed.
    """

    directions: Array
    gravity: bool
    scale: bool


def find_datum(normal: NormalEquations, values: Values, part: np.ndarray) -> Datum:
    """Test the seven datum directions of one connected part of the site.

    Parameters
    ----------
    normal : NormalEquations
    values : Values
    part : (size,) array of bool
        Columns of that part.
    """
    moves = datum_directions(normal.system.unknowns, values) / normal.scale[:, None]
    moves[normal.untouched | ~part] = 0.0
    length = np.linalg.norm(moves, axis=0)
    moves = moves / np.where(length > 0, length, 1.0)
    seen = normal.times(moves)
    eigenvalues, vectors = np.linalg.eigh(seen.T @ seen)
    idle = length == 0.0  # nothing moves: heights alone are along gravity as they stand
    free = vectors[:, eigenvalues < FREE]
    free = free[:, np.linalg.norm(free[~idle], axis=0) > 1e-6]
    free[idle] = 0.0
    weight = np.abs(free).max(axis=1, initial=0.0)
    directions = moves @ free
    if directions.shape[1]:
        left, singular, _ = np.linalg.svd(directions, full_matrices=False)
        directions = left[:, singular > 1e-6 * singular[0]]
    return Datum(
        directions,
        gravity=bool(max(weight[t] for t in TILTS) < MIXED),
        scale=bool(weight[ENLARGEMENT] < MIXED),
    )


def connected_parts(system: System, used: np.ndarray) -> list[list[Key]]:
    """Parts of the site that no observation ties to each other, the largest first.

    Lenses and print scales tie nothing: a shared camera says nothing of where photos stand.

    Parameters
    ----------
    system : System
    used : (rows,) array of bool
    """
    keys = system.unknowns.keys
    number = {key: i for i, key in enumerate(keys)}
    owner = np.array([number[key] for key in system.unknowns.column_keys()] + [-1])
    placed = np.array([key[0] in PLACED for key in keys] + [False])
    touched = owner[system.columns[used]] if len(keys) else np.zeros((0, 0), dtype=np.int64)
    touched = np.where(placed[touched], touched, -1)
    first = touched.max(axis=1, initial=-1)
    row, slot = np.nonzero((touched >= 0) & (touched != first[:, None]))
    links = scipy.sparse.coo_array(
        (np.ones(len(row)), (first[row], touched[row, slot])), shape=(len(keys), len(keys))
    )
    _, label = scipy.sparse.csgraph.connected_components(links, directed=False)
    parts: dict[int, list[Key]] = {}
    for key, part in zip(keys, label, strict=True):
        if key[0] in PLACED:
            parts.setdefault(int(part), []).append(key)
    return sorted(parts.values(), key=lambda part: (-len(part), part[0]))
