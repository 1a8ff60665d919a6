"""Puts a loose piece of the site where everything that speaks of it and the whole at once wants it.

Two pieces that share one corner are not joined by it alone: the piece could still turn. What also
ties them are lines of sight across (a photo of the one shows a point of the other), planes that
both have found, and boards of the one that lie on a plane of the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.optimize

from survey.adjustment.model import Array, Pose, TargetOnPlane
from survey.adjustment.starting_index import Index, Site
from survey.geometry import rotation_from_vector

# Slacks: both pieces are placed roughly only, and the farther from their targets the worse.
POINT_SLACK = 0.05  # metres
SIGHT_SLACK = 0.01  # normalised image, some 30 px of a phone photo
NORMAL_SLACK = 0.03  # sine of the angle between two normals
OFFSET_SLACK = 0.05  # metres
UP_SLACK = 0.2  # what a single piece makes of plumb may be off by much
LEAST_TIES = 7  # equations; six leave nothing that could contradict
TURNS = 12  # turns tried about the whole's plumb line
BEND = 2.0  # slacks at which the pull of a tie starts to level off
LIKELY = 3  # of those that are followed to the end, besides the piece's own
GOOD = 0.7  # the same as FIT, at which no other turn is looked at
FIT = 2.0  # root mean bent square of the ties, in slacks, above which nothing is joined
BEHIND = 10.0  # residual of a sight whose point is behind its camera, slacks


@dataclass(frozen=True, slots=True)
class _Ties:
    """What ties a piece to the whole, each a function of the piece's rotation and shift."""

    index: Index
    piece: Site
    whole: Site

    def residuals(self, rotation: Array, shift: Array) -> Array:
        """Residuals of all ties, each over its slack."""
        rows = [
            *self._points(rotation, shift),
            *self._sights(rotation, shift),
            *self._planes(rotation, shift),
            *self._boards(rotation, shift),
        ]
        if self.piece.up is not None and self.whole.up is not None:
            rows.append((rotation @ self.piece.up - self.whole.up) / UP_SLACK)
        return np.concatenate(rows) if rows else np.zeros(0)

    def _points(self, rotation: Array, shift: Array) -> Iterator[Array]:
        for name, place in self.piece.points.items():
            if name in self.whole.points:
                yield (rotation @ place + shift - self.whole.points[name]) / POINT_SLACK

    def _sights(self, rotation: Array, shift: Array) -> Iterator[Array]:
        for name, lines in self.index.sightlines.items():
            mine, theirs = self.piece.points.get(name), self.whole.points.get(name)
            for photo, line in lines.items():
                if photo in self.piece.cameras and theirs is not None:
                    place: Array = rotation.T @ (theirs - shift)
                    yield _off_sight(self.piece.cameras[photo], line.direction, place)
                elif photo in self.whole.cameras and mine is not None and theirs is None:
                    place = rotation @ mine + shift
                    yield _off_sight(self.whole.cameras[photo], line.direction, place)

    def _planes(self, rotation: Array, shift: Array) -> Iterator[Array]:
        for name, plane in self.piece.planes.items():
            other = self.whole.planes.get(name)
            if other is not None:
                normal: Array = rotation @ plane.normal
                offset = plane.offset - float(normal @ shift)
                yield (normal - other.normal) / NORMAL_SLACK
                yield np.array([(offset - other.offset) / OFFSET_SLACK])

    def _boards(self, rotation: Array, shift: Array) -> Iterator[Array]:
        for tie in self.index.of(TargetOnPlane):
            pose, plane = self.piece.targets.get(tie.target), self.whole.planes.get(tie.plane)
            if pose is not None and plane is not None and tie.plane not in self.piece.planes:
                face: Array = rotation @ pose.rotation[:, 2]
                centre: Array = rotation @ pose.translation + shift
                out = float(plane.normal @ centre) + plane.offset - tie.thickness
                yield (face - plane.normal) / max(NORMAL_SLACK, tie.tilt_sd)
                yield np.array([out / max(OFFSET_SLACK, tie.thickness_sd)])


def joined_by_ties(index: Index, piece: Site, whole: Site) -> Site | None:
    """Move a piece to where all that ties it to the whole agrees best.

    Parameters
    ----------
    index : Index
    piece, whole : Site
        Levelled as well as each could be; the piece where its corners alone put it, if they do.

    Returns
    -------
    Site or None
        None where too little ties them, or no place fits it.

    Notes
    -----
    Least squares on a bent (Cauchy) cost, started from the likeliest of a dozen turns about the
    plumb line: one wrong mark, or a plumb line that the piece got wrong, is outvoted.
    """
    ties = _Ties(index, piece, whole)
    count = len(ties.residuals(np.eye(3), np.zeros(3)))
    if count < LEAST_TIES:
        return None
    anchor = _anchor(piece, whole)

    def off(unknowns: Array) -> Array:
        rotation = rotation_from_vector(unknowns[:3])
        return ties.residuals(rotation, unknowns[3:] - rotation @ anchor[0] + anchor[1])

    turns = np.arange(TURNS) * (2 * math.pi / TURNS)
    starts = [np.array([0.0, 0.0, turn, 0.0, 0.0, 0.0]) for turn in turns]
    likely = sorted(starts[1:], key=lambda start: _bent(off(start)))[:LIKELY]
    best = None
    for start in (starts[0], *likely):
        found = scipy.optimize.least_squares(off, start, loss="cauchy", f_scale=BEND, max_nfev=30)
        if best is None or found.cost < best.cost:
            best = found
        if math.sqrt(2 * best.cost / count) < GOOD:
            break
    if best is None or math.sqrt(2 * best.cost / count) > FIT:
        return None
    rotation = rotation_from_vector(best.x[:3])
    return piece.moved(rotation, best.x[3:] - rotation @ anchor[0] + anchor[1])


def _bent(residuals: Array) -> float:
    return float(np.log1p((residuals / BEND) ** 2).sum())


def _anchor(piece: Site, whole: Site) -> tuple[Array, Array]:
    """Where the piece turns about, and where that lies in the whole: a shared point if any."""
    shared = [name for name in piece.points if name in whole.points]
    if shared:
        mine = np.mean([piece.points[name] for name in shared], axis=0)
        return mine, np.mean([whole.points[name] for name in shared], axis=0)
    return _middle(piece), _middle(whole)


def _middle(site: Site) -> Array:
    places = [*site.points.values(), *(pose.translation for pose in site.targets.values())]
    return np.mean(places, axis=0) if places else np.zeros(3)


def _off_sight(camera: Pose, direction: Array, place: Array) -> Array:
    """How far a place is from where a photo shows it, in slacks."""
    seen = camera.rotation.T @ (place - camera.translation)
    if seen[2] < 1e-2:
        return np.full(2, BEHIND)
    off: Array = (seen[:2] / seen[2] - direction[:2] / direction[2]) / SIGHT_SLACK
    return off
