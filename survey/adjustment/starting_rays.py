"""Places a rigid, levelled layout by the lines of sight to its points."""

from __future__ import annotations

import math

import numpy as np
import scipy.optimize

from survey.adjustment.model import Array
from survey.adjustment.starting_index import Index, Site

LEAST_RAYS = 3  # four unknowns (turn about the plumb line, place); a ray gives two equations
TURNS = 72  # turns tried about the plumb line
CLOSE = 0.05  # mean distance from a line of sight over the distance along it; more is no fit
IN_FRONT = 0.1  # metres


def fit_to_rays(index: Index, site: Site, names: list[str], layout: Array, frame: Array) -> Array:
    """Move a levelled layout to where placed photos see its points.

    Parameters
    ----------
    index : Index
    site : Site
        Its cameras' lines of sight are used.
    names : list of str
        Point of each row of `layout`.
    layout : (n, 3) array
        Places in a level frame, metres.
    frame : (3, 3) array
        Columns x, y, up of that frame's axes in the site.

    Returns
    -------
    (n, 3) array, site frame; (0, 3) where too few photos see it, or no place fits.

    Notes
    -----
    For a given turn about the plumb line the best shift is linear least squares on the distances
    from the lines of sight; the turn itself is searched all round, then refined.
    """
    seen = [
        (row, site.cameras[photo].translation, site.cameras[photo].rotation @ line.direction)
        for row, name in enumerate(names)
        for photo, line in index.sightlines.get(name, {}).items()
        if photo in site.cameras
    ]
    nowhere = np.zeros((0, 3))
    if len(seen) < LEAST_RAYS or len({row for row, _, _ in seen}) < LEAST_RAYS:
        return nowhere
    rows = np.array([row for row, _, _ in seen])
    origins = np.array([origin for _, origin, _ in seen])
    directions = np.array([direction for _, _, direction in seen])
    across = np.eye(3) - directions[:, :, None] * directions[:, None, :]

    def placed(turn: float) -> tuple[float, Array]:
        c, s = math.cos(turn), math.sin(turn)
        turned = layout @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ frame.T
        gaps = origins - turned[rows]
        normal = across.sum(axis=0)
        shift = np.linalg.lstsq(normal, (across @ gaps[:, :, None]).sum(axis=0)[:, 0], rcond=None)[
            0
        ]
        offsets = shift - gaps  # from each camera to its point
        depth = (offsets * directions).sum(axis=1)
        aside = np.linalg.norm((across @ offsets[:, :, None])[:, :, 0], axis=1)
        ratio = aside / np.maximum(depth, IN_FRONT)
        return float(np.mean(ratio)), turned + shift

    turns = np.arange(TURNS) * (2 * math.pi / TURNS)
    best = float(turns[int(np.argmin([placed(float(turn))[0] for turn in turns]))])
    step = 2 * math.pi / TURNS
    refined = scipy.optimize.minimize_scalar(
        lambda turn: placed(turn)[0], bounds=(best - step, best + step), method="bounded"
    )
    misfit, places = placed(float(refined.x))
    return places if misfit < CLOSE else nowhere
