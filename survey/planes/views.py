"""Where named points fall in a photo, as a function of the adjusted unknowns."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from survey.adjustment.model import CAMERA, LENS, POINT, Array, Key, Pose, State
from survey.geometry.cameras import project
from survey.photo.model import CameraPrior

NEAREST = 0.1  # m in front of the camera
FARTHEST_RADIUS = 1.5  # of the half diagonal; beyond, the distortion is extrapolated


def visible_points(state: State, photo: str, prior: CameraPrior, names: Sequence[str]) -> list[str]:
    """Return the points that have a place and fall into the photo."""
    keys = [(POINT, name) for name in names if (POINT, name) in state]
    pose = state.get((CAMERA, photo))
    lens = state.get((LENS, photo))
    if not keys or not isinstance(pose, Pose) or not isinstance(lens, np.ndarray):
        return []
    points = np.array([state[key] for key in keys])
    own = (points - pose.translation) @ pose.rotation
    ahead = own[:, 2] > NEAREST
    width, height = prior.size_px
    reach = FARTHEST_RADIUS * np.hypot(width, height) / 2 / prior.focal
    ahead &= np.hypot(own[:, 0], own[:, 1]) < reach * np.maximum(own[:, 2], NEAREST)
    px = project(np.where(ahead[:, None], own, [0.0, 0.0, 1.0]), lens, _fixed(prior))
    inside = (px > -0.5).all(axis=1) & (px[:, 0] < width - 0.5) & (px[:, 1] < height - 0.5)
    return [key[1] for key, good in zip(keys, ahead & inside, strict=True) if good]


def projection_of(
    photo: str, prior: CameraPrior, names: Sequence[str]
) -> tuple[Callable[[State], Array], tuple[Key, ...]]:
    """Return pixels of points (x, y one after the other) as a function of the unknowns."""
    keys: tuple[Key, ...] = ((CAMERA, photo), (LENS, photo), *((POINT, name) for name in names))
    fixed = _fixed(prior)

    def function(state: State) -> Array:
        pose, lens = state[(CAMERA, photo)], state[(LENS, photo)]
        assert isinstance(pose, Pose) and isinstance(lens, np.ndarray)
        points = np.array([state[(POINT, name)] for name in names])
        own = (points - pose.translation) @ pose.rotation
        return project(own, lens, fixed).ravel()

    return function, keys


def _fixed(prior: CameraPrior) -> Array:
    return np.array([prior.p1, prior.p2, prior.k3])
