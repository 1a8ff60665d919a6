from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from survey.geometry import (
    cross_matrix,
    nearest_rotation,
    rotation_from_vector,
    tangent_basis,
    vector_from_rotation,
)


def test_a_quarter_turn_about_z_takes_x_to_y():
    """On paper: turning 90 degrees about up takes (1, 0, 0) to (0, 1, 0)."""
    turned = rotation_from_vector(np.array([0.0, 0.0, np.pi / 2])) @ [1.0, 0.0, 0.0]
    np.testing.assert_allclose(turned, [0.0, 1.0, 0.0], atol=1e-15)


def test_rotations_agree_with_scipy_and_opencv():
    rng = np.random.default_rng(1)
    vectors = rng.normal(0, 1.5, (50, 3))
    ours = rotation_from_vector(vectors)
    np.testing.assert_allclose(ours, Rotation.from_rotvec(vectors).as_matrix(), atol=1e-14)
    for vector, rotation in zip(vectors, ours, strict=True):
        np.testing.assert_allclose(cv2.Rodrigues(vector)[0], rotation, atol=1e-12)


@pytest.mark.parametrize("angle", [0.0, 1e-12, 1e-7, 1e-4, 0.3, 3.0, np.pi - 1e-9, np.pi])
def test_a_rotation_comes_back_as_its_vector_at_any_angle(angle):
    rng = np.random.default_rng(2)
    axis = rng.normal(size=(20, 3))
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    vectors = angle * axis
    back = vector_from_rotation(rotation_from_vector(vectors))
    again = rotation_from_vector(back)
    np.testing.assert_allclose(again, rotation_from_vector(vectors), atol=1e-14)
    np.testing.assert_allclose(np.linalg.norm(back, axis=1), angle, atol=1e-8)
    if angle < np.pi:
        np.testing.assert_allclose(back, vectors, atol=1e-8 if angle > 3.1 else 1e-13)


def test_a_small_turn_adds_the_cross_product():
    rng = np.random.default_rng(3)
    vector, point = rng.normal(size=3) * 1e-6, rng.normal(size=3)
    moved = rotation_from_vector(vector) @ point - point
    np.testing.assert_allclose(moved, cross_matrix(vector) @ point, atol=1e-11)


def test_nearest_rotation_undoes_rounding_and_mirrors():
    rng = np.random.default_rng(4)
    rotation = rotation_from_vector(rng.normal(size=3))
    noisy = rotation + 1e-3 * rng.normal(size=(3, 3))
    found = nearest_rotation(noisy)
    np.testing.assert_allclose(found @ found.T, np.eye(3), atol=1e-14)
    assert np.linalg.norm(found - rotation) < 4e-3
    assert np.linalg.det(nearest_rotation(np.diag([1.0, 1.0, -1.0]))) == pytest.approx(1.0)


def test_tangent_basis_is_right_handed_and_smooth():
    rng = np.random.default_rng(5)
    normals = rng.normal(size=(200, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    normals = np.concatenate([normals, [[0, 0, 1], [0, 0, -1], [0, -1, 0]]])
    basis = tangent_basis(normals)
    frame = np.concatenate([basis, normals[:, :, None]], axis=2)
    np.testing.assert_allclose(
        np.swapaxes(frame, 1, 2) @ frame, np.tile(np.eye(3), (203, 1, 1)), atol=1e-14
    )
    np.testing.assert_allclose(np.linalg.det(frame), 1.0, atol=1e-13)
