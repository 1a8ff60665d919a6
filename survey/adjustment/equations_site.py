"""Observations without a camera that need no angle: tapes, rods, elevations, surfaces, priors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from survey.adjustment.equations_base import (
    EXACT_SD,
    FIELD,
    Equations,
    columns_of,
    rows_of,
    unit,
)
from survey.adjustment.model import (
    LENS,
    LENS_MEAN,
    PLANE,
    POINT,
    PRINT_SCALE,
    SETUP,
    TARGET,
    WATER_LEVEL,
    Array,
    Elevation,
    LevelEdge,
    Observation,
    OnSurface,
    PlumbEdge,
    Prior,
    RodHeight,
    SameElevation,
    TapeLength,
)
from survey.adjustment.unknowns import Unknowns, Values
from survey.geometry.rotations import tangent_basis

LEAST_RISE = 1e-3  # metres; a plumb edge lower than this has no direction
Z = 2  # the up axis
PRIOR_KINDS = {PRINT_SCALE: "print scale prior", LENS: "lens prior", LENS_MEAN: "lens prior"}


def exact_sds(sds: Sequence[float]) -> Array:
    """Give standard deviations with 0 (exactly known) made small but finite."""
    finite: Array = np.maximum(np.array(sds, dtype=float), EXACT_SD)
    return finite


class TapeEquations(Equations):
    """E5: length = |X_a - X_b|."""

    accepts = TapeLength
    kinds = ("tape length",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        tapes = [o for o in observations if isinstance(o, TapeLength)]
        self.observation = np.asarray(indices, dtype=np.int64)
        self.group = np.arange(len(tapes))
        self.first = rows_of([(POINT, o.start) for o in tapes], unknowns)
        self.last = rows_of([(POINT, o.end) for o in tapes], unknowns)
        self.value = np.array([o.value for o in tapes], dtype=float)
        self.sd = exact_sds([o.sd for o in tapes])
        self.columns = np.concatenate(
            [columns_of(POINT, self.first, unknowns), columns_of(POINT, self.last, unknowns)],
            axis=1,
        )

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        points = values.vector[POINT]
        along, length = unit(points[self.last] - points[self.first])
        return self.value - length, np.concatenate([-along, along], axis=1)


class RodEquations(Equations):
    """E6: reading = h_setup - z."""

    accepts = RodHeight
    kinds = ("rod reading",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        rods = [o for o in observations if isinstance(o, RodHeight)]
        self.observation = np.asarray(indices, dtype=np.int64)
        self.group = np.arange(len(rods))
        self.setup = rows_of([(SETUP, o.setup) for o in rods], unknowns)
        self.point = rows_of([(POINT, o.point) for o in rods], unknowns)
        self.value = np.array([o.value for o in rods], dtype=float)
        self.sd = exact_sds([o.sd for o in rods])
        self.columns = np.stack(
            [
                columns_of(SETUP, self.setup, unknowns)[:, 0],
                columns_of(POINT, self.point, unknowns)[:, Z],
            ],
            axis=1,
        )

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        height = values.vector[SETUP][self.setup, 0]
        computed = height - values.vector[POINT][self.point, Z]
        return self.value - computed, np.tile([1.0, -1.0], (len(self.value), 1))


class OnPlaneEquations(Equations):
    """E7: distance = n . X + d, positive out of the roof."""

    accepts = OnSurface
    kinds = ("point on plane", FIELD)

    @classmethod
    def takes(cls, observation: Observation) -> bool:
        """Whether the surface is a plane."""
        return isinstance(observation, OnSurface) and observation.on[0] == PLANE

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        touching = [o for o in observations if isinstance(o, OnSurface)]
        self.observation = np.asarray(indices, dtype=np.int64)
        self.group = np.arange(len(touching))
        self.plane = rows_of([o.on for o in touching], unknowns)
        self.point = rows_of([(POINT, o.point) for o in touching], unknowns)
        self.value = np.array([o.value for o in touching], dtype=float)
        self.sd = exact_sds([o.sd for o in touching])
        self.kind_of_row = [self.kinds[int(o.may_sag)] for o in touching]
        self.columns = np.concatenate(
            [columns_of(PLANE, self.plane, unknowns), columns_of(POINT, self.point, unknowns)],
            axis=1,
        )

    def row_kinds(self) -> list[str]:
        """Tell corners, which a reading can misplace, from the field, which may sag."""
        return self.kind_of_row

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        normal = values.normal[self.plane]
        point = values.vector[POINT][self.point]
        computed = np.sum(normal * point, axis=1) + values.offset[self.plane]
        tilt = np.einsum("ni,nij->nj", point, tangent_basis(normal))
        ones = np.ones((len(point), 1))
        return self.value - computed, np.concatenate([tilt, ones, normal], axis=1)


class OnTargetEquations(Equations):
    """E8: distance = (R_target e_z) . (X - place), positive towards the viewer of the print."""

    accepts = OnSurface
    kinds = ("point off target",)

    @classmethod
    def takes(cls, observation: Observation) -> bool:
        """Whether the surface is a target's face."""
        return isinstance(observation, OnSurface) and observation.on[0] == TARGET

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        touching = [o for o in observations if isinstance(o, OnSurface)]
        self.observation = np.asarray(indices, dtype=np.int64)
        self.group = np.arange(len(touching))
        self.target = rows_of([o.on for o in touching], unknowns)
        self.point = rows_of([(POINT, o.point) for o in touching], unknowns)
        self.value = np.array([o.value for o in touching], dtype=float)
        self.sd = exact_sds([o.sd for o in touching])
        self.columns = np.concatenate(
            [columns_of(TARGET, self.target, unknowns), columns_of(POINT, self.point, unknowns)],
            axis=1,
        )

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        rotation = values.rotation[TARGET][self.target]
        moved = values.vector[POINT][self.point] - values.place[TARGET][self.target]
        own = np.einsum("nji,nj->ni", rotation, moved)
        normal = rotation[:, :, Z]
        # Turning by w: (R exp(w) e_z) . moved = own_z + w . (e_z x own)
        turn = np.stack([-own[:, 1], own[:, 0], np.zeros(len(own))], axis=1)
        return self.value - own[:, Z], np.concatenate([turn, -normal, normal], axis=1)


class LevelEdgeEquations(Equations):
    """E9: 0 = z(a) - z(b)."""

    accepts = LevelEdge
    kinds = ("level edge",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        edges = [o for o in observations if isinstance(o, LevelEdge)]
        self.observation = np.asarray(indices, dtype=np.int64)
        self.group = np.arange(len(edges))
        self.first = rows_of([(POINT, o.start) for o in edges], unknowns)
        self.last = rows_of([(POINT, o.end) for o in edges], unknowns)
        self.sd = exact_sds([o.sd for o in edges])
        self.columns = np.stack(
            [
                columns_of(POINT, self.first, unknowns)[:, Z],
                columns_of(POINT, self.last, unknowns)[:, Z],
            ],
            axis=1,
        )

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        z = values.vector[POINT][:, Z]
        return z[self.last] - z[self.first], np.tile([1.0, -1.0], (len(self.sd), 1))


class PlumbEdgeEquations(Equations):
    """E10: 0 = (x_b - x_a, y_b - y_a) / (z_b - z_a), two rows, radians of lean."""

    accepts = PlumbEdge
    kinds = ("plumb edge",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        edges = [o for o in observations if isinstance(o, PlumbEdge)]
        self.observation = np.repeat(np.asarray(indices, dtype=np.int64), 2)
        self.group = np.repeat(np.arange(len(edges)), 2)
        self.first = rows_of([(POINT, o.start) for o in edges], unknowns)
        self.last = rows_of([(POINT, o.end) for o in edges], unknowns)
        self.sd = np.repeat(exact_sds([o.sd for o in edges]), 2)
        columns = np.concatenate(
            [columns_of(POINT, self.first, unknowns), columns_of(POINT, self.last, unknowns)],
            axis=1,
        )
        self.columns = np.repeat(columns, 2, axis=0)

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        points = values.vector[POINT]
        along = points[self.last] - points[self.first]
        rise = along[:, Z]
        rise = np.where(np.abs(rise) < LEAST_RISE, np.where(rise < 0, -1, 1) * LEAST_RISE, rise)
        lean = along[:, :2] / rise[:, None]
        derivatives = np.zeros((len(along), 2, 6))
        for axis in range(2):
            derivatives[:, axis, 3 + axis] = 1.0 / rise
            derivatives[:, axis, 5] = -lean[:, axis] / rise
        derivatives[:, :, :3] = -derivatives[:, :, 3:]
        return -lean.ravel(), derivatives.reshape(-1, 6)


class ElevationEquations(Equations):
    """E11: elevation = z."""

    accepts = Elevation
    kinds = ("elevation",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        known = [o for o in observations if isinstance(o, Elevation)]
        self.observation = np.asarray(indices, dtype=np.int64)
        self.group = np.arange(len(known))
        self.point = rows_of([(POINT, o.point) for o in known], unknowns)
        self.value = np.array([o.value for o in known], dtype=float)
        self.sd = exact_sds([o.sd for o in known])
        self.columns = columns_of(POINT, self.point, unknowns)[:, Z:]

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        return self.value - values.vector[POINT][self.point, Z], np.ones((len(self.value), 1))


class SameElevationEquations(Equations):
    """E12: 0 = z - level of the tide line."""

    accepts = SameElevation
    kinds = ("tide line",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        touching = [o for o in observations if isinstance(o, SameElevation)]
        self.observation = np.asarray(indices, dtype=np.int64)
        self.group = np.arange(len(touching))
        self.point = rows_of([(POINT, o.point) for o in touching], unknowns)
        self.level = rows_of([(WATER_LEVEL, o.level) for o in touching], unknowns)
        self.sd = exact_sds([o.sd for o in touching])
        self.columns = np.stack(
            [
                columns_of(POINT, self.point, unknowns)[:, Z],
                columns_of(WATER_LEVEL, self.level, unknowns)[:, 0],
            ],
            axis=1,
        )

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        level = values.vector[WATER_LEVEL][self.level, 0]
        computed = values.vector[POINT][self.point, Z] - level
        return -computed, np.tile([1.0, -1.0], (len(self.sd), 1))


class PriorEquations(Equations):
    """E13: mean = value, or value - shared mean, component by component; infinite sds are left out.

    Every component is a reading of its own: a wrong focal length says nothing of the centre.
    """

    accepts = Prior
    kinds = ("print scale prior", "lens prior", "stated value")

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        which, component, means, sds, names = [], [], [], [], []
        columns: list[tuple[int, int]] = []
        own: list[tuple[str, int]] = []
        shared: list[tuple[str, int]] = []
        for index, prior in zip(indices, observations, strict=True):
            assert isinstance(prior, Prior)
            sd_each = np.asarray(prior.sd, dtype=float)
            for i in np.flatnonzero(np.isfinite(sd_each)):
                which.append(index)
                component.append(int(i))
                means.append(float(np.asarray(prior.mean, dtype=float)[i]))
                sds.append(float(sd_each[i]))
                names.append(PRIOR_KINDS.get(prior.key[0], "stated value"))
                keys = (prior.key,) if prior.mean_of is None else (prior.key, prior.mean_of)
                places = [(key[0], unknowns.row[key]) for key in keys]
                at = [int(unknowns.kind_columns[kind][row, i]) for kind, row in places]
                own.append(places[0])
                shared.append(places[1] if len(places) > 1 else ("", 0))
                columns.append((at[0], at[1] if len(at) > 1 else -1))
        self.observation = np.array(which, dtype=np.int64)
        self.group = np.arange(len(which))
        self.component = np.array(component, dtype=np.int64)
        self.mean = np.array(means)
        self.sd = exact_sds(sds)
        self.columns = np.array(columns, dtype=np.int64).reshape(-1, 2)
        self.names = names
        self._own = _by_kind(own, self.component)
        self._shared = _by_kind(shared, self.component)

    def row_kinds(self) -> list[str]:
        """Give each row's kind by what it is a prior of."""
        return self.names

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        residuals = self.mean.copy()
        for kind, (at, row, part) in self._own.items():
            residuals[at] -= values.vector[kind][row, part]
        for kind, (at, row, part) in self._shared.items():
            residuals[at] += values.vector[kind][row, part]
        return residuals, np.tile([1.0, -1.0], (len(self.mean), 1))


def _by_kind(
    places: list[tuple[str, int]], component: np.ndarray
) -> dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Sort (kind, row) places by kind: which rows they are for, where to read, which component."""
    kinds = dict.fromkeys(kind for kind, _ in places if kind)
    sorted_places = {}
    for kind in kinds:
        at = np.flatnonzero([k == kind for k, _ in places])
        sorted_places[kind] = (at, np.array([places[i][1] for i in at]), component[at])
    return sorted_places
