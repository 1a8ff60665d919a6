"""Planes and lines in space: fitting, falls, intersections, with covariance where it matters."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from survey.errors import GeometryError

Array = npt.NDArray[np.float64]

VERTICAL_LIMIT = 1e-6  # |n_z| under which a plane counts as vertical: it has no fall
PARALLEL_LIMIT = 1e-9  # sine under which a ray counts as parallel to a plane or another ray


def fit_plane(points: Array, weights: Array | None = None) -> tuple[Array, float, float]:
    """Plane through points with the least squared distances (total least squares).

    Parameters
    ----------
    points : (n, 3) array
        At least three, not on one line.
    weights : (n,) array, optional
        One over variance of each point's distance.

    Returns
    -------
    normal : (3,) array
        Unit normal with z >= 0 (for a vertical plane: y <= 0, towards the viewer).
    offset : float
        ``normal @ X + offset = 0`` on the plane.
    rms : float
        Weighted root mean square distance, metres.

    Raises
    ------
    GeometryError
        With fewer than three points, or all on one line.
    """
    points = np.asarray(points, dtype=float)
    if len(points) < 3:
        raise GeometryError(f"a plane needs three points, not {len(points)}")
    share = np.ones(len(points)) if weights is None else np.asarray(weights, dtype=float)
    share = share / share.sum()
    middle = share @ points
    centred = points - middle
    _, singular, axes = np.linalg.svd(centred * np.sqrt(share)[:, None], full_matrices=False)
    if singular[1] <= 1e-9 * max(singular[0], 1e-300):
        raise GeometryError("the points lie on one line, so no plane is fixed")
    normal = axes[2]
    if normal[2] < -VERTICAL_LIMIT or (abs(normal[2]) <= VERTICAL_LIMIT and normal[1] > 0):
        normal = -normal
    rms = float(np.sqrt(share @ (centred @ normal) ** 2))
    return normal, float(-normal @ middle), rms


def fall_gradient(normal: Array, covariance: Array) -> tuple[Array, Array]:
    """Fall of a plane as a gradient, with its covariance.

    Parameters
    ----------
    normal : (3,) array
        Unit normal pointing out of the roof, site frame (z up).
    covariance : (3, 3) array
        Covariance of `normal`.

    Returns
    -------
    gradient : (2,) array
        dz/dx and dz/dy, metres per metre, site frame. Water runs against it.
    gradient_covariance : (2, 2) array

    Raises
    ------
    GeometryError
        If the plane is within 1e-6 of vertical.

    Notes
    -----
    First-order propagation, J C J^T (JCGM 102:2011). The gradient is kept as a vector because its
    length can't be negative: on a level roof the length alone averages 1.25 sd, never 0.
    """
    nx, ny, nz = np.asarray(normal, dtype=float)
    if abs(nz) < VERTICAL_LIMIT:
        raise GeometryError(f"plane is vertical (normal {normal}), so it has no fall")
    jacobian = np.array([[-1 / nz, 0.0, nx / nz**2], [0.0, -1 / nz, ny / nz**2]])
    return np.array([-nx / nz, -ny / nz]), jacobian @ covariance @ jacobian.T


def meet_plane(origin: Array, directions: Array, normal: Array, offset: float) -> Array:
    """Points where rays meet a plane.

    Parameters
    ----------
    origin : (3,) or (n, 3) array
    directions : (n, 3) array
        Unit directions.
    normal, offset
        ``normal @ X + offset = 0``.

    Returns
    -------
    (n, 3) array
        A row is nan where the ray runs along the plane or meets it behind its origin.
    """
    slant = np.asarray(directions, dtype=float) @ normal
    height = np.asarray(origin, dtype=float) @ normal + offset
    meets = np.abs(slant) > PARALLEL_LIMIT
    distance = np.where(meets, -height / np.where(meets, slant, 1.0), np.nan)
    distance = np.where(distance > 0, distance, np.nan)
    met: Array = origin + distance[:, None] * directions
    return met


def meet_rays(origins: Array, directions: Array) -> tuple[Array, float]:
    """Point nearest to two or more rays in the least-squares sense.

    Parameters
    ----------
    origins, directions : (n, 3) arrays
        Directions are unit vectors.

    Returns
    -------
    point : (3,) array
    sine : float
        Sine of the widest angle between two of the rays; near 0 the depth is worthless.

    Raises
    ------
    GeometryError
        If all rays are parallel.
    """
    directions = np.asarray(directions, dtype=float)
    across = np.eye(3) - directions[:, :, None] * directions[:, None, :]
    crossed = np.linalg.norm(np.cross(directions[:, None, :], directions[None, :, :]), axis=-1)
    sine = float(crossed.max())
    if len(directions) < 2 or sine < PARALLEL_LIMIT:
        raise GeometryError("the rays are parallel, so they meet nowhere")
    point = np.linalg.solve(
        across.sum(axis=0), np.einsum("nij,nj->i", across, np.asarray(origins, dtype=float))
    )
    return point, sine


def polygon_area_vector(corners: Array) -> Array:
    """Vector area of a closed outline: half the sum of the cross products of its corners.

    Parameters
    ----------
    corners : (n, 3) array
        In order, anticlockwise seen from outside.

    Returns
    -------
    (3,) array
        Its length is the area of the outline projected along it (m2), its direction the normal;
        its z component is the plan area.
    """
    corners = np.asarray(corners, dtype=float)
    moved = corners - corners[0]
    vector: Array = 0.5 * np.cross(moved, np.roll(moved, -1, axis=0)).sum(axis=0)
    return vector
