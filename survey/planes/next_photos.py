"""One more photo of a roof, from farther left or right: what it would add to the adjustment."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from survey.adjustment import Candidate
from survey.adjustment.model import (
    CAMERA,
    LENS,
    PRINT_SCALE,
    TARGET,
    Array,
    Network,
    Observation,
    PointInPhoto,
    Pose,
    Prior,
    State,
    TargetCorners,
)
from survey.geometry.cameras import project
from survey.photo.model import CameraPrior
from survey.planes.site_frame import point_of
from survey.planes.views import projection_of, visible_points
from survey.visit.model import PlaneSpec

TURN = math.radians(40.0)  # about the roof's middle, as far as one can mostly walk round
SIDES = (("left", -1.0), ("right", 1.0))
LEAST_CORNERS = 3
NEXT_PHOTO = "next photo"  # its name


def photo_candidates(
    plane: PlaneSpec,
    network: Network,
    state: State,
    cameras: Mapping[str, CameraPrior],
    press_sd: float,
) -> Iterator[Candidate]:
    """Yield photos of a plane from both sides of the one that shows most of it.

    Parameters
    ----------
    plane : PlaneSpec
    network : Network
        For the boards it would show and what is known of its lens.
    state : State
        Adjusted; the site's z is up.
    cameras : mapping
        Prior of each photo that can be used.
    press_sd : float
        Of a corner marked in it, pixels.
    """
    shown = {
        photo: visible_points(state, photo, prior, plane.outline)
        for photo, prior in cameras.items()
    }
    best = max(shown, key=lambda photo: len(shown[photo]), default=None)
    if best is None or len(shown[best]) < LEAST_CORNERS:
        return
    pose = state[(CAMERA, best)]
    assert isinstance(pose, Pose)
    middle = np.mean([point_of(state, name) for name in plane.outline], axis=0)
    for word, sign in SIDES:
        c, s = math.cos(sign * TURN), math.sin(sign * TURN)
        about = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        there = Pose(about @ pose.rotation, middle + about @ (pose.translation - middle))
        added: State = {(CAMERA, NEXT_PHOTO): there, (LENS, NEXT_PHOTO): state[(LENS, best)]}
        full = {**state, **added}
        names = visible_points(full, NEXT_PHOTO, cameras[best], plane.outline)
        if len(names) >= LEAST_CORNERS:
            seen = [
                *_marks(full, cameras[best], names, press_sd),
                *_boards(network, full, cameras[best]),
                *_lens(network, full, best),
            ]
            words = f"take one more photo of {plane.name} from farther {word} than {best}"
            yield Candidate(words, tuple(seen), added, {NEXT_PHOTO: cameras[best]})


def _marks(
    state: State, prior: CameraPrior, names: list[str], sd_px: float
) -> Iterator[PointInPhoto]:
    places = projection_of(NEXT_PHOTO, prior, names)[0](state).reshape(-1, 2)
    for name, (x, y) in zip(names, places, strict=True):
        yield PointInPhoto(
            id=f"next {name}",
            photo=NEXT_PHOTO,
            point=name,
            px=(float(x), float(y)),
            sd_px=sd_px,
        )


def _boards(network: Network, state: State, prior: CameraPrior) -> Iterator[TargetCorners]:
    """Yield the boards that face the photo, as well found as where they were seen before."""
    camera, lens = state[(CAMERA, NEXT_PHOTO)], state[(LENS, NEXT_PHOTO)]
    assert isinstance(camera, Pose) and isinstance(lens, np.ndarray)
    known = {o.target: o for o in network.observations if isinstance(o, TargetCorners)}
    for name, before in known.items():
        board, scale = state.get((TARGET, name)), state.get((PRINT_SCALE, name))
        if not isinstance(board, Pose) or not isinstance(scale, np.ndarray):
            continue
        flat = np.column_stack([before.corners_target * scale, np.zeros(len(before.sd_px))])
        own: Array = flat @ board.rotation.T + board.translation - camera.translation
        own = own @ camera.rotation
        faces = float((camera.translation - board.translation) @ board.rotation[:, 2]) > 0
        if not faces or np.any(own[:, 2] <= 0):
            continue
        px = project(own, lens, np.array([prior.p1, prior.p2, prior.k3]))
        if np.all((px > 0) & (px < np.array(prior.size_px))):
            yield replace(before, id=f"next {name}", photo=NEXT_PHOTO, corners_px=px)


def _lens(network: Network, state: State, like: str) -> Iterator[Observation]:
    """Yield what is known of its lens: as of the photo that it is taken like."""
    for o in network.observations:
        if isinstance(o, Prior) and o.key == (LENS, like):
            yield replace(o, id="next lens", key=(LENS, NEXT_PHOTO))
