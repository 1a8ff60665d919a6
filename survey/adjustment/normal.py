"""Normal equations of a system, with most points eliminated first.

What the points leave behind, cameras, targets, planes and the points tied to each other, is small
and dense. Columns are scaled to a unit diagonal, so that pivots and eigenvalues mean the same
whatever the units.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import scipy.linalg

from survey.adjustment.equations import System
from survey.adjustment.model import Array
from survey.adjustment.partition import Partition


class NotPositive(ArithmeticError):
    """The (damped) normal matrix has no Cholesky factor."""


class NormalEquations:
    """Normal matrix J^T W J of a system at one state, scaled to a unit diagonal.

    Parameters
    ----------
    system : System
    partition : Partition
    derivatives : (rows, width) array
    weights : (rows,) array

    Attributes
    ----------
    slopes : (rows, width) array
        Derivatives, weighted and by the scaled columns.
    kept_block : (kept, kept) array
        A, its lower triangle alone.
    own_blocks : (p, 3, 3) array
        C, of the eliminated points.
    cross_block : (3 p, kept) array
        B^T.
    """

    def __init__(
        self, system: System, partition: Partition, derivatives: Array, weights: Array
    ) -> None:
        self.system, self.partition = system, partition
        size = system.unknowns.size
        root = np.sqrt(weights)
        slopes = derivatives * root[:, None]
        index = partition.index
        diagonal = np.bincount(index.ravel(), (slopes**2).ravel(), minlength=size + 1)[:-1]
        self.untouched = diagonal <= 0.0
        self.scale = 1.0 / np.sqrt(np.where(self.untouched, 1.0, diagonal))
        self.root, self.index = root, index
        self.slopes = slopes * np.append(self.scale, 0.0)[index]
        self.kept_block = self._kept_block()
        self.point_rows = self._point_rows()
        self.own_blocks, self.cross_block = self._point_blocks()

    def _kept_block(self) -> Array:
        """Sum of the products of all rows' kept entries, one matrix product a set of rows."""
        kept, pattern = len(self.partition.kept), self.partition.pattern
        ordered = self.slopes[pattern.order]
        products = []
        for rows in pattern.sets:
            part = ordered[rows.first : rows.last, rows.slot : rows.slot + rows.width]
            products.append((part.T @ part).ravel())
        if not products:
            return np.zeros((kept, kept))
        summed = np.bincount(pattern.places, np.concatenate(products), minlength=(kept + 1) ** 2)
        return np.asarray(summed.reshape(kept + 1, kept + 1)[:-1, :-1], dtype=float)

    def _point_rows(self) -> Array:
        """Give each row's three derivatives by its eliminated point, (rows, 3)."""
        padded = np.concatenate([self.slopes, np.zeros((len(self.slopes), 1))], axis=1)
        return np.take_along_axis(padded, self.partition.pattern.point_slots, axis=1)

    def _point_blocks(self) -> tuple[Array, Array]:
        """Products of the points' own entries, and of those with the kept entries."""
        kept, count = len(self.partition.kept), len(self.partition.points)
        pattern = self.partition.pattern
        rows = pattern.touching
        owner, part = pattern.point[rows], self.point_rows[rows]
        own = np.zeros((count, 3, 3))
        cross = np.zeros((3 * count, kept))
        if count == 0:
            return own, cross
        for i in range(3):
            for j in range(i + 1):
                product = np.bincount(owner, part[:, i] * part[:, j], minlength=count)
                own[:, i, j] = own[:, j, i] = product
        values = part[:, :, None] * self.slopes[rows][:, None, :]
        summed = np.bincount(
            pattern.cross_places, values.ravel(), minlength=3 * count * (kept + 1)
        ).reshape(3 * count, kept + 1)
        cross[:] = summed[:, :-1]
        return own, cross

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
        A - B C^-1 B^T, its lower triangle alone.
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
        lower, failed = scipy.linalg.lapack.dpotrf(matrix, lower=1, clean=0)
        if failed:
            raise NotPositive("normal matrix is not positive definite")
        self.cholesky = (lower, True)

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
        normal, pattern = self.normal, self.partition.pattern
        inverse = self.kept_inverse()
        ordered = normal.slopes[pattern.order]
        product = np.zeros_like(ordered)  # Q J^T of each row, at the row's own places
        for rows in pattern.sets:
            here, at = slice(rows.first, rows.last), slice(rows.slot, rows.slot + rows.width)
            block = inverse[rows.columns[:, None], rows.columns]
            product[here, at] = ordered[here, at] @ block
        at_kept = np.empty_like(product)
        at_kept[pattern.order] = product
        at_point = np.zeros((len(ordered), 3))
        if len(pattern.touching):
            self._add_points(inverse, at_kept, at_point)
        slopes = np.where(pattern.kept_columns < len(self.partition.kept), normal.slopes, 0.0)
        points = normal.point_rows
        diagonal = np.sum(slopes * at_kept, axis=1) + np.sum(points * at_point, axis=1)
        same = np.all(normal.index[:-1] == normal.index[1:], axis=1)
        beside = np.sum(slopes[1:] * at_kept[:-1], axis=1)
        beside += np.sum(points[1:] * at_point[:-1], axis=1)
        return diagonal, np.append(np.where(same, beside, 0.0), np.zeros(len(diagonal[:1])))

    def _add_points(self, inverse: Array, at_kept: Array, at_point: Array) -> None:
        """Add the eliminated points' part to Q J^T of each row, at kept columns and points."""
        pattern, count = self.partition.pattern, len(self.partition.points)
        kept = len(self.partition.kept)
        # Covariance of each eliminated point with the kept columns and with itself.
        to_kept = -(self.carried @ inverse[:kept]).reshape(count, 3, kept + 1)
        carried = self.carried.reshape(count, 3, kept)
        own = self.own_inverse - to_kept[:, :, :kept] @ np.swapaxes(carried, 1, 2)
        rows = pattern.touching
        point, part = pattern.point[rows], self.normal.point_rows[rows]
        columns = pattern.kept_columns[rows]
        slopes = np.where(columns < kept, self.normal.slopes[rows], 0.0)
        flat = to_kept.reshape(-1)
        start = (3 * point[:, None] + np.arange(3))[:, :, None] * (kept + 1)
        cross = flat[start + columns[:, None, :]]
        at_kept[rows] += np.matmul(part[:, None, :], cross)[:, 0]
        at_point[rows] = np.matmul(cross, slopes[:, :, None])[:, :, 0]
        at_point[rows] += np.matmul(own[point], part[:, :, None])[:, :, 0]
