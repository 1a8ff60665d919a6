from __future__ import annotations

import numpy as np
import pytest

from survey.errors import GeometryError
from survey.geometry import fall_gradient, fit_plane, meet_plane, meet_rays, polygon_area_vector


def test_a_plane_two_in_twelve_has_that_gradient():
    """On paper: z = 2/12 y rises towards +y, so water runs towards -y at 1 in 6."""
    normal = np.array([0.0, -2.0, 12.0]) / np.hypot(2.0, 12.0)
    gradient, covariance = fall_gradient(normal, np.zeros((3, 3)))
    np.testing.assert_allclose(gradient, [0.0, 1.0 / 6.0])
    np.testing.assert_array_equal(covariance, np.zeros((2, 2)))


def test_gradient_covariance_agrees_with_monte_carlo():
    """JCGM 101: 200 000 draws of the normal, each made unit, against J C J^T."""
    rng = np.random.default_rng(7)
    normal = np.array([0.05, -0.02, 1.0])
    normal /= np.linalg.norm(normal)
    across = np.eye(3) - np.outer(normal, normal)
    covariance = across @ np.diag([4e-6, 1e-6, 0.0]) @ across
    drawn = rng.multivariate_normal(normal, covariance, 200_000)
    drawn /= np.linalg.norm(drawn, axis=1, keepdims=True)
    gradients = -drawn[:, :2] / drawn[:, 2:]
    _, propagated = fall_gradient(normal, covariance)
    np.testing.assert_allclose(np.cov(gradients.T), propagated, rtol=0.02, atol=2e-8)


def test_a_vertical_plane_has_no_fall():
    with pytest.raises(GeometryError, match="vertical"):
        fall_gradient(np.array([0.0, -1.0, 0.0]), np.eye(3))


def test_exact_points_give_their_plane_back():
    rng = np.random.default_rng(1)
    normal = np.array([0.1, -0.3, 0.9])
    normal /= np.linalg.norm(normal)
    points = rng.uniform(-3, 3, (10, 3))
    points -= np.outer(points @ normal - 2.0, normal)
    found, offset, rms = fit_plane(points)
    np.testing.assert_allclose(found, normal, atol=1e-12)
    assert offset == pytest.approx(-2.0)
    assert rms < 1e-12


def test_a_noisy_fit_agrees_with_the_principal_components_of_scikit_learn():
    from sklearn.decomposition import PCA

    rng = np.random.default_rng(2)
    points = rng.normal(size=(60, 3)) @ np.diag([3.0, 2.0, 0.01])
    found, _, rms = fit_plane(points)
    theirs = PCA(n_components=3).fit(points)
    assert abs(abs(found @ theirs.components_[2]) - 1.0) < 1e-12
    assert rms**2 == pytest.approx(theirs.explained_variance_[2] * 59 / 60)


@pytest.mark.parametrize(
    "points",
    [np.zeros((2, 3)), np.outer(np.arange(5.0), [1.0, 2.0, 3.0]), np.ones((4, 3))],
    ids=["two points", "on one line", "all the same"],
)
def test_points_that_fix_no_plane_are_refused(points):
    with pytest.raises(GeometryError):
        fit_plane(points)


def test_a_heavy_point_pulls_the_plane():
    square = np.array([(0.0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0.1)])
    light = fit_plane(square, np.array([1.0, 1, 1, 1e-6]))[0]
    heavy = fit_plane(square, np.ones(4))[0]
    assert abs(light[2] - 1.0) < 1e-6 < abs(heavy[2] - 1.0)


def test_a_ray_meets_a_plane_ahead_and_not_behind():
    normal, offset = np.array([0.0, 0.0, 1.0]), -3.0
    directions = np.array([(0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0)])
    met = meet_plane(np.zeros(3), directions, normal, offset)
    np.testing.assert_allclose(met[0], [0.0, 0.0, 3.0])
    assert np.all(np.isnan(met[1:]))


def test_rays_meet_where_they_cross():
    point = np.array([1.0, 2.0, 3.0])
    origins = np.array([(0.0, 0, 0), (5.0, 0, 0), (0, 5.0, 1)])
    directions = point - origins
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    met, sine = meet_rays(origins, directions)
    np.testing.assert_allclose(met, point, atol=1e-12)
    assert 0.5 < sine <= 1.0
    with pytest.raises(GeometryError, match="parallel"):
        meet_rays(origins, np.tile([0.0, 0.0, 1.0], (3, 1)))


def test_the_area_vector_of_a_tilted_rectangle():
    """On paper: 6 x 4 m rising 3 in 4 m of plan: slope length 5, so 30 m2 true and 24 m2 plan."""
    corners = np.array([(0.0, 0, 0), (6, 0, 0), (6, 4, 3), (0, 4, 3)])
    vector = polygon_area_vector(corners)
    assert np.linalg.norm(vector) == pytest.approx(30.0)
    assert vector[2] == pytest.approx(24.0)
