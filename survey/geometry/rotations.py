"""Rotations as 3 x 3 matrices, singly or stacked, with small perturbations on the right.

A rotation is changed by ``rotation @ rotation_from_vector(w)``; `w` is in the rotation's own frame.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SMALL_ANGLE = 1e-4  # radians; below it the series is exact to double precision


def cross_matrix(vectors: Array) -> Array:
    """Matrices that turn a cross product into a product: ``cross_matrix(a) @ b == a x b``.

    Parameters
    ----------
    vectors : (..., 3) array

    Returns
    -------
    (..., 3, 3) array
    """
    vectors = np.asarray(vectors, dtype=float)
    matrix = np.zeros((*vectors.shape, 3))
    matrix[..., 0, 1] = -vectors[..., 2]
    matrix[..., 0, 2] = vectors[..., 1]
    matrix[..., 1, 0] = vectors[..., 2]
    matrix[..., 1, 2] = -vectors[..., 0]
    matrix[..., 2, 0] = -vectors[..., 1]
    matrix[..., 2, 1] = vectors[..., 0]
    return matrix


def rotation_from_vector(vectors: Array) -> Array:
    """Rotation about a vector by its length in radians (Rodrigues' formula).

    Parameters
    ----------
    vectors : (..., 3) array
        Axis times angle, radians.

    Returns
    -------
    (..., 3, 3) array
    """
    vectors = np.asarray(vectors, dtype=float)
    angle_squared = np.sum(vectors**2, axis=-1)
    angle = np.sqrt(angle_squared)
    small = angle < SMALL_ANGLE
    safe = np.where(small, 1.0, angle)
    sine_term = np.where(small, 1.0 - angle_squared / 6.0, np.sin(safe) / safe)
    cosine_term = np.where(small, 0.5 - angle_squared / 24.0, (1.0 - np.cos(safe)) / safe**2)
    skew = cross_matrix(vectors)
    rotation: Array = (
        np.eye(3) + sine_term[..., None, None] * skew + cosine_term[..., None, None] * (skew @ skew)
    )
    return rotation


def vector_from_rotation(rotations: Array) -> Array:
    """Axis times angle of rotations, the inverse of `rotation_from_vector`.

    The quaternion's largest component is divided by, so half turns are as exact as small ones.

    Parameters
    ----------
    rotations : (..., 3, 3) array

    Returns
    -------
    (..., 3) array
        Length between 0 and pi.
    """
    rotations = np.asarray(rotations, dtype=float)
    flat = rotations.reshape(-1, 3, 3)
    m = flat
    trace = m[:, 0, 0] + m[:, 1, 1] + m[:, 2, 2]
    # Four times the outer product of the quaternion (w, x, y, z) with itself.
    outer = np.empty((len(flat), 4, 4))
    outer[:, 0, 0] = 1 + trace
    for i in range(3):
        outer[:, i + 1, i + 1] = 1 - trace + 2 * m[:, i, i]
    pairs = ((0, 1, 2), (1, 2, 0), (2, 0, 1))
    for i, j, k in pairs:
        outer[:, 0, i + 1] = outer[:, i + 1, 0] = m[:, k, j] - m[:, j, k]
        outer[:, j + 1, k + 1] = outer[:, k + 1, j + 1] = m[:, k, j] + m[:, j, k]
    best = np.argmax(outer[:, range(4), range(4)], axis=1)
    quaternion = outer[np.arange(len(flat)), best]
    quaternion /= np.linalg.norm(quaternion, axis=1, keepdims=True)
    quaternion *= np.where(quaternion[:, :1] < 0, -1.0, 1.0)
    sine = np.linalg.norm(quaternion[:, 1:], axis=1)
    angle = 2 * np.arctan2(sine, quaternion[:, 0])
    factor = np.where(sine < 1e-12, 2.0, angle / np.where(sine < 1e-12, 1.0, sine))
    vectors: Array = (quaternion[:, 1:] * factor[:, None]).reshape(*rotations.shape[:-2], 3)
    return vectors


def nearest_rotation(matrix: Array) -> Array:
    """Rotation nearest to a 3 x 3 matrix in the Frobenius norm.

    Parameters
    ----------
    matrix : (..., 3, 3) array

    Returns
    -------
    (..., 3, 3) array
        Determinant +1.
    """
    u, _, vt = np.linalg.svd(np.asarray(matrix, dtype=float))
    flip = np.ones((*u.shape[:-2], 3))
    flip[..., 2] = np.sign(np.linalg.det(u @ vt))
    rotation: Array = (u * flip[..., None, :]) @ vt
    return rotation


def tangent_basis(normals: Array) -> Array:
    """Two unit vectors square to each unit vector, varying smoothly with it.

    Parameters
    ----------
    normals : (..., 3) array
        Unit vectors.

    Returns
    -------
    (..., 3, 2) array
        Columns span the tangent plane; with the vector as third column the frame is right-handed.

    Notes
    -----
    Duff et al., Building an orthonormal basis, revisited, Journal of Computer Graphics Techniques
    6(1), 2017; smooth except across z = 0, where the sign of z changes.
    """
    x, y, z = np.moveaxis(np.asarray(normals, dtype=float), -1, 0)
    sign = np.where(z < 0, -1.0, 1.0)
    a = -1.0 / (sign + z)
    b = x * y * a
    first = np.stack([1.0 + sign * x * x * a, sign * b, -sign * x], axis=-1)
    second = np.stack([b, sign + y * y * a, -y], axis=-1)
    return np.stack([first, second], axis=-1)
