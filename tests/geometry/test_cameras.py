from __future__ import annotations

import cv2
import numpy as np
import pytest

from survey.geometry import project, project_with_derivatives, rays, to_camera, undistort

LENS = np.array([3029.0, 2020.0, 1507.0, 0.12, -0.08])
FIXED = np.array([0.0009, -0.0006, 0.03])


def random_points(rng: np.random.Generator, count: int) -> np.ndarray:
    depth = rng.uniform(2, 20, count)
    return np.column_stack(
        [depth * rng.uniform(-0.6, 0.6, count), depth * rng.uniform(-0.45, 0.45, count), depth]
    )


def test_a_point_straight_ahead_lands_on_the_principal_point():
    px = project(np.array([[0.0, 0.0, 7.0]]), LENS, FIXED)
    np.testing.assert_allclose(px, [[2020.0, 1507.0]])


def test_right_and_down_in_the_camera_are_right_and_down_in_the_photo():
    """On paper: 1 m right and 2 m down at 10 m with f = 1000 px is 100 px right, 200 px down."""
    lens = np.array([1000.0, 500.0, 400.0, 0.0, 0.0])
    px = project(np.array([[1.0, 2.0, 10.0]]), lens, np.zeros(3))
    np.testing.assert_allclose(px, [[600.0, 600.0]])


def test_a_camera_looking_north_sees_east_on_the_right():
    """Camera at (0, 0, 1.6) looking along +y: its axes x, y, z are the site's x, -z, y."""
    rotation = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    points = to_camera(np.array([[2.0, 10.0, 1.6]]), rotation, np.array([0.0, 0.0, 1.6]))
    np.testing.assert_allclose(points, [[2.0, 0.0, 10.0]])
    stacked = to_camera(np.array([[2.0, 10.0, 2.6]]), rotation[None], np.array([[0.0, 0.0, 1.6]]))
    np.testing.assert_allclose(stacked, [[2.0, -1.0, 10.0]])


def test_projection_agrees_with_opencv():
    rng = np.random.default_rng(1)
    points = random_points(rng, 300)
    matrix = np.array([[LENS[0], 0, LENS[1]], [0, LENS[0], LENS[2]], [0, 0, 1]])
    distortion = np.array([LENS[3], LENS[4], FIXED[0], FIXED[1], FIXED[2]])
    theirs, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, distortion)
    np.testing.assert_allclose(project(points, LENS, FIXED), theirs[:, 0], atol=1e-9)
    px, _, _ = project_with_derivatives(points, LENS, FIXED)
    np.testing.assert_allclose(px, theirs[:, 0], atol=1e-9)


def test_derivatives_agree_with_opencv():
    """cv2.projectPoints gives derivatives by translation (= the point), f, c and distortion."""
    rng = np.random.default_rng(2)
    points = random_points(rng, 40)
    matrix = np.array([[LENS[0], 0, LENS[1]], [0, LENS[0], LENS[2]], [0, 0, 1]])
    distortion = np.array([LENS[3], LENS[4], FIXED[0], FIXED[1], FIXED[2]])
    _, theirs = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, distortion)
    theirs = theirs.reshape(40, 2, -1)
    _, by_point, by_lens = project_with_derivatives(points, LENS, FIXED)
    np.testing.assert_allclose(by_point, theirs[:, :, 3:6], rtol=1e-8, atol=1e-7)
    np.testing.assert_allclose(by_lens[:, :, 0], theirs[:, :, 6] + theirs[:, :, 7], atol=1e-9)
    np.testing.assert_allclose(by_lens[:, :, 1:3], theirs[:, :, 8:10], atol=1e-12)
    np.testing.assert_allclose(by_lens[:, :, 3:5], theirs[:, :, 10:12], rtol=1e-8, atol=1e-7)


def test_derivatives_agree_with_central_differences():
    rng = np.random.default_rng(3)
    points = random_points(rng, 25)
    lenses = LENS + rng.normal(0, [30, 10, 10, 0.02, 0.02], (25, 5))
    _, by_point, by_lens = project_with_derivatives(points, lenses, FIXED)
    width = 1e-6
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = width
        numeric = project(points + step, lenses, FIXED) - project(points - step, lenses, FIXED)
        np.testing.assert_allclose(
            by_point[:, :, axis], numeric / (2 * width), rtol=1e-5, atol=1e-3
        )
    for part in range(5):
        step = np.zeros(5)
        step[part] = width
        numeric = project(points, lenses + step, FIXED) - project(points, lenses - step, FIXED)
        np.testing.assert_allclose(by_lens[:, :, part], numeric / (2 * width), rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("k1", [-0.2, 0.0, 0.15])
def test_undistorting_undoes_projection_to_rounding(k1):
    rng = np.random.default_rng(4)
    points = random_points(rng, 200)
    lens = np.array([3029.0, 2020.0, 1507.0, k1, 0.01])
    xy = undistort(project(points, lens, FIXED), lens, FIXED)
    np.testing.assert_allclose(xy, points[:, :2] / points[:, 2:], atol=1e-12)
    directions = rays(project(points, lens, FIXED), lens, FIXED)
    expected = points / np.linalg.norm(points, axis=1, keepdims=True)
    np.testing.assert_allclose(directions, expected, atol=1e-12)


def test_undistorting_beyond_the_fold_of_the_model_stays_finite():
    """k1 = -0.3 folds back at r = 1.05: no ray images farther out than 0.70 f from the centre."""
    lens = np.array([1000.0, 0.0, 0.0, -0.3, 0.0])
    xy = undistort(np.array([[900.0, 0.0], [5000.0, 4000.0]]), lens, np.zeros(3))
    assert np.all(np.isfinite(xy))
