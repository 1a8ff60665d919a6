"""Is a board flat? A signed quadratic fit to the residuals of its corners.

A bowed board fits its own pose nearly as well as a flat one; what is left has the shape of a bow
seen at a slant. All photos of a board are fitted together, with its pose in each photo and its
print scale free, so that nothing else can take the bow's part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.model import (
    CAMERA,
    LENS,
    PRINT_SCALE,
    TARGET,
    Array,
    Network,
    Pose,
    State,
    TargetCorners,
)
from survey.findings import Finding, Severity
from survey.geometry import cross_matrix, project_with_derivatives
from survey.units import System, format_length

SURE = 4.5  # t value of a bow that is named; three shapes are tried on every board
LEAST_CORNERS = 12
LEAST_BOW = 0.001  # metres; less does not matter
SHAPES = ("across", "down", "corner to corner")


@dataclass(frozen=True, slots=True)
class BoardShape:
    """Bow of a board: metres between its middle and its edges, in the three quadratic shapes.

    `t` are the bows over their sds; `gain` is how much chi-square a free bow takes off.
    """

    target: str
    bow: Array
    t: Array
    gain: float


def board_shapes(network: Network, solution: AdjustedNetwork) -> list[BoardShape]:
    """Shape of every board with enough corners."""
    seen: dict[str, list[TargetCorners]] = {}
    for o in network.observations:
        if isinstance(o, TargetCorners) and (TARGET, o.target) in solution.state:
            if (CAMERA, o.photo) in solution.state:
                seen.setdefault(o.target, []).append(o)
    shapes = []
    for target, sightings in seen.items():
        if sum(len(o.corners_px) for o in sightings) >= LEAST_CORNERS:
            shapes.append(_shape(network, solution.state, target, sightings))
    return shapes


def _shape(
    network: Network, state: State, target: str, sightings: list[TargetCorners]
) -> BoardShape:
    count = len(sightings)
    rows, residuals = [], []
    half = max(float(np.abs(o.corners_target).max()) for o in sightings)
    for i, seen in enumerate(sightings):
        by_bow, by_scale, by_pose, residual = _derivatives(network, state, seen, half)
        nuisance = np.zeros((len(residual), 6 * count))
        nuisance[:, 6 * i : 6 * i + 6] = by_pose
        weight = np.repeat(1.0 / seen.sd_px, 2)
        rows.append(np.hstack([by_bow, by_scale, nuisance]) * weight[:, None])
        residuals.append(residual * weight)
    design, goal = np.concatenate(rows), np.concatenate(residuals)
    scale = np.maximum(np.linalg.norm(design, axis=0), 1e-12)
    design = design / scale
    bow_free = design[:, 3:] @ np.linalg.lstsq(design[:, 3:], goal, rcond=None)[0]
    inverse = np.linalg.pinv(design.T @ design, rcond=1e-10)
    solved = inverse @ design.T @ goal
    left = goal - design @ solved
    spare = max(len(goal) - design.shape[1], 1)
    factor = max(1.0, float(left @ left) / spare)
    sd = np.sqrt(np.maximum(np.diag(inverse)[:3] * factor, 1e-30)) / scale[:3]
    bow = solved[:3] / scale[:3]
    gain = float((goal - bow_free) @ (goal - bow_free) - left @ left)
    return BoardShape(target, bow, bow / sd, gain)


def _derivatives(
    network: Network, state: State, seen: TargetCorners, half: float
) -> tuple[Array, Array, Array, Array]:
    """Give derivatives of pixels by bow (3), scale (2) and pose (6), and the residuals."""
    camera, board = state[(CAMERA, seen.photo)], state[(TARGET, seen.target)]
    assert isinstance(camera, Pose) and isinstance(board, Pose)
    lens = np.asarray(state.get((LENS, seen.photo)))
    prior = network.cameras[seen.photo]
    fixed = np.array([prior.p1, prior.p2, prior.k3])
    turn = camera.rotation.T @ board.rotation
    shift = camera.rotation.T @ (board.translation - camera.translation)
    flat = np.zeros((len(seen.corners_px), 3))
    flat[:, :2] = seen.corners_target * np.asarray(state[(PRINT_SCALE, seen.target)])
    shot = project_with_derivatives(flat @ turn.T + shift, lens, fixed)
    by_board = shot.by_point @ turn  # (n, 2, 3)
    x, y = seen.corners_target[:, 0] / half, seen.corners_target[:, 1] / half
    shapes = np.stack([1 - x**2, 1 - y**2, x * y], axis=1)
    by_bow = by_board[:, :, 2:] * shapes[:, None, :]
    by_scale = by_board[:, :, :2] * seen.corners_target[:, None, :]
    by_turn = -by_board @ cross_matrix(flat)
    by_pose = np.concatenate([by_turn, by_board], axis=2)
    residual = (seen.corners_px - shot.px).ravel()
    flatten = (-1, 3), (-1, 2), (-1, 6)
    parts = [
        part.reshape(shape)
        for part, shape in zip((by_bow, by_scale, by_pose), flatten, strict=True)
    ]
    return parts[0], parts[1], parts[2], residual


def board_findings(network: Network, solution: AdjustedNetwork) -> list[Finding]:
    """Name boards that are not flat, with the size of their bow."""
    findings = []
    for shape in board_shapes(network, solution):
        worst = int(np.argmax(np.abs(shape.t)))
        size = abs(float(shape.bow[worst]))
        if abs(shape.t[worst]) < SURE or size < LEAST_BOW:
            continue
        system: System = "metric" if network.units == "metric" else "us"
        findings.append(
            Finding(
                "target-not-flat",
                Severity.CHECK,
                f"target {shape.target}",
                f"target {shape.target} is not flat: it bows {format_length(size, system)} "
                f"{SHAPES[worst]} ({abs(shape.t[worst]):.0f} standard deviations)",
                "put the target on a rigid flat backing",
            )
        )
    return findings
