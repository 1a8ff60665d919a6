"""What all observation equations share: the unknowns they read, rows, groups and columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

import numpy as np

from survey.adjustment.model import (
    CAMERA,
    LENS,
    PLANE,
    POINT,
    PRINT_SCALE,
    SETUP,
    TARGET,
    WATER_LEVEL,
    Array,
    EdgeAngle,
    EdgeInPhoto,
    Elevation,
    GravityLineInPhoto,
    Key,
    LevelEdge,
    Observation,
    OnSurface,
    PlumbEdge,
    PointInPhoto,
    Prior,
    RodHeight,
    SameElevation,
    SlopeOfPlane,
    SpotOnPlane,
    TapeLength,
    TargetCorners,
    TargetMount,
    TargetOnPlane,
)
from survey.adjustment.unknowns import Unknowns, Values
from survey.photo.model import CameraPrior

FIELD = "point in the field"  # kind of a point where the roof itself may sag
# An exactly known value gets this sd: far below anything measured, far above rounding.
EXACT_SD = 1e-6  # m, rad


def keys_of(observation: Observation) -> tuple[Key, ...]:
    """Unknowns that an observation touches, held ones included."""
    match observation:
        case TargetCorners(photo=photo, target=target):
            return (CAMERA, photo), (LENS, photo), (TARGET, target), (PRINT_SCALE, target)
        case PointInPhoto(photo=photo, point=point):
            return (CAMERA, photo), (LENS, photo), (POINT, point)
        case EdgeInPhoto(photo=photo, start=start, end=end):
            return (CAMERA, photo), (LENS, photo), (POINT, start), (POINT, end)
        case GravityLineInPhoto(photo=photo, on=on, direction=direction):
            camera: tuple[Key, ...] = ((CAMERA, photo), (LENS, photo))
            return (*camera, on) if on is not None and direction == "level" else camera
        case TapeLength() | LevelEdge() | PlumbEdge():
            return (POINT, observation.start), (POINT, observation.end)
        case RodHeight(setup=setup, point=point):
            return (SETUP, setup), (POINT, point)
        case SlopeOfPlane(plane=plane, start=first, end=last):
            if first is None or last is None:
                return ((PLANE, plane),)
            return (PLANE, plane), (POINT, first), (POINT, last)
        case OnSurface(on=on, point=point):
            return on, (POINT, point)
        case SpotOnPlane(plane=plane):
            points = (observation.point, observation.origin, observation.direction)
            return ((PLANE, plane), *((POINT, name) for name in points))
        case TargetMount(target=target):
            return ((TARGET, target),)
        case TargetOnPlane(target=target, plane=plane):
            return (TARGET, target), (PLANE, plane)
        case Elevation(point=point):
            return ((POINT, point),)
        case SameElevation(point=point, level=level):
            return (POINT, point), (WATER_LEVEL, level)
        case EdgeAngle(first=pair, second=other):
            return tuple(dict.fromkeys((POINT, name) for name in (*pair, *other)))
        case Prior(key=key, mean_of=mean):
            return (key,) if mean is None else (key, mean)
        case _:
            raise TypeError(f"no equation for {type(observation).__name__}")


class Equations:
    """All observations of one kind, as rows.

    Parameters
    ----------
    indices : sequence of int
        Where the observations stand in the system's list.
    observations : sequence of Observation
    unknowns : Unknowns

    Attributes
    ----------
    columns : (m, k) array of int
    sd : (m,) array
    observation : (m,) array of int
    group : (m,) array of int
        Counting from 0, ascending: the reading a row belongs to.
    """

    accepts: ClassVar[type[Observation]]
    kinds: tuple[str, ...]
    columns: np.ndarray
    sd: Array
    observation: np.ndarray
    group: np.ndarray

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        raise NotImplementedError

    @classmethod
    def takes(cls, observation: Observation) -> bool:
        """Whether this class holds the equation of `observation`."""
        return type(observation) is cls.accepts

    def read_cameras(self, cameras: Mapping[str, CameraPrior]) -> None:
        """Take what never is adjusted from the photos' priors (only photo equations need it)."""

    def row_kinds(self) -> list[str]:
        """Give the kind of every row, in the user's words."""
        return [self.kinds[0]] * len(self.sd)

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals (m,) and derivatives (m, k) at `values`."""
        raise NotImplementedError

    def residuals(self, values: Values) -> Array:
        """Residuals (m,) alone."""
        return self.linearise(values)[0]


def rows_of(keys: Sequence[Key], unknowns: Unknowns) -> np.ndarray:
    """Rows of keys in the arrays of `Values`."""
    return np.array([unknowns.row[key] for key in keys], dtype=np.int64)


def columns_of(kind: str, rows: np.ndarray, unknowns: Unknowns) -> np.ndarray:
    """Columns (n, size) of the unknowns at `rows` of one kind."""
    columns: np.ndarray = unknowns.kind_columns[kind][rows]
    return columns


def unit(vectors: Array) -> tuple[Array, Array]:
    """Give unit vectors and lengths; a zero vector stays zero."""
    length = np.linalg.norm(vectors, axis=-1)
    safe = np.where(length > 0, length, 1.0)
    return vectors / safe[..., None], length
