"""The camera: where a point of the camera frame lands in the photo, with all derivatives.

Model (numbered M1-M3 in docs/method.md), that of OpenCV's calibration documentation with one focal
length::

    x = X / Z,  y = Y / Z,  r2 = x^2 + y^2                                             (M1)
    xd = x (1 + k1 r2 + k2 r2^2 + k3 r2^3) + 2 p1 x y + p2 (r2 + 2 x^2)                (M2)
    yd = y (1 + k1 r2 + k2 r2^2 + k3 r2^3) + p1 (r2 + 2 y^2) + 2 p2 x y
    u = focal xd + centre_x,  v = focal yd + centre_y                                  (M3)

`lens` is (focal, centre_x, centre_y, k1, k2); `fixed` is (p1, p2, k3), never adjusted.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

UNDISTORT_STEPS = 30  # Newton steps; ordinary lenses need four
UNDISTORT_LIMIT = 1e-13  # normalised image units at which undistorting stops


class Projection(NamedTuple):
    """Pixels with derivatives: ``by_point`` (n, 2, 3) and ``by_lens`` (n, 2, 5)."""

    px: Array
    by_point: Array
    by_lens: Array


class _Distortion(NamedTuple):
    xd: Array
    yd: Array
    by_xy: Array  # (n, 2, 2)
    r2: Array


def _distort(x: Array, y: Array, k1: Array, k2: Array, fixed: Array) -> _Distortion:
    """Distorted normalised coordinates (M2) and their derivatives by the undistorted ones."""
    p1, p2, k3 = fixed[..., 0], fixed[..., 1], fixed[..., 2]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3)  # d radial / d r2
    xd = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
    yd = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
    by_xy = np.empty((*np.broadcast(xd, radial).shape, 2, 2))
    by_xy[..., 0, 0] = radial + 2.0 * x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    cross = 2.0 * x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
    by_xy[..., 0, 1] = cross
    by_xy[..., 1, 0] = cross
    by_xy[..., 1, 1] = radial + 2.0 * y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
    return _Distortion(xd, yd, by_xy, r2)


def project(points_camera: Array, lens: Array, fixed: Array) -> Array:
    """Pixels of points in front of the camera.

    Parameters
    ----------
    points_camera : (n, 3) array
        Camera frame (x right, y down, z forward), metres.
    lens : (5,) or (n, 5) array
    fixed : (3,) or (n, 3) array

    Returns
    -------
    (n, 2) array
        Pixel frame. A point at or behind the camera lands nowhere real; look at its z first.
    """
    points = np.asarray(points_camera, dtype=float)
    z = points[:, 2]
    x, y = points[:, 0] / z, points[:, 1] / z
    bent = _distort(x, y, lens[..., 3], lens[..., 4], np.asarray(fixed))
    return np.stack(
        [lens[..., 0] * bent.xd + lens[..., 1], lens[..., 0] * bent.yd + lens[..., 2]], axis=-1
    )


def project_with_derivatives(points_camera: Array, lens: Array, fixed: Array) -> Projection:
    """Pixels of points with derivatives by the point (camera frame) and by the lens.

    Parameters and frames as in `project`.

    Returns
    -------
    Projection
        ``px`` (n, 2); ``by_point`` (n, 2, 3) pixels per metre; ``by_lens`` (n, 2, 5) in the order
        focal, centre_x, centre_y, k1, k2.
    """
    points = np.asarray(points_camera, dtype=float)
    count = len(points)
    z = points[:, 2]
    x, y = points[:, 0] / z, points[:, 1] / z
    focal = lens[..., 0]
    bent = _distort(x, y, lens[..., 3], lens[..., 4], np.asarray(fixed))
    px = np.stack([focal * bent.xd + lens[..., 1], focal * bent.yd + lens[..., 2]], axis=-1)
    scaled = bent.by_xy * np.broadcast_to(focal / z, (count,))[:, None, None]
    by_point = np.empty((count, 2, 3))
    by_point[:, :, :2] = scaled
    by_point[:, :, 2] = -(scaled[:, :, 0] * x[:, None] + scaled[:, :, 1] * y[:, None])
    by_lens = np.zeros((count, 2, 5))
    by_lens[:, 0, 0] = bent.xd
    by_lens[:, 1, 0] = bent.yd
    by_lens[:, 0, 1] = 1.0
    by_lens[:, 1, 2] = 1.0
    by_lens[:, 0, 3] = focal * x * bent.r2
    by_lens[:, 1, 3] = focal * y * bent.r2
    by_lens[:, :, 4] = by_lens[:, :, 3] * bent.r2[:, None]
    return Projection(px, by_point, by_lens)


def undistort(px: Array, lens: Array, fixed: Array) -> Array:
    """Normalised coordinates (x, y) of the rays through pixels, the inverse of `project`.

    Newton's method on M2, so a strong lens comes back as exactly as a weak one. Beyond the radius
    at which the model folds back on itself there is no inverse; the nearest step is returned.

    Parameters
    ----------
    px : (n, 2) array
    lens : (5,) or (n, 5) array
    fixed : (3,) or (n, 3) array

    Returns
    -------
    (n, 2) array
        The ray is (x, y, 1) in the camera frame.
    """
    px = np.asarray(px, dtype=float)
    fixed = np.asarray(fixed, dtype=float)
    goal = np.stack(
        [(px[:, 0] - lens[..., 1]) / lens[..., 0], (px[:, 1] - lens[..., 2]) / lens[..., 0]],
        axis=-1,
    )
    xy = goal.copy()
    for _ in range(UNDISTORT_STEPS):
        bent = _distort(xy[:, 0], xy[:, 1], lens[..., 3], lens[..., 4], fixed)
        miss = np.stack([bent.xd, bent.yd], axis=-1) - goal
        a, b = bent.by_xy[:, 0, 0], bent.by_xy[:, 0, 1]
        c, d = bent.by_xy[:, 1, 0], bent.by_xy[:, 1, 1]
        determinant = a * d - b * c
        # Past the fold the determinant changes sign: step as the undistorted model would.
        good = determinant > 0.05
        inverse = np.where(good, 1.0 / np.where(good, determinant, 1.0), 1.0)
        step_x = np.where(good, (d * miss[:, 0] - b * miss[:, 1]) * inverse, miss[:, 0])
        step_y = np.where(good, (a * miss[:, 1] - c * miss[:, 0]) * inverse, miss[:, 1])
        xy[:, 0] -= step_x
        xy[:, 1] -= step_y
        if max(np.max(np.abs(step_x), initial=0.0), np.max(np.abs(step_y), initial=0.0)) < (
            UNDISTORT_LIMIT
        ):
            break
    return xy


def rays(px: Array, lens: Array, fixed: Array) -> Array:
    """Give unit directions of the rays through pixels, camera frame, (n, 3)."""
    xy = undistort(px, lens, fixed)
    directions = np.concatenate([xy, np.ones((len(xy), 1))], axis=1)
    unit: Array = directions / np.linalg.norm(directions, axis=1, keepdims=True)
    return unit


def to_camera(points_site: Array, rotation: Array, centre: Array) -> Array:
    """Points in the camera frame: ``rotation.T @ (X_site - centre)``.

    Parameters
    ----------
    points_site : (n, 3) array
    rotation : (3, 3) or (n, 3, 3) array
        Site from camera: ``X_site = rotation @ X_camera + centre``.
    centre : (3,) or (n, 3) array

    Returns
    -------
    (n, 3) array
    """
    moved = np.asarray(points_site, dtype=float) - centre
    if rotation.ndim == 2:
        return moved @ rotation
    turned: Array = np.einsum("nji,nj->ni", rotation, moved)
    return turned
