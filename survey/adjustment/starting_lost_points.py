"""Points that polishing left in the wrong place are put where their lines of sight meet.

A point may start behind a wall or a camera; no step then leads it back, and its marks stay hundreds
of sds off though they agree with each other.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.model import CAMERA, LENS, POINT, Array, Network, PointInPhoto, Pose, State
from survey.adjustment.robust import reading_norms
from survey.geometry import rays

WILD = 25.0  # sds from which on a mark says that its point is misplaced
LEAST_ANGLE = 0.02  # of the lines of sight: eigenvalue of their sum under which none is looked for


def lost_points_anew(network: Network, system: System, state: State) -> State:
    """Give a state with misplaced points where their marks meet; the same state if there are none.

    Parameters
    ----------
    network : Network
    system : System
    state : State
        After polishing.
    """
    norms = reading_norms(system, system.residuals(system.unknowns.pack(state)))
    marks: dict[str, list[PointInPhoto]] = defaultdict(list)
    wild: dict[str, int] = defaultdict(int)
    for index, norm in zip(system.observation[system.group_first], norms, strict=True):
        mark = system.observations[index]
        if isinstance(mark, PointInPhoto):
            marks[mark.point].append(mark)
            wild[mark.point] += int(norm > WILD)
    moved = dict(state)
    for point, seen in marks.items():
        if wild[point] >= 2 and 2 * wild[point] >= len(seen):
            place = _meeting(network, state, seen)
            if place is not None:
                moved[(POINT, point)] = place
    return moved


def _meeting(network: Network, state: State, marks: list[PointInPhoto]) -> Array | None:
    """Point nearest to the marks' lines of sight; None if they are too nearly parallel."""
    total, right = np.zeros((3, 3)), np.zeros(3)
    for mark in marks:
        camera, lens = state[(CAMERA, mark.photo)], state[(LENS, mark.photo)]
        assert isinstance(camera, Pose) and isinstance(lens, np.ndarray)
        prior = network.cameras.get(mark.photo)
        fixed = np.array([prior.p1, prior.p2, prior.k3]) if prior else np.zeros(3)
        ray = rays(np.array([mark.px]), lens, fixed)[0]
        direction = camera.rotation @ ray
        across = np.eye(3) - np.outer(direction, direction)
        total += across
        right += across @ camera.translation
    if np.linalg.eigvalsh(total)[0] < LEAST_ANGLE**2:
        return None
    place: Array = np.asarray(np.linalg.solve(total, right), dtype=float)
    return place
