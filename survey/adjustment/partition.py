"""Which points leave the normal matrix first, and the pattern that its rows then have.

Points that share no reading with another eliminated point leave by 3 x 3 blocks (the Schur
complement, A1-A3 in docs/method.md). Many rows touch the same columns that stay (all corners of one
sighting, all marks in one photo): they are gathered once, so that each such set of rows enters the
normal matrix as one small matrix product.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.model import POINT, Array

SMALL = 250  # columns; a system no larger is solved dense as it stands
WEAK_BLOCK = 1e-6  # a point whose own scaled block is weaker than this is not eliminated
# Odd multipliers of a row's columns; rows whose sums agree are checked to be alike.
MIXING = np.random.default_rng(7).integers(1, 2**62, 64, dtype=np.int64) | 1


@dataclass(frozen=True, slots=True)
class RowSet:
    """Rows that touch the same kept columns: places `first` to `last` in `RowPattern.order`.

    The columns, indices among the kept ones, stand in the `width` slots from `slot` on.
    """

    first: int
    last: int
    slot: int
    width: int
    columns: np.ndarray


@dataclass(frozen=True, slots=True)
class RowPattern:
    """What of the rows does not change with the state.

    Attributes
    ----------
    kept_columns : (rows, width) array
        Index among the kept columns; their number where a slot is none.
    point : (rows,) array
        The eliminated point each row touches; their number for none.
    point_slots : (rows, 3) array
        Where its three derivatives stand; `width` for none.
    order : (rows,) array
        Rows by set.
    sets : tuple of RowSet
    places : array of int
        Where in the kept block, with a last row and column for slots that are none and
        flattened, the products of every set's columns belong.
    touching : array of int
        Rows that touch an eliminated point.
    cross_places : array of int
        Where in the points' cross block, with a last column for slots that are none and
        flattened, the products of those rows' point and kept entries belong.
    """

    kept_columns: np.ndarray
    point: np.ndarray
    point_slots: np.ndarray
    order: np.ndarray
    sets: tuple[RowSet, ...]
    places: np.ndarray
    touching: np.ndarray
    cross_places: np.ndarray


@dataclass(frozen=True, slots=True)
class Partition:
    """Which columns stay (`kept`) and which points are eliminated (`points`, three columns each).

    `kept_of`, `point_of` and `axis_of` tell for every column, and for the dummy column -1, where it
    went: an index among `kept` (or its length), an index among `points` (or its length), 0 to 2.
    """

    kept: np.ndarray
    points: np.ndarray  # (p, 3) columns
    kept_of: np.ndarray
    point_of: np.ndarray
    axis_of: np.ndarray
    index: np.ndarray  # (rows, width): the system's columns, `size` where there is none
    pattern: RowPattern = field(repr=False)


def choose_partition(
    system: System, derivatives: Array, weights: Array, *, eliminate_points: bool = True
) -> Partition:
    """Choose the points to eliminate.

    Parameters
    ----------
    system : System
    derivatives : (rows, width) array
    weights : (rows,) array
        One over variance, 0 for a row set aside.
    eliminate_points : bool
        False: every column stays.
    """
    size = system.unknowns.size
    columns = system.unknowns.kind_columns[POINT]
    columns = columns[columns[:, 0] >= 0]
    chosen = np.zeros((0, 3), dtype=np.int64)
    if eliminate_points and size > SMALL and len(columns):
        owner = _points_of_rows(system, columns)
        strong = _well_fixed(system, derivatives, weights, columns, owner)
        chosen = columns[strong & _independent(owner, len(columns))]
    kept_of = np.full(size + 1, -1, dtype=np.int64)
    point_of = np.full(size + 1, len(chosen), dtype=np.int64)
    axis_of = np.zeros(size + 1, dtype=np.int64)
    out = np.zeros(size + 1, dtype=bool)
    out[chosen] = True
    out[-1] = True
    kept = np.flatnonzero(~out)
    kept_of[:] = len(kept)
    kept_of[kept] = np.arange(len(kept))
    point_of[chosen] = np.arange(len(chosen))[:, None]
    axis_of[chosen] = [0, 1, 2]
    index = np.where(system.columns < 0, size, system.columns)
    pattern = _row_pattern(index, kept_of, point_of, axis_of, len(kept), len(chosen))
    return Partition(kept, chosen, kept_of, point_of, axis_of, index, pattern)


def _points_of_rows(system: System, columns: np.ndarray) -> np.ndarray:
    """For every row entry, which point (row of `columns`) it belongs to, or -1."""
    owner = np.full(system.unknowns.size + 1, -1, dtype=np.int64)
    owner[columns] = np.arange(len(columns))[:, None]
    found: np.ndarray = owner[system.columns]
    return found


def _well_fixed(
    system: System, derivatives: Array, weights: Array, columns: np.ndarray, owner: np.ndarray
) -> np.ndarray:
    """Whether each point would be fixed on its own, all else given."""
    axis = np.zeros(system.unknowns.size + 1, dtype=np.int64)
    axis[columns] = [0, 1, 2]
    row, slot = np.nonzero((owner >= 0) & (weights > 0)[:, None])
    point = owner[row, slot]
    other = (np.diff(row, prepend=-1) != 0) | (np.diff(point, prepend=-1) != 0)
    which = np.cumsum(other) - 1
    part = np.zeros((int(np.count_nonzero(other)), 3))  # derivatives of one row by one point
    part[which, axis[system.columns[row, slot]]] = derivatives[row, slot] * np.sqrt(weights[row])
    point = point[other]
    blocks = np.zeros((len(columns), 3, 3))
    for i in range(3):
        for j in range(i + 1):
            product = np.bincount(point, part[:, i] * part[:, j], minlength=len(columns))
            blocks[:, i, j] = blocks[:, j, i] = product
    diagonal = np.sqrt(np.maximum(np.einsum("nii->ni", blocks), 1e-300))
    scaled = blocks / (diagonal[:, :, None] * diagonal[:, None, :])
    strong: np.ndarray = np.linalg.eigvalsh(scaled)[:, 0] > WEAK_BLOCK
    return strong


def _independent(owner: np.ndarray, count: int) -> np.ndarray:
    """Pick points so that no row touches two of them, those with fewest neighbours first.

    A point that a row touches twice is not picked either.
    """
    high = owner.max(axis=1, initial=-1)
    low = np.where(owner < 0, count, owner).min(axis=1, initial=count)
    several = owner[(high >= 0) & (low != high)]
    neighbours: dict[int, set[int]] = {}
    for entries in {tuple(row) for row in several.tolist()}:
        touched = set(entries) - {-1}
        for point in touched:
            neighbours.setdefault(point, set()).update(touched - {point})
    picked = np.ones(count, dtype=bool)
    picked[list(neighbours)] = False
    for point in sorted(neighbours, key=lambda p: (len(neighbours[p]), p)):
        picked[point] = not any(picked[other] for other in neighbours[point])
    ordered = np.sort(owner, axis=1)
    if ordered.shape[1] > 3:
        twice = ordered[:, 3:] == ordered[:, :-3]
        picked[ordered[:, 3:][twice & (ordered[:, 3:] >= 0)]] = False
    return picked


def _row_pattern(
    index: np.ndarray,
    kept_of: np.ndarray,
    point_of: np.ndarray,
    axis_of: np.ndarray,
    kept: int,
    count: int,
) -> RowPattern:
    """Sort rows by the kept columns they touch, and find their eliminated points."""
    rows, width = index.shape
    kept_columns = kept_of[index]
    point = np.full(rows, count, dtype=np.int64)
    point_slots = np.full((rows, 3), width, dtype=np.int64)
    if count:
        owner = point_of[index]
        row, slot = np.nonzero(owner < count)
        point[row] = owner[row, slot]
        point_slots[row, axis_of[index[row, slot]]] = slot
    order, starts = _alike(kept_columns)
    sets = []
    for first, last in zip(starts, [*starts[1:], rows][: len(starts)], strict=True):
        slots = np.flatnonzero(kept_columns[order[first]] < kept)
        if len(slots):
            begin, end = int(slots[0]), int(slots[-1]) + 1
            columns = kept_columns[order[first], begin:end]
            sets.append(RowSet(first, last, begin, end - begin, columns))
    places = [(s.columns[:, None] * (kept + 1) + s.columns).ravel() for s in sets]
    touching = np.flatnonzero(point < count)
    own = (3 * point[touching, None] + np.arange(3))[:, :, None]
    cross_places = own * (kept + 1) + kept_columns[touching, None, :]
    return RowPattern(
        kept_columns,
        point,
        point_slots,
        order,
        tuple(sets),
        np.concatenate(places) if places else np.zeros(0, dtype=np.int64),
        touching,
        cross_places.ravel(),
    )


def _alike(columns: np.ndarray) -> tuple[np.ndarray, list[int]]:
    """Order that brings equal rows together, and where in it each set of them starts."""
    if len(columns) == 0:
        return np.zeros(0, dtype=np.int64), []
    with np.errstate(over="ignore"):
        sums = (columns + 1) @ MIXING[: columns.shape[1]]
    order = np.argsort(sums, kind="stable")
    ordered = columns[order]
    new = np.any(ordered[1:] != ordered[:-1], axis=1)
    return order, [0, *(np.flatnonzero(new) + 1).tolist()]
