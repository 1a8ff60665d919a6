"""Moves a piece of the site onto the whole by everything both speak of.

What ties two pieces is put in one form, a gap between a place in the piece and a place in the
whole with its covariance. A placed point has the covariance its rays and planes give it; a line of
sight is a place (the camera) known across the line and not along it. So points placed in both,
points placed in one and seen in the other, and points merely seen in both count alike. Which way is
up turns the search into one about the plumb line: every turn is tried, the best are refined in all
six directions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from survey.adjustment.model import Array
from survey.adjustment.starting_gravity import upright_covariance
from survey.adjustment.starting_index import Fan, Index, Site
from survey.adjustment.starting_poses import (
    CAP,
    Candidate,
    angle_between,
    camera_pose,
    three_point_poses,
)
from survey.adjustment.starting_spread import ALONG, RAY_SLACK, Spreads
from survey.geometry import cross_matrix, nearest_rotation, rotation_from_vector

TURNS = 72  # turns tried about the plumb line
SHIFT_ROUNDS = 4
REFINE_STEPS = 15
MOST_VALLEYS = 4  # turns kept of one axis
SEEN_FROM = 8.0  # metres; how far a point is that no photo places
UP_SD = 0.02  # radians; of either piece's plumb line at best
NORMAL_SD = 0.02  # radians; of a plane at best
GOOD_AXIS = 0.2  # radians; sd up to which a direction is worth turning about
FIXED_TURN, FIXED_SHIFT = 0.5, 3.0  # radians, metres; sds above which nothing fixes the piece
FIT = 4.0  # square up to which a gap agrees with a move; at least half of them must
SAME_TURN, SAME_SHIFT = 0.1, 0.5  # radians, metres; alignments nearer than both are one
FREEDOM, SPARE = 6, 3  # of a move; rows beyond it that must agree where a tie does not
LEAST_POINTS = 3  # that place a photo by themselves, up to four ways
MOST_PHOTOS = 2  # of either side that are tried by themselves
MOST_STARTS = 6  # moves that are refined


@dataclass(frozen=True, slots=True)
class Gaps:
    """What ties a piece to the whole, one row a tie.

    ``X_whole = rotation @ X_piece + shift`` should carry `mine` to `there`; their covariances are
    in the frames of piece and whole. `ahead_mine` and `ahead_there` are the lines of sight (unit
    vectors, 0 for placed points). The last `directions` rows are unit vectors that should be turned
    alike: first up, then the normals of planes that both place.
    """

    mine: Array
    there: Array
    spread_mine: Array
    spread_there: Array
    ahead_mine: Array
    ahead_there: Array
    directions: int

    @property
    def places(self) -> int:
        """How many ties are of places."""
        return len(self.mine) - self.directions


Side = tuple[Array, Array, Array]  # place, its covariance, line of sight


def shared_points(index: Index, piece: Site, whole: Site) -> list[str]:
    """Points that both pieces place or see, and of which at least one has a line of sight."""
    return [
        point
        for point, lines in index.sightlines.items()
        if (any(photo in piece.cameras for photo in lines) or point in piece.points)
        and (any(photo in whole.cameras for photo in lines) or point in whole.points)
        and any(photo in piece.cameras or photo in whole.cameras for photo in lines)
    ]


def count_ties(index: Index, piece: Site, whole: Site) -> int:
    """How many points placed in the whole a piece sees, or edges that end at one."""
    points = sum(point in whole.points for point in shared_points(index, piece, whole))
    return points + len(_edge_ties(Spreads(index, piece), Spreads(index, whole)))


def gather_gaps(index: Index, piece: Site, whole: Site) -> Gaps | None:
    """Collect what ties a piece to the whole; None if nothing does."""
    ties: list[tuple[Side, Side]] = []
    mine, there = Spreads(index, piece), Spreads(index, whole)
    for point in shared_points(index, piece, whole):
        for here in _sides(mine, point):
            ties += [(here, other) for other in _sides(there, point)]
    ties += _edge_ties(mine, there)
    shared = [name for name in piece.planes if name in whole.planes]
    ties += [(_face(mine, name, 0.0), _face(there, name, ALONG)) for name in shared]
    if not ties:
        return None
    directions = [(_up(mine), _up(there))]
    directions += [(_normal(mine, name), _normal(there, name)) for name in shared]
    left, right = zip(*ties, *directions, strict=True)
    return Gaps(
        mine=np.array([side[0] for side in left]),
        there=np.array([side[0] for side in right]),
        spread_mine=np.array([side[1] for side in left]),
        spread_there=np.array([side[1] for side in right]),
        ahead_mine=np.array([side[2] for side in left]),
        ahead_there=np.array([side[2] for side in right]),
        directions=len(directions),
    )


def _up(spreads: Spreads) -> Side:
    up = np.array([0.0, 0.0, 1.0]) if spreads.site.up is None else spreads.site.up
    spread = upright_covariance(spreads.index, spreads.site)
    return up, spread + UP_SD**2 * np.eye(3), np.zeros(3)


def _normal(spreads: Spreads, plane: str) -> Side:
    spread = spreads.normal(plane) + NORMAL_SD**2 * np.eye(3)
    return spreads.site.planes[plane].normal, spread, np.zeros(3)


def _face(spreads: Spreads, plane: str, along: float) -> Side:
    """Give a place on a plane, loose by `along` within it."""
    place, sd = spreads.face(plane)
    normal = spreads.site.planes[plane].normal
    across = np.eye(3) - np.outer(normal, normal)
    return place, sd**2 * np.eye(3) + along**2 * across, np.zeros(3)


def _sides(spreads: Spreads, point: str) -> list[Side]:
    """How one piece knows a point: its place, or every line of sight to it."""
    site = spreads.site
    if point in site.points:
        return [(site.points[point], spreads.point(point), np.zeros(3))]
    sides: list[Side] = []
    for photo, line in spreads.index.sightlines.get(point, {}).items():
        camera = site.cameras.get(photo)
        if camera is not None:
            ahead = camera.rotation @ line.direction
            across = (RAY_SLACK * line.sd * SEEN_FROM) ** 2
            spread = across * np.eye(3) + ALONG**2 * np.outer(ahead, ahead)
            sides.append((camera.translation, spread, ahead))
    return sides


def _edge_ties(mine: Spreads, there: Spreads) -> list[tuple[Side, Side]]:
    """Ties of edges that one side sees and whose ends the other places."""
    index, piece, whole = mine.index, mine.site, there.site
    ties: list[tuple[Side, Side]] = []
    for point, fans in index.fans.items():
        for fan in fans:
            if fan.photo in index.sightlines.get(point, {}):
                continue  # the mark of the point itself says more
            if fan.photo in piece.cameras and point in whole.points:
                ties.append((_fan(piece, fan), _sides(there, point)[0]))
            elif fan.photo in whole.cameras and point in piece.points:
                ties.append((_sides(mine, point)[0], _fan(whole, fan)))
    return ties


def _fan(site: Site, fan: Fan) -> Side:
    """Give the plane through a camera and an edge it sees: loose within that plane."""
    camera = site.cameras[fan.photo]
    normal = camera.rotation @ fan.normal
    across = np.eye(3) - np.outer(normal, normal)
    sd = RAY_SLACK * fan.sd * SEEN_FROM
    return camera.translation, sd**2 * np.eye(3) + ALONG**2 * across, np.zeros(3)


def align(index: Index, piece: Site, whole: Site) -> list[Candidate]:
    """Find the moves that carry a piece onto the whole, the best first.

    Returns
    -------
    list of Candidate
        ``X_whole = rotation @ X_piece + translation``; `chi_square` is the sum of the
        capped squares of all gaps. Only moves that the gaps fix and that most of them agree with.
    """
    gaps = gather_gaps(index, piece, whole)
    if gaps is None:
        return []
    starts = [start for axis in _axes(gaps) for start in _turned_about(gaps, axis)]
    starts += _by_resection(index, piece, whole)
    middle = gaps.mine[: gaps.places].mean(axis=0)
    judged = [(_linearised(gaps, s.rotation, s.translation, middle).cost, s) for s in starts]
    judged.sort(key=lambda pair: pair[0])
    chosen: list[Candidate] = []
    for _, start in judged:
        if len(chosen) < MOST_STARTS and not any(same_move(start, c, gaps) for c in chosen):
            chosen.append(start)
    found: list[Candidate] = []
    for start in chosen:
        moved = _refined(gaps, start)
        if moved is not None and not any(same_move(moved, other, gaps) for other in found):
            found.append(moved)
    return sorted(found, key=lambda move: move.chi_square)


def same_move(first: Candidate, second: Candidate, gaps: Gaps) -> bool:
    """Whether two moves put the piece in one place."""
    middle = gaps.mine[: gaps.places].mean(axis=0)
    step = (first.rotation - second.rotation) @ middle + first.translation - second.translation
    turn = angle_between(first.rotation, second.rotation)
    return turn < SAME_TURN and float(np.linalg.norm(step)) < SAME_SHIFT


def _axes(gaps: Gaps) -> list[int]:
    """Directions known well enough in both to turn about, the best known first, two at most."""
    spread = gaps.spread_mine[gaps.places :] + gaps.spread_there[gaps.places :]
    sds = np.sqrt(np.linalg.eigvalsh(spread)[:, -1])
    order = [int(i) for i in np.argsort(sds, kind="stable")]
    good = [i for i in order if sds[i] < GOOD_AXIS]
    return [gaps.places + i for i in (good or order)[:2]]


def _turned_about(gaps: Gaps, axis: int) -> list[Candidate]:
    """Best shift for every turn about a direction; the turns where the gaps are least."""
    places = slice(0, gaps.places)
    mine, there = gaps.mine[places], gaps.there[places]
    upright = _turn_to(gaps.mine[axis], gaps.there[axis])
    turns = np.arange(TURNS) * (2 * math.pi / TURNS)
    rotations = rotation_from_vector(turns[:, None] * gaps.there[axis]) @ upright
    information = np.linalg.inv(
        rotations[:, None] @ gaps.spread_mine[places] @ np.swapaxes(rotations, 1, 2)[:, None]
        + gaps.spread_there[places]
    )
    steps = there - np.swapaxes(rotations @ mine.T, 1, 2)
    pull = np.ones(steps.shape[:2])
    loose = 1e-6 * np.eye(3)
    for _ in range(SHIFT_ROUNDS):
        weight = pull[:, :, None, None] * information
        right = (weight @ steps[..., None]).sum(axis=1)
        shifts = np.linalg.solve(weight.sum(axis=1) + loose, right)[..., 0]
        off = shifts[:, None, :] - steps
        squares = (off * (information @ off[..., None])[..., 0]).sum(axis=-1)
        pull = 1.0 / (1.0 + squares / CAP)
    squares = np.where(_is_behind(gaps, rotations, off), CAP, squares)
    costs = np.log1p(squares).sum(axis=1)
    for i in range(gaps.places, len(gaps.mine)):
        apart = rotations @ gaps.mine[i] - gaps.there[i]
        spread = rotations @ gaps.spread_mine[i] @ np.swapaxes(rotations, 1, 2)
        weighted = np.linalg.solve(spread + gaps.spread_there[i], apart[..., None])[..., 0]
        costs = costs + np.log1p((apart * weighted).sum(axis=1))
    valleys = [
        i for i in range(TURNS) if costs[i] <= costs[i - 1] and costs[i] < costs[(i + 1) % TURNS]
    ]
    valleys.sort(key=lambda i: float(costs[i]))
    return [Candidate(rotations[i], shifts[i], float(costs[i])) for i in valleys[:MOST_VALLEYS]]


def _is_behind(gaps: Gaps, rotations: Array, off: Array) -> np.ndarray:
    """Tell ties whose point lies behind the camera that sees it; `off` runs from there to mine."""
    ahead_mine, ahead_there = gaps.ahead_mine[: gaps.places], gaps.ahead_there[: gaps.places]
    turned = np.swapaxes(rotations @ ahead_mine.T, -1, -2)
    from_there = np.any(ahead_there, axis=1) & ~np.any(ahead_mine, axis=1)
    from_mine = np.any(ahead_mine, axis=1) & ~np.any(ahead_there, axis=1)
    behind: np.ndarray = (from_there & ((off * ahead_there).sum(axis=-1) < 0)) | (
        from_mine & ((off * turned).sum(axis=-1) > 0)
    )
    return behind


def _turn_to(first: Array, second: Array) -> Array:
    """Shortest turn that carries one unit vector to another."""
    axis = np.cross(first, second)
    sine, cosine = float(np.linalg.norm(axis)), float(first @ second)
    if sine < 1e-9:
        if cosine > 0:
            return np.eye(3)
        side = np.linalg.svd(first[None, :])[2][1]
        turn: Array = rotation_from_vector(math.pi * side)
        return turn
    turn = rotation_from_vector(axis / sine * math.atan2(sine, cosine))
    return turn


def _by_resection(index: Index, piece: Site, whole: Site) -> list[Candidate]:
    """Give moves from single photos of one side that see enough points placed by the other."""
    moves: list[Candidate] = []
    for seeing, placing, forward in ((piece, whole, True), (whole, piece, False)):
        counts = {
            photo: [p for p, lines in index.sightlines.items() if photo in lines]
            for photo in seeing.cameras
        }
        known = {
            photo: [p for p in names if p in placing.points] for photo, names in counts.items()
        }
        order = sorted(known, key=lambda photo: (-len(known[photo]), photo))[:MOST_PHOTOS]
        for photo in order:
            names = known[photo]
            if len(names) < LEAST_POINTS:
                continue
            sights = [index.sightlines[name][photo] for name in names]
            xy = np.array([line.direction[:2] / line.direction[2] for line in sights])
            own = seeing.cameras[photo]
            for pose in three_point_poses(np.array([placing.points[n] for n in names]), xy):
                camera = camera_pose(pose)
                rotation = camera.rotation @ own.rotation.T
                shift = camera.translation - rotation @ own.translation
                if not forward:
                    rotation, shift = rotation.T, -rotation.T @ shift
                moves.append(Candidate(rotation, shift, 0.0))
    return moves


def _refined(gaps: Gaps, start: Candidate) -> Candidate | None:
    """Levenberg-Marquardt on turn and shift, pulls of far gaps levelled off (Geman-McClure).

    None if the gaps leave the move loose, or most of them do not agree with it.
    """
    rotation, shift = start.rotation, start.translation
    middle = gaps.mine[: gaps.places].mean(axis=0)
    here = _linearised(gaps, rotation, shift, middle)
    damping = 1e-3
    for _ in range(REFINE_STEPS):
        damped = here.normal + damping * np.diag(np.diag(here.normal)) + 1e-6 * np.eye(6)
        step: Array = np.asarray(-np.linalg.solve(damped, here.gradient), dtype=np.float64)
        new_rotation = nearest_rotation(rotation_from_vector(step[:3]) @ rotation)
        new_shift = rotation @ middle + shift + step[3:] - new_rotation @ middle
        new = _linearised(gaps, new_rotation, new_shift, middle)
        if new.cost < here.cost:
            small = here.cost - new.cost < 1e-3
            rotation, shift, here = new_rotation, new_shift, new
            damping /= 5
            if small:
                break
        else:
            damping *= 8
            if damping > 1e6:
                break
    loose = np.linalg.inv(here.normal + 1e-6 * np.eye(6))
    if (
        np.linalg.eigvalsh(loose[:3, :3])[-1] > FIXED_TURN**2
        or np.linalg.eigvalsh(loose[3:, 3:])[-1] > FIXED_SHIFT**2
    ):
        return None
    if not _is_borne_out(gaps, here.squares):
        return None
    capped = np.minimum(here.squares, CAP)
    capped[: gaps.places][_is_behind(gaps, rotation, here.off[: gaps.places])] = CAP
    return Candidate(rotation, shift, float(capped.sum()))


def _is_borne_out(gaps: Gaps, squares: Array) -> bool:
    """Whether most ties agree, and where one does not, more of them than a move needs.

    Where as many as a move needs are left, some other of them may be the wrong one as well.
    """
    agree = squares < CAP
    if float(np.median(squares)) > FIT:
        return False
    if np.all(agree):
        return True
    seen_mine = np.any(gaps.ahead_mine, axis=1)
    seen_there = np.any(gaps.ahead_there, axis=1)
    rows = 3 - seen_mine.astype(int) - seen_there.astype(int)
    rows[gaps.places :] = 2
    return bool(rows[agree].sum() >= FREEDOM + SPARE)


class _Linearised(NamedTuple):
    """Gaps (n, 3), their squares, and the normal equations of turn and shift of the middle."""

    off: Array
    squares: Array
    cost: float
    normal: Array
    gradient: Array


def _linearised(gaps: Gaps, rotation: Array, shift: Array, middle: Array) -> _Linearised:
    """Linearise all ties at a move.

    Turning the piece swings a line of sight at the point it meets, not at its camera: the
    derivative is taken at each tie's adjusted place (Gauss-Helmert model).
    """
    turned = gaps.mine @ rotation.T
    off = turned - gaps.there
    off[: gaps.places] += shift
    spread = rotation @ gaps.spread_mine @ rotation.T
    weights = np.linalg.inv(spread + gaps.spread_there)
    arms = turned - (spread @ weights @ off[:, :, None])[:, :, 0]
    arms[: gaps.places] -= rotation @ middle
    rows = np.zeros((len(arms), 3, 6))
    rows[:, :, :3] = -cross_matrix(arms)
    rows[: gaps.places, :, 3:] = np.eye(3)
    weighted = (weights @ off[:, :, None])[:, :, 0]
    squares = (off * weighted).sum(axis=1)
    pulls = 1.0 / (1.0 + squares / CAP) ** 2
    across = np.swapaxes(rows, 1, 2)
    normal = (pulls[:, None, None] * (across @ weights @ rows)).sum(axis=0)
    gradient = (pulls[:, None] * (across @ weighted[:, :, None])[:, :, 0]).sum(axis=0)
    cost = float((squares / (1.0 + squares / CAP)).sum())
    return _Linearised(off, squares, cost, normal, gradient)
