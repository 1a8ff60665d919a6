"""A roof built in numbers and photographed by the library's own camera, so that truth is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
    Observation,
    OnSurface,
    PlaneParameters,
    PointInPhoto,
    Pose,
    Prior,
    RodHeight,
    SlopeOfPlane,
    State,
    TapeLength,
    TargetCorners,
    TargetMount,
)
from survey.geometry import project, rotation_from_vector, to_camera
from survey.photo.model import CameraPrior

SIZE_PX = (4032, 3024)
FOCAL = 3029.0
FLATNESS_SD = 0.003175  # 1/8 in; common practice
CHECKER = np.array([(x, y) for x in (-0.2, -0.07, 0.07, 0.2) for y in (-0.2, -0.07, 0.07, 0.2)])


@dataclass(frozen=True)
class Scene:
    """True state and the observations made of it."""

    truth: State
    network: Network

    def start(self, rng: np.random.Generator, *, spread: float = 1.0) -> State:
        """Starting values such as a resection gives: centimetres and tenths of a degree off."""
        state: State = {}
        for key, parameter in self.truth.items():
            match parameter:
                case Pose():
                    state[key] = Pose(
                        parameter.rotation @ rotation_from_vector(rng.normal(0, 0.005 * spread, 3)),
                        parameter.translation + rng.normal(0, 0.05 * spread, 3),
                    )
                case PlaneParameters():
                    normal = parameter.normal + rng.normal(0, 0.01 * spread, 3)
                    length = np.linalg.norm(normal)
                    state[key] = PlaneParameters(normal / length, parameter.offset)
                case _ if key[0] == LENS or key[0] == LENS_MEAN:
                    state[key] = np.array([FOCAL, SIZE_PX[0] / 2, SIZE_PX[1] / 2, 0.0, 0.0])
                case _ if key[0] == PRINT_SCALE:
                    state[key] = np.ones(2)
                case _:
                    state[key] = parameter + rng.normal(0, 0.05 * spread, parameter.shape)
        return state


def look_at(centre: np.ndarray, aim: np.ndarray) -> np.ndarray:
    """Rotation (site from camera) of an upright camera at `centre` that looks at `aim`."""
    forward = (aim - centre) / np.linalg.norm(aim - centre)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(forward, right), forward], axis=1)


def photograph(truth: State, photo: str, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """True pixels of points and whether each lies in the frame."""
    pose, lens = truth[(CAMERA, photo)], truth[(LENS, photo)]
    points_camera = to_camera(points, pose.rotation, pose.translation)
    px = project(points_camera, lens, np.zeros(3))
    inside = (points_camera[:, 2] > 0.5) & np.all((px > 0) & (px < SIZE_PX), axis=1)
    return px, inside


def camera_prior() -> CameraPrior:
    """What is known of the phone: 1 % focal, 10 px centre."""
    return CameraPrior(
        size_px=SIZE_PX,
        focal=FOCAL,
        focal_sd=0.01 * FOCAL,
        centre=(SIZE_PX[0] / 2, SIZE_PX[1] / 2),
        centre_sd=10.0,
        k1_sd=0.02,
        k2_sd=0.01,
    )


def porch(
    rng: np.random.Generator,
    *,
    photos: int = 4,
    points: int = 12,
    targets: int = 1,
    mark_sd: float = 1.5,
    corner_sd: float = 0.3,
    noise: float = 1.0,
    mark_noise: float = 1.0,
    share_seen: float = 1.0,
    tapes: int = 0,
    rods: int = 0,
    slopes: int = 0,
) -> Scene:
    """A porch roof of 6 x 4 m at 2:12, from a ladder before its eave.

    Points lie on plane "porch"; the first four are its corners "P0" to "P3". Gravity comes from
    target "T0", hung plumb and level on the wall behind, and from rod or slope readings.
    """
    truth: State = {}
    normal = np.array([0.0, -2.0, 12.0]) / np.hypot(2.0, 12.0)
    corners = np.array([(-3.0, 0.0), (3.0, 0.0), (3.0, 4.0), (-3.0, 4.0)])
    plan = np.concatenate([corners, rng.uniform((-3, 0), (3, 4), (max(points - 4, 0), 2))])
    roof = np.column_stack([plan[:points], 3.0 + plan[:points, 1] * 2.0 / 12.0])
    truth[(PLANE, "porch")] = PlaneParameters(normal, float(-normal @ roof[0]))
    roof += rng.normal(0, FLATNESS_SD, (len(roof), 1)) * normal
    for i, point in enumerate(roof):
        truth[(POINT, f"P{i}")] = point
    facing = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    for j in range(targets):
        place = np.array([-1.5 + 3.0 * j, 4.2, 4.5])
        turn = rotation_from_vector(rng.normal(0, 0.0087, 3))
        truth[(TARGET, f"T{j}")] = Pose(facing @ turn, place)
        truth[(PRINT_SCALE, f"T{j}")] = 1.0 + rng.normal(0, 0.001, 2)
    truth[(LENS_MEAN, "phone")] = np.array([FOCAL, SIZE_PX[0] / 2, SIZE_PX[1] / 2, 0, 0]) + (
        rng.normal(0, [0.01 * FOCAL, 10.0, 10.0, 0.02, 0.01])
    )
    observations: list[Observation] = []
    own_sd = np.array([0.001 * FOCAL, 3.0, 3.0, 0.002, 0.001])
    for i in range(photos):
        name = f"IMG_{i}"
        centre = np.array([rng.uniform(-4, 4), rng.uniform(-6.5, -4.5), rng.uniform(4.0, 5.5)])
        aim = np.array([rng.uniform(-0.7, 0.7), 2.2 + rng.uniform(-0.3, 0.3), 3.6])
        truth[(CAMERA, name)] = Pose(look_at(centre, aim), centre)
        truth[(LENS, name)] = truth[(LENS_MEAN, "phone")] + rng.normal(0, own_sd)
        observations.append(
            Prior(
                id=f"lens {name}",
                key=(LENS, name),
                mean=np.zeros(5),
                sd=own_sd,
                mean_of=(LENS_MEAN, "phone"),
            )
        )
        for j in range(targets):
            pose, scale = truth[(TARGET, f"T{j}")], truth[(PRINT_SCALE, f"T{j}")]
            flat = np.column_stack([CHECKER * scale, np.zeros(len(CHECKER))])
            px, inside = photograph(truth, name, flat @ pose.rotation.T + pose.translation)
            if np.count_nonzero(inside) >= 4:
                observations.append(
                    TargetCorners(
                        id=f"T{j} in {name}",
                        where=f"target T{j} in {name}",
                        photo=name,
                        target=f"T{j}",
                        corners_target=CHECKER[inside],
                        corners_px=px[inside] + rng.normal(0, noise * corner_sd, px[inside].shape),
                        sd_px=np.full(np.count_nonzero(inside), corner_sd),
                    )
                )
        px, inside = photograph(truth, name, roof)
        inside &= rng.uniform(size=len(inside)) < share_seen
        for k in np.flatnonzero(inside):
            marked = px[k] + rng.normal(0, mark_noise * noise * mark_sd, 2)
            observations.append(
                PointInPhoto(
                    id=f"P{k} in {name}",
                    where=f"point P{k} in {name}",
                    photo=name,
                    point=f"P{k}",
                    px=(float(marked[0]), float(marked[1])),
                    sd_px=mark_sd,
                )
            )
    observations += _site(rng, truth, roof, targets, tapes, rods, slopes)
    cameras = {f"IMG_{i}": camera_prior() for i in range(photos)}
    return Scene(truth, Network(observations=observations, cameras=cameras))


def _site(
    rng: np.random.Generator,
    truth: State,
    roof: np.ndarray,
    targets: int,
    tapes: int,
    rods: int,
    slopes: int,
) -> list[Observation]:
    """Everything observed without a camera."""
    prior = camera_prior()
    observations: list[Observation] = [
        Prior(
            id="lens phone",
            key=(LENS_MEAN, "phone"),
            mean=np.array([prior.focal, *prior.centre, 0.0, 0.0]),
            sd=np.array([prior.focal_sd, 10.0, 10.0, prior.k1_sd, prior.k2_sd]),
        )
    ]
    for j in range(targets):
        observations.append(
            Prior(
                id=f"scale T{j}",
                key=(PRINT_SCALE, f"T{j}"),
                mean=np.ones(2),
                sd=np.full(2, 0.001),
            )
        )
        for axis in ("normal", "x"):
            observations.append(
                TargetMount(id=f"T{j} {axis}", target=f"T{j}", axis=axis, is_level=True, sd=0.0087)
            )
    for k in range(len(roof)):
        observations.append(
            OnSurface(id=f"P{k} on porch", on=(PLANE, "porch"), point=f"P{k}", sd=FLATNESS_SD)
        )
    pairs = [(0, 1), (1, 2), (2, 3), (3, 0), (0, 2), (1, 3)]
    for t, (a, b) in enumerate(pairs[:tapes]):
        length = float(np.linalg.norm(roof[a] - roof[b]))
        sd = 0.003175 + 0.0005 * length
        observations.append(
            TapeLength(
                id=f"tape {t}",
                where=f"tape T{t}, readings.csv line {t + 2}",
                start=f"P{a}",
                end=f"P{b}",
                value=length + float(rng.normal(0, sd)),
                sd=sd,
            )
        )
    if rods:
        truth[(SETUP, "S1")] = np.array([4.8])
    for k in range(rods):
        observations.append(
            RodHeight(
                id=f"rod {k}",
                where=f"rod reading on P{k}, readings.csv line {k + 20}",
                setup="S1",
                point=f"P{k}",
                value=float(4.8 - roof[k, 2] + rng.normal(0, 0.0016)),
                sd=0.0016,
            )
        )
    for k in range(slopes):
        observations.append(
            SlopeOfPlane(
                id=f"slope {k}",
                plane="porch",
                value=float(np.arctan2(2.0, 12.0) + rng.normal(0, 0.0026)),
                sd=0.0026,
            )
        )
    return observations
