"""Which unknowns there are, where their columns stand, and how a step changes them.

The unknowns of one kind stand together in arrays (`Values`), so that equations work on whole kinds
at a time. A step is a vector in the tangent space: rotations turn by a small vector in their own
frame, a plane's normal tilts along `tangent_basis`, everything else adds.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.model import (
    CAMERA,
    LENS,
    LENS_MEAN,
    PLANE,
    POINT,
    PRINT_SCALE,
    SETUP,
    TARGET,
    WATER_LEVEL,
    Array,
    Key,
    Parameter,
    PlaneParameters,
    Pose,
    State,
)
from survey.geometry.rotations import nearest_rotation, rotation_from_vector, tangent_basis

SIZES: dict[str, int] = {
    CAMERA: 6,
    LENS: 5,
    LENS_MEAN: 5,
    TARGET: 6,
    PRINT_SCALE: 2,
    PLANE: 3,
    SETUP: 1,
    WATER_LEVEL: 1,
    POINT: 3,
}
POSES = (CAMERA, TARGET)


@dataclass(frozen=True, slots=True)
class Values:
    """The unknowns as arrays, one row each, in the order of `Unknowns.names`.

    `rotation` and `place` hold the poses of cameras and of targets (site from own frame); `normal`
    and `offset` the planes; `vector` everything that simply adds.
    """

    rotation: dict[str, Array]
    place: dict[str, Array]
    normal: Array
    offset: Array
    vector: dict[str, Array]


class Unknowns:
    """The names of the unknowns of each kind, with the columns of their tangent parameters.

    Parameters
    ----------
    keys : iterable of Key
        Unknowns to adjust. Order does not matter: names are sorted.
    held : iterable of Key
        Unknowns that equations read but no step changes (column ``-1``).
    """

    def __init__(self, keys: Iterable[Key], held: Iterable[Key] = ()) -> None:
        free = set(keys)
        fixed = set(held) - free
        self.names: dict[str, list[str]] = {
            kind: sorted(name for k, name in free | fixed if k == kind) for kind in SIZES
        }
        self.row: dict[Key, int] = {
            (kind, name): i for kind, names in self.names.items() for i, name in enumerate(names)
        }
        self.first_column: dict[Key, int] = {}
        self.kind_columns: dict[str, np.ndarray] = {}
        count = 0
        for kind, size in SIZES.items():
            columns = np.full((len(self.names[kind]), size), -1, dtype=np.int64)
            for i, name in enumerate(self.names[kind]):
                if (kind, name) in free:
                    self.first_column[(kind, name)] = count
                    columns[i] = np.arange(count, count + size)
                    count += size
            self.kind_columns[kind] = columns
        self.size = count
        self.keys: list[Key] = list(self.first_column)

    def columns(self, key: Key) -> np.ndarray:
        """Give the columns of one adjusted unknown."""
        first = self.first_column[key]
        return np.arange(first, first + SIZES[key[0]])

    def column_keys(self) -> list[Key]:
        """Give the key that each column belongs to."""
        return [key for key in self.keys for _ in range(SIZES[key[0]])]

    def pack(self, state: State) -> Values:
        """Stack the parameters of `state` into arrays; rotations are made exactly orthonormal."""
        rotation: dict[str, Array] = {}
        place: dict[str, Array] = {}
        vector: dict[str, Array] = {}
        for kind in SIZES:
            parameters = [state[(kind, name)] for name in self.names[kind]]
            if kind in POSES:
                poses = [p for p in parameters if isinstance(p, Pose)]
                assert len(poses) == len(parameters), f"a {kind} must be a Pose"
                rotation[kind] = nearest_rotation(_stack([p.rotation for p in poses], (3, 3)))
                place[kind] = _stack([p.translation for p in poses], (3,))
            elif kind == PLANE:
                planes = [p for p in parameters if isinstance(p, PlaneParameters)]
                assert len(planes) == len(parameters), "a plane must be PlaneParameters"
                normal = _stack([p.normal for p in planes], (3,))
                length = np.linalg.norm(normal, axis=1)
                offset = np.array([p.offset for p in planes], dtype=float) / length
                normal = normal / length[:, None]
            else:
                arrays = [np.asarray(p, dtype=float) for p in parameters]
                vector[kind] = _stack(arrays, (SIZES[kind],))
        return Values(rotation, place, normal, offset, vector)

    def unpack(self, values: Values) -> State:
        """Give the parameters back by key."""
        return {(kind, name): self.parameter(values, (kind, name)) for kind, name in self.row}

    def parameter(self, values: Values, key: Key) -> Parameter:
        """Give one parameter."""
        kind, row = key[0], self.row[key]
        if kind in POSES:
            return Pose(values.rotation[kind][row].copy(), values.place[kind][row].copy())
        if kind == PLANE:
            return PlaneParameters(values.normal[row].copy(), float(values.offset[row]))
        vector: Array = values.vector[kind][row]
        return vector.copy()

    def move(self, values: Values, step: Array) -> Values:
        """Give the values after a step in the tangent space.

        Parameters
        ----------
        values : Values
        step : (size,) array
            Radians for rotations and normals, the unknown's own unit for the rest.
        """
        padded = np.append(step, 0.0)  # column -1: held, no step
        rotation, place, vector = {}, {}, {}
        for kind in POSES:
            part = padded[self.kind_columns[kind]]
            rotation[kind] = values.rotation[kind] @ rotation_from_vector(part[:, :3])
            place[kind] = values.place[kind] + part[:, 3:]
        part = padded[self.kind_columns[PLANE]]
        normal = values.normal + np.einsum("nij,nj->ni", tangent_basis(values.normal), part[:, :2])
        normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
        for kind, array in values.vector.items():
            vector[kind] = array + padded[self.kind_columns[kind]]
        return replace(
            values,
            rotation=rotation,
            place=place,
            normal=normal,
            offset=values.offset + part[:, 2],
            vector=vector,
        )


def move_parameter(parameter: Parameter, step: Array) -> Parameter:
    """Move one parameter along its tangent space, as `Unknowns.move` does for all.

    Parameters
    ----------
    parameter : Parameter
    step : (k,) array
        Pose: rotation vector in its own frame, then translation; plane: two tilts along
        `tangent_basis`, then offset; else added.
    """
    match parameter:
        case Pose():
            return Pose(
                parameter.rotation @ rotation_from_vector(step[:3]),
                parameter.translation + step[3:],
            )
        case PlaneParameters():
            normal = parameter.normal + tangent_basis(parameter.normal) @ step[:2]
            return PlaneParameters(
                normal / np.linalg.norm(normal), float(parameter.offset + step[2])
            )
        case _:
            return parameter + step


def datum_directions(unknowns: Unknowns, values: Values) -> Array:
    """How every unknown moves when the whole site is shifted, turned or enlarged.

    Parameters
    ----------
    unknowns : Unknowns
    values : Values

    Returns
    -------
    (size, 7) array
        Columns: shifts along x, y, z; turns about x, y, z through the points' middle; enlargement
        about it, print scales with it. Lenses stay 0: the datum doesn't touch them.
    """
    directions = np.zeros((unknowns.size + 1, 7))  # the last row takes what is held
    places = [values.place[kind] for kind in POSES] + [values.vector[POINT]]
    stacked = np.concatenate(places)
    middle = stacked.mean(axis=0) if len(stacked) else np.zeros(3)
    axes = np.eye(3)

    def fill_places(columns: np.ndarray, points: Array) -> None:
        relative = points - middle
        for a in range(3):
            directions[columns[:, a], a] = 1.0
            directions[columns, 3 + a] = np.cross(axes[a], relative)
        directions[columns, 6] = relative

    for kind in POSES:
        columns = unknowns.kind_columns[kind]
        fill_places(columns[:, 3:], values.place[kind])
        for a in range(3):  # R <- exp(e) R = R exp(R^T e)
            directions[columns[:, :3], 3 + a] = values.rotation[kind][:, a, :]
    fill_places(unknowns.kind_columns[POINT], values.vector[POINT])
    columns = unknowns.kind_columns[PLANE]
    basis = tangent_basis(values.normal)
    # distance of the plane from the middle: n.(X - m) + (d + n.m) = 0
    from_middle = values.offset + values.normal @ middle
    for a in range(3):
        directions[columns[:, 2], a] = -values.normal[:, a]
        turned = np.cross(axes[a], values.normal)
        directions[columns[:, :2], 3 + a] = np.einsum("nij,ni->nj", basis, turned)
        directions[columns[:, 2], 3 + a] = -turned @ middle
    directions[columns[:, 2], 6] = from_middle
    directions[unknowns.kind_columns[PRINT_SCALE], 6] = values.vector[PRINT_SCALE]
    for kind in (SETUP, WATER_LEVEL):
        columns = unknowns.kind_columns[kind][:, 0]
        directions[columns, 2] = 1.0
        directions[columns, 6] = values.vector[kind][:, 0] - middle[2]
    return directions[:-1]


def _stack(arrays: list[Array], shape: tuple[int, ...]) -> Array:
    """Stack arrays of one shape, also when there are none."""
    if not arrays:
        return np.zeros((0, *shape))
    stacked = np.array([np.asarray(a, dtype=float) for a in arrays])
    return stacked.reshape(len(arrays), *shape)
