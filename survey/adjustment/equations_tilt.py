"""Observations of direction without a camera: slopes, mounts, angles, spots placed by tape."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from survey.adjustment.equations_base import Equations, columns_of, rows_of, unit
from survey.adjustment.equations_site import Z, exact_sds
from survey.adjustment.model import (
    PLANE,
    POINT,
    TARGET,
    Array,
    EdgeAngle,
    Observation,
    SlopeOfPlane,
    SpotOnPlane,
    TargetMount,
    TargetOnPlane,
)
from survey.adjustment.unknowns import Unknowns, Values
from survey.geometry.rotations import cross_matrix, tangent_basis

NEARLY_PARALLEL = 0.2  # radians; under it an angle between edges is observed by two components


class SlopeEquations(Equations):
    """E14: angle = atan2(-n_xy . h, n_z), h the horizontal unit direction of the straightedge.

    Without a direction: angle = atan2(|n_xy|, n_z), the steepest fall. That is the first with h
    against n_xy, which is square to its own change, so both share their derivative by the normal.
    """

    accepts = SlopeOfPlane
    kinds = ("slope reading",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        slopes = [o for o in observations if isinstance(o, SlopeOfPlane)]
        count = len(slopes)
        self.observation = np.asarray(indices, dtype=np.int64)
        self.group = np.arange(count)
        self.plane = rows_of([(PLANE, o.plane) for o in slopes], unknowns)
        self.value = np.array([o.value for o in slopes], dtype=float)
        self.sd = exact_sds([o.sd for o in slopes])
        ends = [(o.start, o.end) for o in slopes]
        self.directed = np.array([a is not None and b is not None for a, b in ends])
        pairs = [(a, b) for a, b in ends if a is not None and b is not None]
        self.first = rows_of([(POINT, a) for a, _ in pairs], unknowns)
        self.last = rows_of([(POINT, b) for _, b in pairs], unknowns)
        across = np.full((count, 4), -1, dtype=np.int64)
        across[self.directed, :2] = columns_of(POINT, self.first, unknowns)[:, :2]
        across[self.directed, 2:] = columns_of(POINT, self.last, unknowns)[:, :2]
        tilt = columns_of(PLANE, self.plane, unknowns)[:, :2]
        self.columns = np.concatenate([tilt, across], axis=1)

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        normal = values.normal[self.plane]
        heading, _ = unit(-normal[:, :2])
        heading[~np.any(heading, axis=1)] = (1.0, 0.0)  # dead level: any direction is steepest
        points = values.vector[POINT][:, :2]
        along, run = unit(points[self.last] - points[self.first])
        heading[self.directed] = along
        rise = -np.sum(normal[:, :2] * heading, axis=1)
        over = normal[:, Z]
        square = rise**2 + over**2
        by_rise, by_over = over / square, -rise / square
        basis = tangent_basis(normal)
        by_tilt = by_over[:, None] * basis[:, Z, :]
        by_tilt -= by_rise[:, None] * np.einsum("ni,nij->nj", heading, basis[:, :2, :])
        derivatives = np.zeros((len(rise), 6))
        derivatives[:, :2] = by_tilt
        side = np.stack([-along[:, 1], along[:, 0]], axis=1)
        turned = -np.sum(normal[self.directed, :2] * side, axis=1) * by_rise[self.directed]
        by_end = (turned / np.where(run > 0, run, 1.0))[:, None] * side
        derivatives[self.directed, 2:4] = -by_end
        derivatives[self.directed, 4:] = by_end
        return self.value - np.arctan2(rise, over), derivatives


class SpotEquations(Equations):
    """E15: along = (X - O) . u, up = (X - O) . v; u = unit(D - O), v = unit(n x u).

    Two readings: the tape along the line and the tape square to it fail one at a time.
    """

    accepts = SpotOnPlane
    kinds = ("spot by tape",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        spots = [o for o in observations if isinstance(o, SpotOnPlane)]
        self.observation = np.repeat(np.asarray(indices, dtype=np.int64), 2)
        self.group = np.arange(2 * len(spots))
        self.plane = rows_of([(PLANE, o.plane) for o in spots], unknowns)
        self.point = rows_of([(POINT, o.point) for o in spots], unknowns)
        self.origin = rows_of([(POINT, o.origin) for o in spots], unknowns)
        self.ahead = rows_of([(POINT, o.direction) for o in spots], unknowns)
        self.value = np.array([(o.along, o.up) for o in spots], dtype=float)
        self.sd = np.repeat(exact_sds([o.sd for o in spots]), 2)
        columns = np.concatenate(
            [
                columns_of(PLANE, self.plane, unknowns)[:, :2],
                columns_of(POINT, self.point, unknowns),
                columns_of(POINT, self.origin, unknowns),
                columns_of(POINT, self.ahead, unknowns),
            ],
            axis=1,
        )
        self.columns = np.repeat(columns, 2, axis=0)

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        points = values.vector[POINT]
        normal = values.normal[self.plane]
        arm = points[self.point] - points[self.origin]
        u, length = unit(points[self.ahead] - points[self.origin])
        v, breadth = unit(np.cross(normal, u))
        computed = np.stack([np.sum(arm * u, axis=1), np.sum(arm * v, axis=1)], axis=1)
        by_u = arm - computed[:, :1] * u  # d along by the end of u, times its length
        by_u /= length[:, None]
        off_v = (arm - computed[:, 1:] * v) / breadth[:, None]  # d up by n x u
        up_by_u = np.cross(off_v, normal)
        up_by_u = (up_by_u - np.sum(up_by_u * u, axis=1, keepdims=True) * u) / length[:, None]
        up_by_normal = np.cross(u, off_v)
        derivatives = np.zeros((len(arm), 2, 11))
        tilt = np.einsum("ni,nij->nj", up_by_normal, tangent_basis(normal))
        derivatives[:, 1, :2] = tilt
        for row, axis, turn in ((0, u, by_u), (1, v, up_by_u)):
            derivatives[:, row, 2:5] = axis
            derivatives[:, row, 5:8] = -axis - turn
            derivatives[:, row, 8:11] = turn
        return (self.value - computed).ravel(), derivatives.reshape(-1, 11)


class TargetMountEquations(Equations):
    """E16: a board's axis is horizontal (0 = a_z) or vertical (0 = a_x, a_y), radians."""

    accepts = TargetMount
    kinds = ("target mount",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        which, axes, components, groups, sds, names = [], [], [], [], [], []
        for group, (index, mount) in enumerate(zip(indices, observations, strict=True)):
            assert isinstance(mount, TargetMount)
            for component in (Z,) if mount.is_level else (0, 1):
                which.append(index)
                axes.append({"x": 0, "normal": Z}[mount.axis])
                components.append(component)
                groups.append(group)
                sds.append(mount.sd)
                names.append((TARGET, mount.target))
        self.observation = np.array(which, dtype=np.int64)
        self.group = np.array(groups, dtype=np.int64)
        self.axis = np.array(axes, dtype=np.int64)
        self.component = np.array(components, dtype=np.int64)
        self.sd = exact_sds(sds)
        self.target = rows_of(names, unknowns)
        self.columns = columns_of(TARGET, self.target, unknowns)[:, :3]

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        rotation = values.rotation[TARGET][self.target]
        row = np.arange(len(self.sd))
        site_row = rotation[row, self.component]  # e_component^T R
        # e^T R exp(w) e_axis: derivative e^T R (w x e_axis) = (e_axis x R^T e) . w
        derivatives = np.cross(np.eye(3)[self.axis], site_row)
        return -site_row[row, self.axis], derivatives


class TargetOnPlaneEquations(Equations):
    """E17: 0 = (R e_x . n, R e_y . n), one reading; thickness = n . place + d, another."""

    accepts = TargetOnPlane
    kinds = ("target on plane",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        boards = [o for o in observations if isinstance(o, TargetOnPlane)]
        count = len(boards)
        self.observation = np.repeat(np.asarray(indices, dtype=np.int64), 3)
        self.group = (2 * np.arange(count)[:, None] + [0, 0, 1]).ravel()
        self.target = rows_of([(TARGET, o.target) for o in boards], unknowns)
        self.plane = rows_of([(PLANE, o.plane) for o in boards], unknowns)
        self.thickness = np.array([o.thickness for o in boards], dtype=float)
        sds = [sd for o in boards for sd in (o.tilt_sd, o.tilt_sd, o.thickness_sd)]
        self.sd = exact_sds(sds)
        columns = np.concatenate(
            [
                columns_of(TARGET, self.target, unknowns),
                columns_of(PLANE, self.plane, unknowns),
            ],
            axis=1,
        )
        self.columns = np.repeat(columns, 3, axis=0)

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        rotation = values.rotation[TARGET][self.target]
        place = values.place[TARGET][self.target]
        normal = values.normal[self.plane]
        basis = tangent_basis(normal)
        own = np.einsum("nji,nj->ni", rotation, normal)  # R^T n
        residuals = np.empty((len(own), 3))
        residuals[:, :2] = -own[:, :2]
        residuals[:, 2] = (
            self.thickness - np.sum(normal * place, axis=1) - values.offset[self.plane]
        )
        derivatives = np.zeros((len(own), 3, 9))
        # R^T n turns by -w x own: the rows of cross_matrix(own)
        derivatives[:, :2, :3] = cross_matrix(own)[:, :2, :]
        derivatives[:, :2, 6:8] = (np.swapaxes(rotation, 1, 2) @ basis)[:, :2, :]
        derivatives[:, 2, 3:6] = normal
        derivatives[:, 2, 6:8] = np.einsum("ni,nij->nj", place, basis)
        derivatives[:, 2, 8] = 1.0
        return residuals.ravel(), derivatives.reshape(-1, 9)


class EdgeAngleEquations(Equations):
    """E18: angle between two edges' directions, edges taken without sense.

    Nearly parallel ones have no derivative of their angle, so there the second direction's two
    components square to the first are observed instead (0, whatever small angle was written).
    """

    accepts = EdgeAngle
    kinds = ("edge angle",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        which, groups, component, names, sds, values = [], [], [], [], [], []
        for group, (index, angle) in enumerate(zip(indices, observations, strict=True)):
            assert isinstance(angle, EdgeAngle)
            folded = min(angle.value, np.pi - angle.value)
            for part in (0, 1) if folded < NEARLY_PARALLEL else (2,):
                which.append(index)
                groups.append(group)
                component.append(part)
                sds.append(angle.sd)
                values.append(folded)
                names.append((*angle.first, *angle.second))
        self.observation = np.array(which, dtype=np.int64)
        self.group = np.array(groups, dtype=np.int64)
        self.component = np.array(component, dtype=np.int64)
        self.sd = exact_sds(sds)
        self.value = np.array(values, dtype=float)
        self.ends = [rows_of([(POINT, n[i]) for n in names], unknowns) for i in range(4)]
        self.columns = np.concatenate([columns_of(POINT, r, unknowns) for r in self.ends], axis=1)

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        points = values.vector[POINT]
        a, b, c, d = (points[rows] for rows in self.ends)
        u, first_length = unit(b - a)
        v, second_length = unit(d - c)
        sense = np.where(np.sum(u * v, axis=1) < 0, -1.0, 1.0)
        v = v * sense[:, None]
        parallel = self.component < 2
        part = np.where(parallel, self.component, 0)
        row = np.arange(len(u))
        basis = tangent_basis(u)
        square = basis[row, :, part]
        cosine = np.sum(u * v, axis=1)
        sine = np.maximum(np.linalg.norm(np.cross(u, v), axis=1), 1e-12)
        computed = np.where(parallel, np.sum(square * v, axis=1), np.arctan2(sine, cosine))
        goal = np.where(parallel, 0.0, self.value)
        by_u = np.where(
            parallel[:, None],
            _basis_turn(u, part, v),
            (cosine[:, None] * u - v) / sine[:, None],
        )
        by_v = np.where(parallel[:, None], square, (cosine[:, None] * v - u) / sine[:, None])
        by_u = by_u - np.sum(by_u * u, axis=1, keepdims=True) * u
        by_v = by_v - np.sum(by_v * v, axis=1, keepdims=True) * v
        by_b = by_u / first_length[:, None]
        by_d = by_v * (sense / second_length)[:, None]
        return goal - computed, np.concatenate([-by_b, by_b, -by_d, by_d], axis=1)


def _basis_turn(normals: Array, part: np.ndarray, vectors: Array) -> Array:
    """Differentiate ``tangent_basis(n)[:, part] . vector`` by n, (n, 3), n taken as free."""
    x, y, z = normals.T
    sign = np.where(z < 0, -1.0, 1.0)
    a = -1.0 / (sign + z)
    by_z = a * a  # d a / d z
    vx, vy, vz = vectors.T
    first = np.stack(
        [
            sign * 2 * x * a * vx + sign * y * a * vy - sign * vz,
            sign * x * a * vy,
            sign * x * x * by_z * vx + sign * x * y * by_z * vy,
        ],
        axis=1,
    )
    second = np.stack(
        [y * a * vx, x * a * vx + 2 * y * a * vy - vz, x * y * by_z * vx + y * y * by_z * vy],
        axis=1,
    )
    turn: Array = np.where(part[:, None] == 0, first, second)
    return turn
