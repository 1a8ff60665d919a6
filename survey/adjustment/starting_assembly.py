"""Puts the pieces of a site together into one whole, the surest tie first.

A piece is what targets alone hold together. Pieces are joined by what they share; where a piece's
target has two likely poses, the one that ties better is taken. Then photos are placed by their
marks alone, taped planes are laid out, and what they made known may tie further pieces.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from survey.adjustment.model import Pose, TargetOnPlane
from survey.adjustment.starting_gravity import find_up, level
from survey.adjustment.starting_growth import (
    OPEN_GAP,
    Branches,
    Growth,
    Sight,
    choose,
    grow,
    grow_from_sight,
    settle,
    without_strays,
)
from survey.adjustment.starting_index import Index, Site
from survey.adjustment.starting_joins import align, count_ties, shared_points
from survey.adjustment.starting_points import PointFinder
from survey.adjustment.starting_poses import START_SLACK, Candidate
from survey.adjustment.starting_rays import fit_to_rays
from survey.adjustment.starting_tapes import grow_from_tapes, joined
from survey.adjustment.starting_ties import joined_by_ties
from survey.geometry import nearest_rotation

APART = 60.0  # metres between pieces that nothing joins
MISMATCH = 0.5  # metres between the points of two pieces above which one was misplaced
MOST_VARIANTS = 2  # twofold poses of one piece that are turned over while it is joined
LEAST_TIES = 4  # points and edges that place a photo without a target
LARGE = 1e6


@dataclass(slots=True)
class Piece:
    """A part of the site that targets hold together, and the sighting it grew from."""

    site: Site
    seed: Sight | None = None
    branches: Branches = field(default_factory=Branches)


@dataclass(slots=True)
class Assembly:
    """The whole as far as it is put together, and the pieces that wait."""

    index: Index
    candidates: Mapping[Sight, tuple[Candidate, ...]]
    branches: Branches
    whole: Site
    waiting: list[Piece]

    def put_together(self) -> list[Site]:
        """Join whatever can be joined; returns the parts that stayed apart, the whole first."""
        growth = self._growth(self.whole)
        while True:
            if self._join_next() or self._place_by_marks():
                settle(growth)
                continue
            if grow_from_tapes(self.index, self.whole):
                grow(growth)
                continue
            break
        without_strays(growth)
        self.whole = _levelled(self.whole)
        return [self.whole, *self._leftovers()]

    def _growth(self, site: Site) -> Growth:
        finder = PointFinder(self.index, site)
        return Growth(self.index, self.candidates, self.branches, site, finder)

    def _join_next(self) -> bool:
        """Join the piece that shares most with the whole and fits it."""
        shares = [len(shared_points(self.index, p.site, self.whole)) for p in self.waiting]
        for i in sorted(range(len(shares)), key=lambda i: -shares[i]):
            if shares[i] and self._join(self.waiting[i]):
                del self.waiting[i]
                return True
        return False

    def _join(self, piece: Piece) -> bool:
        """Join one piece, with the poses of its targets that fit best."""
        trials: list[tuple[float, Piece, list[Candidate]]] = []
        for penalty, variant in self._variants(piece):
            moves = align(self.index, variant.site, self.whole)
            if moves:
                cost = START_SLACK**2 * moves[0].chi_square + penalty
                trials.append((cost, variant, moves))
        if not trials:
            return False
        trials.sort(key=lambda trial: trial[0])
        cost, best, moves = trials[0]
        self.branches.taken.update(best.branches.taken)
        other = trials[1][0] - cost if len(trials) > 1 else LARGE
        for sight, gap in best.branches.open.items():
            told = sight in self.branches.told
            if told or len(trials) == 1 or other < OPEN_GAP:
                self.branches.open[sight] = gap
        photo = min(best.site.cameras, default="")
        taken = choose(self.branches, (photo, ""), tuple(moves[:2]), 0, START_SLACK)
        move = moves[taken]
        merge(self.whole, best.site.moved(move.rotation, move.translation))
        return True

    def _place_by_marks(self) -> bool:
        """Place the photo without a target whose marks tie it best."""
        placed = {photo for photo, _ in self.candidates} | set(self.whole.cameras)
        waiting: list[tuple[int, str, Site]] = []
        for photo in self.index.network.cameras:
            if photo not in placed:
                site = Site(cameras={photo: Pose(np.eye(3), np.zeros(3))})
                site.up = find_up(self.index, site)
                waiting.append((count_ties(self.index, site, self.whole), photo, site))
        waiting.sort(key=lambda w: (-w[0], w[1]))
        return any(count >= LEAST_TIES and self._join(Piece(site)) for count, _, site in waiting)

    def _variants(self, piece: Piece) -> list[tuple[float, Piece]]:
        """Give a piece as it is and with each undecided pose turned over, and what that loses."""
        variants = [(0.0, piece)]
        undecided = sorted(
            (gap, sight)
            for sight, gap in piece.branches.open.items()
            if sight not in self.branches.told and sight[1]
        )
        for gap, sight in undecided[:MOST_VARIANTS]:
            told = {**piece.branches.taken, sight: 1 - piece.branches.taken[sight]}
            branches = Branches(told)
            assert piece.seed is not None  # only a sighting of a target has two poses
            site = grow_from_sight(self.index, self.candidates, branches, piece.seed)
            variants.append((gap, Piece(site, piece.seed, branches)))
        return variants

    def _leftovers(self) -> list[Site]:
        """Put what could not be aligned where it may belong; returns what stays apart.

        A piece that can't be fitted stays apart if nothing observed speaks of it and the whole at
        once; otherwise that would pull both out of shape, and the piece is left out.
        """
        apart: list[Site] = []
        waiting = [
            piece for piece in self.waiting if set(piece.site.cameras) - set(self.whole.cameras)
        ]
        while waiting:
            waiting.sort(key=lambda p: -len(set(p.site.points) & set(self.whole.points)))
            piece = waiting.pop(0)
            for sight, gap in piece.branches.open.items():
                self.branches.open.setdefault(sight, gap)
            for sight, taken in piece.branches.taken.items():
                self.branches.taken.setdefault(sight, taken)
            site = _levelled(piece.site)
            fitted = joined(site, self.whole)
            fitted = joined_by_ties(self.index, fitted or site, self.whole) or fitted
            if fitted is None or _mismatch(fitted, self.whole) > MISMATCH:
                seen = _joined_by_sight(self.index, site, self.whole)
                if seen is not None:
                    self.whole.points.update(seen.points)
                    fitted = seen
            if fitted is None:
                if _is_entangled(self.index, site, self.whole):
                    continue
                fitted = site.moved(np.eye(3), np.array([APART * (len(apart) + 1), 0.0, 0.0]))
                apart.append(fitted)
            merge(self.whole, fitted)
        return apart


def _levelled(site: Site) -> Site:
    return level(site, site.up) if site.up is not None else site


def _is_entangled(index: Index, piece: Site, whole: Site) -> bool:
    """Whether a mark, a plane or a board's mounting speaks of both a piece and the whole."""
    shares_mark = any(
        point in whole.points and any(photo in piece.cameras for photo in lines)
        for point, lines in index.sightlines.items()
    )
    shares_plane = bool(set(piece.planes) & set(whole.planes))
    shares_mounting = any(
        tie.target in piece.targets and tie.plane in whole.planes for tie in index.of(TargetOnPlane)
    )
    return shares_mark or shares_plane or shares_mounting


def _mismatch(piece: Site, whole: Site) -> float:
    """Root mean square distance of the points two pieces share, metres."""
    gaps = [
        piece.points[name] - whole.points[name] for name in piece.points if name in whole.points
    ]
    return float(np.sqrt(np.mean(np.sum(np.square(gaps), axis=1)))) if gaps else 0.0


def _joined_by_sight(index: Index, piece: Site, whole: Site) -> Site | None:
    """Move a levelled piece to where the photos of the whole see its points."""
    names = list(piece.points)
    layout = np.array([piece.points[name] for name in names]).reshape(-1, 3)
    places = fit_to_rays(index, whole, names, layout, np.eye(3))
    if len(places) == 0:
        return None
    middle, there = layout.mean(axis=0), places.mean(axis=0)
    rotation = nearest_rotation((places - there).T @ (layout - middle))
    return piece.moved(rotation, there - rotation @ middle)


def merge(whole: Site, piece: Site) -> None:
    """Add what a piece, moved into the whole's frame, has and the whole has not."""
    for name, pose in piece.cameras.items():
        whole.cameras.setdefault(name, pose)
    for name, pose in piece.targets.items():
        whole.targets.setdefault(name, pose)
    for name, place in piece.points.items():
        whole.points.setdefault(name, place)
    for name, plane in piece.planes.items():
        whole.planes.setdefault(name, plane)
