"""Is a board flat? A signed quadratic fit to the residuals of its corners.

A bowed board fits its own pose nearly as well as a flat one; what is left has the shape of a bow
seen at a slant. All photos of a board are fitted together, with its pose in each photo and its
print scale free, so that nothing else can take the bow's part.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.model import (
    CAMERA,
    LENS,
    PRINT_SCALE,
    TARGET,
    Array,
    Network,
    Observation,
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

    `t` are the bows over their sds; `half` is half the board's side as nominally printed.
    """

    target: str
    half: float
    bow: Array
    t: Array

    @property
    def worst(self) -> int:
        """Index of the surest of the three shapes."""
        return int(np.argmax(np.abs(self.t)))

    @property
    def is_sure(self) -> bool:
        """Whether it bows surely, and by enough to matter."""
        sure = abs(float(self.t[self.worst])) >= SURE
        return sure and abs(float(self.bow[self.worst])) >= LEAST_BOW


def bent_boards(network: Network, state: State) -> list[BoardShape]:
    """Find the boards that are surely not flat, among those with enough corners."""
    seen: dict[str, list[TargetCorners]] = {}
    for o in network.observations:
        if isinstance(o, TargetCorners) and (TARGET, o.target) in state:
            if (CAMERA, o.photo) in state:
                seen.setdefault(o.target, []).append(o)
    shapes = []
    for target, sightings in seen.items():
        if sum(len(o.corners_px) for o in sightings) >= LEAST_CORNERS:
            shapes.append(_shape(network, state, target, sightings))
    return [shape for shape in shapes if shape.is_sure]


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
    inverse = np.linalg.pinv(design.T @ design, rcond=1e-10)
    solved = inverse @ design.T @ goal
    left = goal - design @ solved
    spare = max(len(goal) - design.shape[1], 1)
    factor = max(1.0, float(left @ left) / spare)
    sd = np.sqrt(np.maximum(np.diag(inverse)[:3] * factor, 1e-30)) / scale[:3]
    bow = solved[:3] / scale[:3]
    return BoardShape(target, half, bow, bow / sd)


def flattened(
    network: Network, state: State, shape: BoardShape, observation: Observation
) -> Observation:
    """Move the corners of a bent board to where they would be seen were it flat."""
    if not isinstance(observation, TargetCorners) or observation.target != shape.target:
        return observation
    if (CAMERA, observation.photo) not in state:
        return observation
    by_bow = _derivatives(network, state, observation, shape.half)[0]
    moved = (by_bow @ shape.bow).reshape(-1, 2)
    return replace(observation, corners_px=observation.corners_px - moved)


def describe_shape(network: Network, shape: BoardShape) -> str:
    """Say which board bows which way by how much."""
    system: System = "metric" if network.units == "metric" else "us"
    size = format_length(abs(float(shape.bow[shape.worst])), system)
    sure = abs(float(shape.t[shape.worst]))
    return (
        f"target {shape.target} is not flat: it bows {size} {SHAPES[shape.worst]} ({sure:.0f} "
        "standard deviations)"
    )


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
    return [
        Finding(
            "target-not-flat",
            Severity.CHECK,
            f"target {shape.target}",
            describe_shape(network, shape),
            "put the target on a rigid flat backing",
        )
        for shape in bent_boards(network, solution.state)
    ]
