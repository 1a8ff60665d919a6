"""Normal equations of a system, with most points eliminated first.

Points that share no reading with another eliminated point leave the normal matrix by 3 x 3 blocks
(the Schur complement, A1-A3 in docs/method.md); what remains, cameras, targets, planes and the
points tied to each other, is small and dense. Columns are scaled to a unit diagonal, so that pivots
and eigenvalues mean the same whatever the units.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy.linalg
import scipy.sparse

from survey.adjustment.equations import System
from survey.adjustment.model import POINT, Array

SMALL = 250  # columns; a system no larger is solved dense as it stands
WEAK_BLOCK = 1e-6  # a point whose own scaled block is weaker than this is not eliminated
CHUNK = 4000  # rows handled together when redundancies are gathered


class NotPositive(ArithmeticError):
    """The (damped) normal matrix has no Cholesky factor."""


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
        strong = _well_fixed(system, derivatives, weights, columns)
        chosen = columns[strong & _independent(system, columns)]
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
    return Partition(kept, chosen, kept_of, point_of, axis_of)


def _points_of_rows(system: System, columns: np.ndarray) -> np.ndarray:
    """For every row entry, which point (row of `columns`) it belongs to, or -1."""
    owner = np.full(system.unknowns.size + 1, -1, dtype=np.int64)
    owner[columns] = np.arange(len(columns))[:, None]
    found: np.ndarray = owner[system.columns]
    return found


def _well_fixed(
    system: System, derivatives: Array, weights: Array, columns: np.ndarray
) -> np.ndarray:
    """Whether each point would be fixed on its own, all else given."""
    owner = _points_of_rows(system, columns)
    axis = np.zeros(system.unknowns.size + 1, dtype=np.int64)
    axis[columns] = [0, 1, 2]
    blocks = np.zeros((len(columns) + 1, 3, 3))
    slopes = derivatives * np.sqrt(weights)[:, None]
    row, slot = np.nonzero(owner >= 0)
    part = np.zeros((len(owner), 3))  # the derivatives by the row's (last) point
    last = owner.max(axis=1, initial=-1)
    mine = owner[row, slot] == last[row]
    np.add.at(
        part, (row[mine], axis[system.columns[row, slot]][mine]), slopes[row[mine], slot[mine]]
    )
    for i in range(3):
        for j in range(3):
            blocks[:, i, j] = np.bincount(
                np.where(last < 0, len(columns), last),
                weights=part[:, i] * part[:, j],
                minlength=len(columns) + 1,
            )
    diagonal = np.sqrt(np.maximum(np.einsum("nii->ni", blocks[:-1]), 1e-300))
    scaled = blocks[:-1] / (diagonal[:, :, None] * diagonal[:, None, :])
    strong: np.ndarray = np.linalg.eigvalsh(scaled)[:, 0] > WEAK_BLOCK
    return strong


def _independent(system: System, columns: np.ndarray) -> np.ndarray:
    """Pick points so that no row touches two of them, those with fewest neighbours first."""
    owner = _points_of_rows(system, columns)
    high = owner.max(axis=1, initial=-1)
    low = np.where(owner < 0, len(columns), owner).min(axis=1, initial=len(columns))
    several = np.flatnonzero((high >= 0) & (low != high))
    neighbours: dict[int, set[int]] = {}
    for row in several:
        touched = {int(p) for p in owner[row] if p >= 0}
        for point in touched:
            neighbours.setdefault(point, set()).update(touched - {point})
    picked = np.ones(len(columns), dtype=bool)
    picked[list(neighbours)] = False
    for point in sorted(neighbours, key=lambda p: (len(neighbours[p]), p)):
        picked[point] = not any(picked[other] for other in neighbours[point])
    return picked


class NormalEquations:
    """Normal matrix J^T W J of a system at one state, scaled to a unit diagonal.

    Parameters
    ----------
    system : System
    partition : Partition
    derivatives : (rows, width) array
    weights : (rows,) array
    """

    def __init__(
        self, system: System, partition: Partition, derivatives: Array, weights: Array
    ) -> None:
        self.system, self.partition = system, partition
        size, kept = system.unknowns.size, partition.kept
        root = np.sqrt(weights)
        slopes = derivatives * root[:, None]
        index = np.where(system.columns < 0, size, system.columns)
        diagonal = np.bincount(index.ravel(), (slopes**2).ravel(), minlength=size + 1)[:-1]
        self.untouched = diagonal <= 0.0
        self.scale = 1.0 / np.sqrt(np.where(self.untouched, 1.0, diagonal))
        self.root, self.index = root, index
        self.slopes = slopes * np.append(self.scale, 0.0)[index]
        kept_columns = partition.kept_of[index]
        is_kept = kept_columns < len(kept)
        starts = np.concatenate([[0], np.cumsum(is_kept.sum(axis=1))])
        self.kept_rows = scipy.sparse.csr_array(
            (self.slopes[is_kept], kept_columns[is_kept], starts), shape=(system.rows, len(kept))
        )
        self.kept_block = (self.kept_rows.T @ self.kept_rows).toarray()
        self.point_of_row, self.point_rows = self._point_part()
        count = len(partition.points)
        self.own_blocks = np.zeros((count, 3, 3))
        self.cross_block = np.zeros((3 * count, len(kept)))  # B^T
        if count:
            has = self.point_of_row < count
            owner, part = self.point_of_row[has], self.point_rows[has]
            for i in range(3):
                for j in range(3):
                    self.own_blocks[:, i, j] = np.bincount(
                        owner, part[:, i] * part[:, j], minlength=count
                    )
            places = 3 * owner[:, None] + np.arange(3)
            starts = np.concatenate([[0], np.cumsum(3 * has)])
            point_rows = scipy.sparse.csr_array(
                (part.ravel(), places.ravel(), starts), shape=(system.rows, 3 * count)
            )
            self.cross_block = (point_rows.T @ self.kept_rows).toarray(order="C")

    def _point_part(self) -> tuple[np.ndarray, Array]:
        """Give each row's eliminated point (or their number) and its three derivatives."""
        point = self.partition.point_of[self.index]
        axis = self.partition.axis_of[self.index]
        count = len(self.partition.points)
        owner = point.min(axis=1, initial=count)
        part = np.empty((len(owner), 3))
        for i in range(3):
            chosen = (axis == i) & (point < count)
            part[:, i] = np.sum(self.slopes, axis=1, where=chosen)
        return owner, part

    def gradient(self, residuals: Array) -> Array:
        """J^T W r in scaled columns, (size,)."""
        weighted = residuals * self.root
        flat = np.bincount(
            self.index.ravel(),
            (self.slopes * weighted[:, None]).ravel(),
            minlength=self.system.unknowns.size + 1,
        )
        return np.asarray(flat[:-1], dtype=float)

    def factor(
        self,
        damping: float,
        pins: np.ndarray | None = None,
        eliminated: Eliminated | None = None,
    ) -> Factor:
        """Factor of the normal matrix with `damping` added to its unit diagonal.

        Parameters
        ----------
        damping : float
        pins : array of int, optional
            Indices among the kept columns that are held: minimal constraints for what is free.
        eliminated : Eliminated, optional
            Of the same damping, to save eliminating again.

        Raises
        ------
        NotPositive
            If it has none.
        """
        return Factor(self, damping, pins, eliminated)

    def times(self, vectors: Array) -> Array:
        """J (scaled, weighted) times vectors (size, k): (rows, k)."""
        padded = np.concatenate([vectors, np.zeros((1, vectors.shape[1]))])
        product = np.zeros((self.system.rows, vectors.shape[1]))
        for slot in range(self.index.shape[1]):
            product += self.slopes[:, slot, None] * padded[self.index[:, slot]]
        return product


class Eliminated(NamedTuple):
    """The normal matrix after its points are gone (A2).

    Attributes
    ----------
    own_inverse : (p, 3, 3) array
        Inverse blocks C^-1 of the points.
    carried : (3 p, kept) array
        C^-1 B^T.
    reduced : (kept, kept) array
        A - B C^-1 B^T.
    """

    own_inverse: Array
    carried: Array
    reduced: Array


def eliminate(normal: NormalEquations, damping: float) -> Eliminated:
    """Eliminate the points, with `damping` on the unit diagonal.

    Raises
    ------
    NotPositive
        If a point's own block has no inverse: its readings no longer fix it.
    """
    kept, count = len(normal.partition.kept), len(normal.partition.points)
    reduced = np.array(normal.kept_block, order="F")
    reduced[np.arange(kept), np.arange(kept)] += damping
    if count == 0:
        return Eliminated(normal.own_blocks, np.zeros((0, kept)), reduced)
    try:
        own_inverse = np.linalg.inv(normal.own_blocks + damping * np.eye(3))
        root = np.linalg.cholesky(own_inverse)  # C^-1 = root root^T, so B C^-1 B^T is a square
    except np.linalg.LinAlgError as error:
        raise NotPositive("a point's own block is not positive definite") from error
    half = np.swapaxes(root, 1, 2) @ normal.cross_block.reshape(count, 3, kept)
    carried = (root @ half).reshape(3 * count, kept)
    reduced = scipy.linalg.blas.dsyrk(
        -1.0, half.reshape(3 * count, kept).T, beta=1.0, c=reduced, lower=1, overwrite_c=1
    )
    reduced = np.tril(reduced) + np.tril(reduced, -1).T
    return Eliminated(np.asarray(own_inverse), np.asarray(carried), np.asarray(reduced))


class Factor:
    """Cholesky factor of a normal matrix by elimination of its points.

    Vectors are in scaled columns; `NormalEquations.scale` turns them into the unknowns' units.
    """

    def __init__(
        self,
        normal: NormalEquations,
        damping: float,
        pins: np.ndarray | None = None,
        eliminated: Eliminated | None = None,
    ) -> None:
        self.normal, self.partition = normal, normal.partition
        free = np.ones(len(self.partition.kept), dtype=bool)
        if pins is not None:
            free[pins] = False
        self.free = np.flatnonzero(free)
        self.cross = normal.cross_block
        done = eliminate(normal, damping) if eliminated is None else eliminated
        self.own_inverse, self.carried, reduced = done
        matrix = reduced if pins is None else reduced[np.ix_(self.free, self.free)]
        try:
            self.cholesky = scipy.linalg.cho_factor(matrix, lower=True, check_finite=False)
        except scipy.linalg.LinAlgError as error:
            raise NotPositive("normal matrix is not positive definite") from error

    def solve(self, right: Array) -> Array:
        """Solve for one (size,) or several (size, k) right sides; pinned columns come back 0."""
        single = right.ndim == 1
        columns = right[:, None] if single else right
        part = self.partition
        kept = columns[part.kept]
        out = np.zeros_like(columns)
        points = columns[part.points.ravel()]
        reduced = (kept - self.carried.T @ points)[self.free]
        found = np.zeros_like(kept)
        if len(self.free):
            found[self.free] = scipy.linalg.cho_solve(self.cholesky, reduced, check_finite=False)
        out[part.kept] = found
        if len(part.points):
            rest = (points - self.cross @ found).reshape(len(part.points), 3, -1)
            out[part.points.ravel()] = np.einsum("pij,pjk->pik", self.own_inverse, rest).reshape(
                points.shape
            )
        return out[:, 0] if single else out

    def kept_inverse(self) -> Array:
        """Inverse of the reduced matrix over all kept columns and one dummy, zeros where pinned."""
        kept = len(self.partition.kept)
        inverse = np.zeros((kept + 1, kept + 1))
        if len(self.free):
            lower, _ = self.cholesky
            small, _ = scipy.linalg.lapack.dpotri(lower, lower=1)
            small = np.tril(small) + np.tril(small, -1).T
            inverse[np.ix_(self.free, self.free)] = small
        return inverse

    def leverages(self) -> tuple[Array, Array]:
        """Share of each row in its own adjusted value, and the product with the row after it.

        Returns
        -------
        own : (rows,) array
            Diagonal of the hat matrix W^1/2 J Q J^T W^1/2; one minus it is the redundancy number.
        with_next : (rows,) array
            Its first superdiagonal (0 in the last place), for readings of two rows.
        """
        normal, part = self.normal, self.partition
        inverse = self.kept_inverse()
        kept, count = len(part.kept), len(part.points)
        # Covariance of each eliminated point with the kept columns and with itself.
        to_kept = np.zeros((count + 1, 3, kept + 1))
        own = np.zeros((count + 1, 3, 3))
        if count:
            cross = -(self.carried @ inverse[:kept])
            to_kept[:count] = cross.reshape(count, 3, kept + 1)
            carried = self.carried.reshape(count, 3, kept)
            own[:count] = self.own_inverse - to_kept[:count, :, :kept] @ np.swapaxes(carried, 1, 2)
        rows = normal.system.rows
        columns = part.kept_of[normal.index]
        slopes = np.where(columns < kept, normal.slopes, 0.0)
        points, point_rows = normal.point_of_row, normal.point_rows
        point_rows = np.where((points < count)[:, None], point_rows, 0.0)
        diagonal, beside = np.zeros(rows), np.zeros(rows)
        for first in range(0, rows, CHUNK):
            last = min(first + CHUNK + 1, rows)
            here, then = slice(first, last), slice(first + 1, last)
            a, at, p, b = columns[here], slopes[here], points[here], point_rows[here]
            # v = Q J^T of each row, at the row's own places
            blocks = inverse[a[:, :, None], a[:, None, :]]
            cross_part = to_kept[p[:, None, None], np.arange(3)[None, :, None], a[:, None, :]]
            at_kept = np.einsum("nij,nj->ni", blocks, at) + np.einsum("nij,ni->nj", cross_part, b)
            at_point = np.einsum("nij,nj->ni", cross_part, at) + np.einsum("nij,nj->ni", own[p], b)
            diagonal[here] = np.sum(at * at_kept, axis=1) + np.sum(b * at_point, axis=1)
            same = np.all(normal.index[first : last - 1] == normal.index[then], axis=1)
            product = np.sum(slopes[then] * at_kept[:-1], axis=1)
            product += np.sum(point_rows[then] * at_point[:-1], axis=1)
            beside[first : last - 1] = np.where(same, product, 0.0)
        return diagonal, beside
