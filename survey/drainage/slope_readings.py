"""Digital-level readings as what they are to a surface: its rise over the level's length."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag

from survey.drainage.domain import PlaneFrame
from survey.drainage.evidence import Soundings
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import SlopeReading, Visit

Array = npt.NDArray[np.float64]

LEVEL_LENGTH = 0.6096  # m, 2 ft: length of a level that nobody told; common practice


def add_slope_readings(
    soundings: Soundings, plane: MeasuredPlane, planes: PlaneSet, visit: Visit, frame: PlaneFrame
) -> tuple[Soundings, int]:
    """Add the slope readings that were taken at a told spot of a plane.

    Returns
    -------
    Soundings
        With one more observation a reading: the rise of the surface over a level's length, over
        that length, in the direction read; "fall" is the plane's own fall.
    count : int
        How many were added.
    """
    rows = [
        row
        for reading in visit.readings
        if isinstance(reading, SlopeReading) and reading.plane == plane.spec.name
        if (row := _rise(reading, plane, planes, frame)) is not None
    ]
    if not rows:
        return soundings, 0
    ends = np.vstack([row[0] for row in rows])
    differences = block_diag(*(row[1][None] for row in rows))
    before = soundings.operator
    operator = block_diag(np.eye(len(soundings.places)) if before is None else before, differences)
    variances = np.diag([row[3] ** 2 for row in rows])
    merged = Soundings(
        places=np.vstack([soundings.places, ends]),
        heights=np.append(soundings.heights, [row[2] for row in rows]),
        covariance=block_diag(soundings.covariance, variances),
        breaks=soundings.breaks,
        operator=operator,
    )
    return merged, len(rows)


def _rise(
    reading: SlopeReading, plane: MeasuredPlane, planes: PlaneSet, frame: PlaneFrame
) -> tuple[Array, Array, float, float] | None:
    """Both ends (2, 2), their weights (2,), the slope and its sd; None when it can't be placed."""
    if reading.spot is None or plane.gradient is None:
        return None
    first, second = plane.outline_plane[0], plane.outline_plane[1]
    along = (second - first) / np.linalg.norm(second - first)
    upward = np.array([-along[1], along[0]])
    middle = first + reading.spot.along * along + reading.spot.up * upward
    direction = _direction(reading, plane, planes, frame)
    if direction is None:
        return None
    horizontal = float(np.linalg.norm(frame.to_plan @ direction)) * LEVEL_LENGTH
    ends = middle + np.array([[0.5], [-0.5]]) * LEVEL_LENGTH * direction
    slope = float(np.tan(abs(reading.value) if reading.direction == "fall" else reading.value))
    return ends, np.array([1.0, -1.0]) / horizontal, slope, reading.sd * (1 + slope**2)


def _direction(
    reading: SlopeReading, plane: MeasuredPlane, planes: PlaneSet, frame: PlaneFrame
) -> Array | None:
    """Return the unit direction, plane frame, in which the reading rises when positive."""
    if reading.start is not None and reading.end is not None:
        placed = {point.name: point.position for point in planes.points}
        if reading.start not in placed or reading.end not in placed:
            return None
        step = frame.to_plane(placed[reading.end]) - frame.to_plane(placed[reading.start])
    else:
        assert plane.gradient is not None
        step = np.asarray(np.linalg.solve(frame.to_plan, plane.gradient))
    size = float(np.linalg.norm(step))
    return step / size if size > 1e-9 else None
