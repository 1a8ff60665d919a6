"""Starting values for every unknown of a network, found without any help from the user.

The site is grown in pieces from the best seen targets outwards, each piece is levelled, and pieces
that share points are joined. A photo, point or plane that can't be placed is left out and named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

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
    WATER_LEVEL,
    Elevation,
    Network,
    RodHeight,
    SameElevation,
    State,
    TargetOnPlane,
)
from survey.adjustment.starting_findings import not_placed
from survey.adjustment.starting_gravity import level
from survey.adjustment.starting_growth import (
    Branches,
    Growth,
    Sight,
    all_candidates,
    grow,
    grow_from_sight,
)
from survey.adjustment.starting_index import Index, Site, index_network
from survey.adjustment.starting_points import PointFinder
from survey.adjustment.starting_poses import Candidate
from survey.adjustment.starting_rays import fit_to_rays
from survey.adjustment.starting_tapes import grow_from_tapes, joined, relative_heights
from survey.adjustment.starting_ties import joined_by_ties
from survey.findings import Finding
from survey.geometry import nearest_rotation

APART = 60.0  # metres between pieces that nothing joins
MOST_PIECES = 50
MISMATCH = 0.5  # metres between the points of two pieces above which one was misplaced


@dataclass(frozen=True, slots=True)
class Start:
    """Starting values and what was undecided on the way.

    `open_gaps` gives, for each sighting that took one of two poses, by how much chi-square they
    differ in that photo alone; `taken` which one this start took.
    """

    state: State
    open_gaps: Mapping[Sight, float]
    taken: Mapping[Sight, int]
    findings: tuple[Finding, ...]
    pieces: int


@dataclass(slots=True)
class StartFinder:
    """Finds starting values of one network, for any choice of branches."""

    network: Network
    index: Index = field(init=False)
    candidates: dict[Sight, tuple[Candidate, ...]] = field(init=False)
    lead: Sight | None = None  # sighting to grow from first; the most promising one otherwise

    def __post_init__(self) -> None:
        """Sort the observations and work out the target poses once."""
        self.index = index_network(self.network)
        self.candidates = all_candidates(self.index)

    def find(self, told: Mapping[Sight, int] | None = None) -> Start:
        """Find starting values.

        Parameters
        ----------
        told : mapping of (photo, target) to 0 or 1, optional
            Which of its two poses a sighting must take; the others take the likelier.
        """
        index = self.index
        branches = Branches(told or {})
        pieces = self._pieces(index, branches)
        whole, joined_pieces = _join(index, pieces)
        state = state_of(index, whole)
        findings = not_placed(index, whole, self.candidates, joined_pieces)
        return Start(state, branches.open, branches.taken, tuple(findings), len(joined_pieces))

    def _pieces(self, index: Index, branches: Branches) -> list[Site]:
        sights = sorted(self.candidates, key=self.worth, reverse=True)
        sights.sort(key=lambda sight: sight != self.lead)
        pieces: list[Site] = []
        placed: set[str] = set()
        for sight in sights:
            if sight[0] in placed or len(pieces) >= MOST_PIECES:
                continue
            site = grow_from_sight(index, self.candidates, branches, sight)
            self._finish(index, branches, site)
            placed |= set(site.cameras)
            pieces.append(site)
        if not pieces:
            site = Site()
            self._finish(index, branches, site)
            pieces.append(site)
        return pieces

    def _finish(self, index: Index, branches: Branches, site: Site) -> None:
        growth = Growth(index, self.candidates, branches, site, PointFinder(index, site))
        if grow_from_tapes(index, site):
            grow(growth)

    def worth(self, sight: Sight) -> tuple[float, float, str]:
        """How good a seed: decided by itself first, then large in the photo."""
        poses = self.candidates[sight]
        gap = poses[1].chi_square - poses[0].chi_square if len(poses) > 1 else 1e3
        span = float(np.ptp(self.index.corners[sight].xy, axis=0).max())
        return min(gap, 50.0), span, "".join(sight)


def _join(index: Index, pieces: list[Site]) -> tuple[Site, list[Site]]:
    """Level every piece and put all into one frame; returns the whole and what stayed apart.

    A piece that can't be fitted stays apart if nothing observed speaks of it and the whole at once;
    otherwise that would pull both out of shape, and the piece is left out.
    """
    levelled = [level(p, p.up) if p.up is not None else p for p in pieces]
    whole, *others = sorted(levelled, key=lambda p: -len(p.points) - 10 * len(p.cameras))
    groups = [whole]
    waiting = others
    while waiting:
        waiting.sort(key=lambda p: -len(set(p.points) & set(whole.points)))
        piece = waiting.pop(0)
        fitted = joined(piece, whole)
        fitted = joined_by_ties(index, fitted or piece, whole) or fitted
        if fitted is None or _mismatch(fitted, whole) > MISMATCH:
            seen = _joined_by_sight(index, piece, whole)
            if seen is not None:
                whole.points.update(seen.points)
                fitted = seen
        if fitted is None:
            if _is_entangled(index, piece, whole):
                continue
            fitted = piece.moved(np.eye(3), np.array([APART * len(groups), 0.0, 0.0]))
            groups.append(fitted)
        _merge(whole, fitted)
    return whole, groups


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


def _merge(whole: Site, piece: Site) -> None:
    for name, pose in piece.cameras.items():
        whole.cameras.setdefault(name, pose)
    for name, pose in piece.targets.items():
        whole.targets.setdefault(name, pose)
    for name, place in piece.points.items():
        whole.points.setdefault(name, place)
    for name, plane in piece.planes.items():
        whole.planes.setdefault(name, plane)


def state_of(index: Index, site: Site) -> State:
    """Write a site's places out as starting values of the unknowns."""
    state: State = {}
    _place_by_height_alone(index, site)
    lift = _lift(index, site)
    site = site.moved(np.eye(3), np.array([0.0, 0.0, lift]))
    for photo, pose in site.cameras.items():
        state[(CAMERA, photo)] = pose
        state[(LENS, photo)] = index.lenses[photo].copy()
    for name, mean in index.lens_means.items():
        state[(LENS_MEAN, name)] = mean.copy()
    for target, pose in site.targets.items():
        state[(TARGET, target)] = pose
        state[(PRINT_SCALE, target)] = index.scales[target].copy()
    for point, place in site.points.items():
        state[(POINT, point)] = place
    for name, plane in site.planes.items():
        state[(PLANE, name)] = plane
    for key, z in _levels(index, site).items():
        state[key] = np.array([z])
    return state


def _place_by_height_alone(index: Index, site: Site) -> None:
    """Points that only a rod or benchmark speaks of get their height and a place in a row."""
    heights = relative_heights(index)
    shared = [float(site.points[p][2]) - z for p, z in heights.items() if p in site.points]
    shift = float(np.median(shared)) if shared else 0.0
    row = 0
    for point, z in heights.items():
        if point not in site.points:
            row += 1
            site.points[point] = np.array([float(row), -APART, z + shift])


def _lift(index: Index, site: Site) -> float:
    gaps = [
        mark.value - float(site.points[mark.point][2])
        for mark in index.of(Elevation)
        if mark.point in site.points
    ]
    return float(np.median(gaps)) if gaps else 0.0


def _levels(index: Index, site: Site) -> dict[tuple[str, str], float]:
    """Heights of instruments and of tide lines, as the placed points have them."""
    found: dict[tuple[str, str], list[float]] = {}
    for rod in index.of(RodHeight):
        if rod.point in site.points:
            z = float(site.points[rod.point][2])
            found.setdefault((SETUP, rod.setup), []).append(z + rod.value)
    for same in index.of(SameElevation):
        if same.point in site.points:
            z = float(site.points[same.point][2])
            found.setdefault((WATER_LEVEL, same.level), []).append(z)
    return {key: float(np.median(values)) for key, values in found.items()}
