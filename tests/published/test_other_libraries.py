from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from survey.adjustment.model import (
    CAMERA,
    LENS,
    LENS_MEAN,
    PLANE,
    POINT,
    PRINT_SCALE,
    SETUP,
    TARGET,
    Network,
    OnSurface,
    PointInPhoto,
    Pose,
    Prior,
    RodHeight,
    TapeLength,
    TargetCorners,
    TargetMount,
)
from survey.adjustment.solver import solve
from tests.adjustment.scene import FOCAL, SIZE_PX, camera_prior, look_at, porch


def opencv_pixels(points, rotation, centre, lens):
    """Pixels by OpenCV alone: its own rotation convention and distortion model."""
    matrix = np.array([[lens[0], 0, lens[1]], [0, lens[0], lens[2]], [0, 0, 1.0]])
    world_to_camera = rotation.T
    vector = Rotation.from_matrix(world_to_camera).as_rotvec()
    shift = -world_to_camera @ centre
    distortion = np.array([lens[3], lens[4], 0.0, 0.0, 0.0])
    return cv2.projectPoints(points, vector, shift, matrix, distortion)[0][:, 0]


def unpack(x, keys):
    """Vector of unknowns to a dictionary; poses as (rotation, place), by scipy."""
    values, at = {}, 0
    for key, size in keys:
        part = x[at : at + size]
        at += size
        if key[0] in (CAMERA, TARGET):
            values[key] = (Rotation.from_rotvec(part[:3]).as_matrix(), part[3:])
        else:
            values[key] = part
    return values


def whitened_residuals(network, values):
    """The model of design section 6 written again, observation by observation."""
    rows = []
    for o in network.observations:
        match o:
            case TargetCorners():
                rotation, place = values[(TARGET, o.target)]
                flat = np.column_stack(
                    [o.corners_target * values[(PRINT_SCALE, o.target)], np.zeros(len(o.sd_px))]
                )
                camera = values[(CAMERA, o.photo)]
                px = opencv_pixels(flat @ rotation.T + place, *camera, values[(LENS, o.photo)])
                rows.append(((o.corners_px - px) / o.sd_px[:, None]).ravel())
            case PointInPhoto():
                camera = values[(CAMERA, o.photo)]
                px = opencv_pixels(values[(POINT, o.point)][None], *camera, values[(LENS, o.photo)])
                rows.append((np.array(o.px) - px[0]) / o.sd_px)
            case TapeLength():
                length = np.linalg.norm(values[(POINT, o.start)] - values[(POINT, o.end)])
                rows.append([(o.value - length) / o.sd])
            case RodHeight():
                height = values[(SETUP, o.setup)][0] - values[(POINT, o.point)][2]
                rows.append([(o.value - height) / o.sd])
            case OnSurface():
                a, b, c = values[o.on]  # plane as z = a x + b y + c
                x, y, z = values[(POINT, o.point)]
                distance = (z - a * x - b * y - c) / np.sqrt(1 + a * a + b * b)
                rows.append([(o.value - distance) / o.sd])
            case TargetMount():
                axis = {"normal": 2, "x": 0}[o.axis]
                rows.append([-values[(TARGET, o.target)][0][2, axis] / o.sd])
            case Prior():
                value = values[o.key] - (values[o.mean_of] if o.mean_of else 0.0)
                rows.append((o.mean - value) / o.sd)
            case _:
                raise TypeError(o)
    return np.concatenate(rows)


def test_scipy_least_squares_finds_the_same_optimum_of_the_same_visit():
    """Independent residuals (OpenCV projection, scipy rotations), independent minimiser."""
    rng = np.random.default_rng(11)
    scene = porch(rng, photos=3, points=7, targets=1, tapes=2, rods=4)
    start = scene.start(rng, spread=0.3)
    solution = solve(scene.network, start, robust=False, variance_components=False)
    keys, x = [], []
    for key, parameter in solution.state.items():
        match parameter:
            case Pose():
                parameter = start[key]
                vector = Rotation.from_matrix(parameter.rotation).as_rotvec()
                part = np.concatenate([vector, parameter.translation])
            case _ if key[0] == PLANE:
                n = start[key].normal
                part = np.array([-n[0], -n[1], -start[key].offset]) / n[2]
            case _:
                part = np.asarray(start[key], float)
        keys.append((key, len(part)))
        x.append(part)
    found = least_squares(
        lambda v: whitened_residuals(scene.network, unpack(v, keys)),
        np.concatenate(x),
        method="trf",
        x_scale="jac",
        ftol=1e-15,
        xtol=1e-15,
        gtol=1e-12,
        max_nfev=200,
    )
    theirs = unpack(found.x, keys)
    squares = solution.statistics.variance_factor * solution.statistics.degrees_of_freedom
    assert squares == pytest.approx(2 * found.cost, rel=1e-7)
    for a, b in (("P0", "P1"), ("P1", "P2"), ("P0", "P2"), ("P4", "P6")):
        ours = np.linalg.norm(solution.state[(POINT, a)] - solution.state[(POINT, b)])
        assert ours == pytest.approx(
            np.linalg.norm(theirs[(POINT, a)] - theirs[(POINT, b)]), abs=2e-6
        )
    pairs = (("P0", "P1"), ("P1", "P2"), ("P0", "P2"), ("P4", "P6"))
    ends = [(POINT, name) for name in dict.fromkeys(name for pair in pairs for name in pair)]

    def lengths(state):
        return np.array([np.linalg.norm(state[(POINT, a)] - state[(POINT, b)]) for a, b in pairs])

    # Covariance from scipy's own difference quotients; what only the datum leaves free drops out.
    spread = np.linalg.pinv(found.jac.T @ found.jac, rcond=1e-13, hermitian=True)
    step = 1e-6 * np.eye(len(found.x))
    slopes = (
        np.array(
            [lengths(unpack(found.x + h, keys)) - lengths(unpack(found.x - h, keys)) for h in step]
        ).T
        / 2e-6
    )
    _, ours = solution.propagate(lengths, ends)
    covariance = slopes @ spread @ slopes.T
    np.testing.assert_allclose(ours, covariance, rtol=0.01, atol=0.01 * np.trace(ours) / 4)
    np.testing.assert_allclose(np.diag(ours), np.diag(covariance), rtol=0.01)
    slope = theirs[(PLANE, "porch")][:2]
    normal = solution.state[(PLANE, "porch")].normal
    assert np.hypot(*normal[:2]) / normal[2] == pytest.approx(np.hypot(*slope), abs=1e-6)
    assert solution.state[(LENS_MEAN, "phone")][0] == pytest.approx(
        theirs[(LENS_MEAN, "phone")][0], abs=1e-2
    )


def test_gtsam_gives_the_same_optimum_and_covariance_of_the_same_bundle():
    """A factor-graph library on a bundle of 4 photos and 20 points with three control points."""
    gtsam = pytest.importorskip("gtsam")
    rng = np.random.default_rng(12)
    points = rng.uniform((-3, 0, 2.8), (3, 4, 4.0), (20, 3))
    centres = [np.array([x, -6.0 + 0.5 * abs(x), 4.5]) for x in (-4.0, -1.5, 1.5, 4.0)]
    poses = [Pose(look_at(c, np.array([0.0, 2.0, 3.3])), c) for c in centres]
    lens = np.array([FOCAL, SIZE_PX[0] / 2, SIZE_PX[1] / 2, 0.05, -0.02])
    prior = camera_prior()
    calibration = gtsam.Cal3DS2(FOCAL, FOCAL, 0, lens[1], lens[2], lens[3], lens[4], 0.0, 0.0)
    graph, values = gtsam.NonlinearFactorGraph(), gtsam.Values()
    observations, start = [], {}
    pixel = gtsam.noiseModel.Isotropic.Sigma(2, 1.5)
    control = gtsam.noiseModel.Isotropic.Sigma(3, 0.01)
    cameras = {}
    for i, pose in enumerate(poses):
        name = f"IMG_{i}"
        cameras[name] = type(prior)(
            size_px=SIZE_PX,
            focal=FOCAL,
            focal_sd=1.0,
            centre=(lens[1], lens[2]),
            centre_sd=1.0,
            k1=lens[3],
            k2=lens[4],
        )
        start[(CAMERA, name)] = Pose(pose.rotation, pose.translation + rng.normal(0, 0.02, 3))
        moved = start[(CAMERA, name)]
        values.insert(i, gtsam.Pose3(gtsam.Rot3(moved.rotation), gtsam.Point3(moved.translation)))
        px = opencv_pixels(points, pose.rotation, pose.translation, lens)
        px = px + rng.normal(0, 1.5, px.shape)
        for k, (u, v) in enumerate(px):
            observations.append(
                PointInPhoto(
                    id=f"{i} {k}", photo=name, point=f"P{k:02}", px=(float(u), float(v)), sd_px=1.5
                )
            )
            graph.add(
                gtsam.GenericProjectionFactorCal3DS2(
                    np.array([u, v]), pixel, i, 100 + k, calibration
                )
            )
    for k, point in enumerate(points):
        begin = point + rng.normal(0, 0.02, 3)
        start[(POINT, f"P{k:02}")] = begin
        values.insert(100 + k, gtsam.Point3(begin))
    for k in range(3):
        seen = points[k] + rng.normal(0, 0.01, 3)
        observations.append(
            Prior(id=f"control {k}", key=(POINT, f"P{k:02}"), mean=seen, sd=np.full(3, 0.01))
        )
        graph.add(gtsam.PriorFactorPoint3(100 + k, gtsam.Point3(seen), control))
    parameters = gtsam.LevenbergMarquardtParams()
    parameters.setRelativeErrorTol(1e-14)
    parameters.setAbsoluteErrorTol(1e-14)
    optimum = gtsam.LevenbergMarquardtOptimizer(graph, values, parameters).optimize()
    marginals = gtsam.Marginals(graph, optimum)
    solution = solve(
        Network(observations=observations, cameras=cameras),
        start,
        robust=False,
        variance_components=False,
    )
    squares = solution.statistics.variance_factor * solution.statistics.degrees_of_freedom
    assert squares == pytest.approx(2 * graph.error(optimum), rel=1e-7)
    for k in range(20):
        key = (POINT, f"P{k:02}")
        np.testing.assert_allclose(solution.state[key], optimum.atPoint3(100 + k), atol=2e-6)
        theirs = marginals.marginalCovariance(100 + k)
        ours = solution.covariance([key])
        np.testing.assert_allclose(ours, theirs, rtol=0.01, atol=0.01 * np.trace(theirs) / 3)
        np.testing.assert_allclose(np.diag(ours), np.diag(theirs), rtol=0.01)
    for i in range(4):  # both: rotation vector in the camera's own frame; its shift is theirs too
        theirs = marginals.marginalCovariance(i)
        ours = solution.covariance([(CAMERA, f"IMG_{i}")])
        np.testing.assert_allclose(np.diag(ours)[:3], np.diag(theirs)[:3], rtol=0.01)
        turn = solution.state[(CAMERA, f"IMG_{i}")].rotation
        np.testing.assert_allclose(
            turn.T @ ours[3:, 3:] @ turn, theirs[3:, 3:], rtol=0.01, atol=1e-7
        )
