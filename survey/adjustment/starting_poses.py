"""Starting poses: both planar poses of every target sighting, and resection of photos.

A planar target seen from afar fits two poses nearly equally well (Collins and Bartoli,
Infinitesimal plane-based pose estimation, IJCV 109, 2014); both are kept here, refined.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import cv2
import numpy as np

from survey.adjustment.model import Array, Pose
from survey.adjustment.starting_index import Corners
from survey.geometry import nearest_rotation, rotation_from_vector

SAME_POSE = math.radians(0.3)  # two refined poses nearer than this are one
REFINE_STEPS = 15
CAP = 25.0  # a squared standardised residual counts no more than this when poses are compared
MOST_TRIPLES = 12  # of points whose three-point poses are tried
LEAST_AREA = 0.01  # square metres, twice that of the triangle; less is a line
START_SLACK = 4.0  # sds are widened by this while nothing is adjusted yet


@dataclass(frozen=True, slots=True)
class Candidate:
    """A pose of a target in the camera frame, ``X_camera = rotation @ X_target + translation``."""

    rotation: Array
    translation: Array
    chi_square: float


def target_candidates(corners: Corners) -> tuple[Candidate, ...]:
    """Find one or two poses of a target in a photo, the better fitting first.

    Lens and print scale are held at their priors. None is found of a degenerate board.
    """
    return planar_candidates(corners.flat, corners.xy, corners.weights)


def planar_candidates(points: Array, xy: Array, weights: Array) -> tuple[Candidate, ...]:
    """Poses of points of a plane from their undistorted image, both branches refined.

    Parameters
    ----------
    points : (n, 3) array
        z = 0 throughout, own frame, metres.
    xy : (n, 2) array
        Normalised image coordinates.
    weights : (n,) array
        One over sd of `xy`.
    """
    if len(points) < 4:
        return ()
    try:
        found, rotations, shifts, _ = cv2.solvePnPGeneric(
            points, xy[:, None, :], np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:
        return ()
    kept: list[Candidate] = []
    for rotation, shift in zip(rotations, shifts, strict=True) if found else ():
        start = Candidate(_turn(rotation), _shift(shift), 0.0)
        pose = refine(points, xy, weights, start)
        if pose is None or not math.isfinite(pose.chi_square):
            continue
        if all(angle_between(pose.rotation, other.rotation) > SAME_POSE for other in kept):
            kept.append(pose)
    return tuple(sorted(kept, key=lambda pose: pose.chi_square))


def _turn(vector: object) -> Array:
    """Rotation matrix of a rotation vector as the library gives it."""
    return rotation_from_vector(np.array(vector, dtype=np.float64).reshape(3))


def _shift(vector: object) -> Array:
    return np.array(vector, dtype=np.float64).reshape(3)


def angle_between(first: Array, second: Array) -> float:
    """Angle of the turn from one rotation to another, radians."""
    cosine = (np.trace(first.T @ second) - 1) / 2
    return float(np.arccos(np.clip(cosine, -1.0, 1.0)))


def refine(
    points: Array, xy: Array, weights: Array, start: Candidate, *, capped: bool = False
) -> Candidate | None:
    """Levenberg-Marquardt on one pose; None when points fall behind the camera.

    With `capped`, residuals beyond `CAP` lose their pull (iterated weights), and the chi-square
    returned is that of capped residuals.
    """
    rotation, shift = start.rotation, start.translation
    residual, jacobian = _pose_rows(points, xy, weights, rotation, shift)
    if residual is None or jacobian is None:
        return None
    damping, cost = 1e-4, _cost(residual, capped)
    for _ in range(REFINE_STEPS):
        pull = _pull(residual, capped)
        normal = (jacobian * pull[:, None]).T @ jacobian
        gradient = (jacobian * pull[:, None]).T @ residual
        damped = normal + damping * np.diag(np.diag(normal)) + 1e-12 * np.eye(6)
        step: Array = np.asarray(np.linalg.solve(damped, gradient), dtype=np.float64)
        new_rotation = rotation @ rotation_from_vector(step[:3])
        new_shift = shift + step[3:]
        new_residual, new_jacobian = _pose_rows(points, xy, weights, new_rotation, new_shift)
        new_cost = math.inf if new_residual is None else _cost(new_residual, capped)
        if new_cost <= cost and new_residual is not None and new_jacobian is not None:
            small = cost - new_cost < 1e-7 * (1.0 + cost)
            rotation, shift, cost = new_rotation, new_shift, new_cost
            residual, jacobian, damping = new_residual, new_jacobian, damping / 5
            if small:
                break
        else:
            damping *= 10
            if damping > 1e8:
                break
    return Candidate(nearest_rotation(rotation), shift, cost)


def _cost(residual: Array, capped: bool) -> float:
    if not capped:
        return float(residual @ residual)
    pairs = residual.reshape(2, -1)
    return float(np.minimum((pairs**2).sum(axis=0), CAP).sum())


def _pull(residual: Array, capped: bool) -> Array:
    if not capped:
        return np.ones(len(residual))
    size = np.sqrt((residual.reshape(2, -1) ** 2).sum(axis=0))
    return np.tile(1.0 / (1.0 + size**2 / CAP) ** 2, 2)


def _pose_rows(
    points: Array, xy: Array, weights: Array, rotation: Array, shift: Array
) -> tuple[Array | None, Array | None]:
    """Weighted residuals (2n,), x rows first, and derivatives by turn (own frame) and shift."""
    turned = points @ rotation.T
    seen = turned + shift
    z = seen[:, 2]
    if np.any(z < 1e-3):
        return None, None
    x, y = seen[:, 0] / z, seen[:, 1] / z
    residual = np.concatenate([(xy[:, 0] - x) * weights, (xy[:, 1] - y) * weights])
    zero = np.zeros_like(z)
    by_seen = (
        np.stack([np.stack([1 / z, zero, -x / z], axis=1), np.stack([zero, 1 / z, -y / z], axis=1)])
        * weights[None, :, None]
    )
    # d(R exp(w) X)/dw = -R [X]x ; as rows: (row R) . (w x X) = w . (X x (R^T row))
    local = by_seen @ rotation
    by_turn = np.cross(points[None, :, :], local)
    jacobian = np.concatenate([by_turn, by_seen], axis=2).reshape(-1, 6)
    return residual, jacobian


def resect(
    points: Array, xy: Array, weights: Array, seeds: list[Candidate]
) -> tuple[Candidate, ...]:
    """Poses of known points in a camera, the best first, gross errors outvoted.

    Parameters
    ----------
    points : (n, 3) array
        Known points in one frame; `xy` (n, 2) their normalised image, `weights` (n,) one over sd.
    seeds : list of Candidate
        Poses to try besides those that the points themselves give.

    Returns
    -------
    tuple of Candidate
        Chi-squares are of capped residuals; candidates that are the same pose are given once.
    """
    tried = list(seeds)
    if len(points) >= 4:
        tried += _seeds_from_points(points, xy, weights)
    slack = weights / START_SLACK
    kept: list[Candidate] = []
    for seed in tried:
        pose = refine(points, xy, slack, seed, capped=True)
        if pose is None or not math.isfinite(pose.chi_square):
            continue
        if all(angle_between(pose.rotation, other.rotation) > SAME_POSE for other in kept):
            kept.append(pose)
    return tuple(sorted(kept, key=lambda pose: pose.chi_square))


def _seeds_from_points(points: Array, xy: Array, weights: Array) -> list[Candidate]:
    """Poses from four or more points: both planar ones, or a spatial one from a consensus."""
    middle = points.mean(axis=0)
    _, spread, axes = np.linalg.svd(points - middle, full_matrices=False)
    if spread[1] < 1e-3 * spread[0]:
        return []
    seeds: list[Candidate] = []
    # Own frame of the points' plane, for the planar solver.
    frame = np.stack([axes[0], axes[1], np.cross(axes[0], axes[1])], axis=1)
    if spread[2] < 0.05 * spread[1]:
        flat = (points - middle) @ frame
        flat[:, 2] = 0.0
        for pose in planar_candidates(flat, xy, weights):
            turned = pose.rotation @ frame.T
            seeds.append(Candidate(turned, pose.translation - turned @ middle, pose.chi_square))
    seeds += _sampled_seeds(points, xy)
    return seeds


def _sampled_seeds(points: Array, xy: Array) -> list[Candidate]:
    """Consensus over small samples, so that a few wrong marks can't spoil every seed."""
    seeds: list[Candidate] = []
    try:
        found, turn, shift, _ = cv2.solvePnPRansac(
            points,
            xy[:, None, :],
            np.eye(3),
            None,
            reprojectionError=0.01,
            iterationsCount=200,
            flags=cv2.SOLVEPNP_SQPNP if len(points) < 6 else cv2.SOLVEPNP_EPNP,
        )
        if found:
            seeds.append(Candidate(_turn(turn), _shift(shift), 0.0))
    except cv2.error:
        pass
    try:
        count, turns, shifts, _ = cv2.solvePnPGeneric(
            points, xy[:, None, :], np.eye(3), None, flags=cv2.SOLVEPNP_SQPNP
        )
        pairs = zip(turns, shifts, strict=True) if count else ()
        seeds += [Candidate(_turn(t), _shift(s), 0.0) for t, s in pairs]
    except cv2.error:
        pass
    return seeds


def three_point_poses(points: Array, xy: Array) -> list[Candidate]:
    """Give poses that three of the points alone ask for, up to four a triple, wide triples first.

    A few wrong marks among the points spoil some triples, never all (Fischler and Bolles, Random
    sample consensus, CACM 24(6), 1981).
    """
    triples = list(itertools.combinations(range(len(points)), 3))
    areas = [
        float(np.linalg.norm(np.cross(points[b] - points[a], points[c] - points[a])))
        for a, b, c in triples
    ]
    order = sorted(range(len(triples)), key=lambda i: -areas[i])[:MOST_TRIPLES]
    poses: list[Candidate] = []
    for i in order:
        rows = list(triples[i])
        if areas[i] < LEAST_AREA:
            break
        try:
            _, turns, shifts = cv2.solveP3P(
                points[rows], xy[rows][:, None, :], np.eye(3), None, flags=cv2.SOLVEPNP_P3P
            )
        except cv2.error:
            continue
        poses += [Candidate(_turn(t), _shift(s), 0.0) for t, s in zip(turns, shifts, strict=True)]
    return [pose for pose in poses if np.all(np.isfinite(pose.translation))]


def camera_from(target: Pose, seen: Candidate) -> Pose:
    """Camera pose from a placed target and its pose in the camera frame."""
    rotation = target.rotation @ seen.rotation.T
    return Pose(rotation, target.translation - rotation @ seen.translation)


def target_from(camera: Pose, seen: Candidate) -> Pose:
    """Target pose from a placed camera and the target's pose in the camera frame."""
    rotation = camera.rotation @ seen.rotation
    return Pose(rotation, camera.rotation @ seen.translation + camera.translation)


def seen_from(camera: Pose, target: Pose) -> Candidate:
    """Pose of a placed target in a placed camera's frame."""
    rotation = camera.rotation.T @ target.rotation
    return Candidate(rotation, camera.rotation.T @ (target.translation - camera.translation), 0.0)


def camera_pose(seen: Candidate) -> Pose:
    """Camera pose in the frame of the points that `seen` places in the camera."""
    return Pose(seen.rotation.T, -seen.rotation.T @ seen.translation)
