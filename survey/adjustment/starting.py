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
)
from survey.adjustment.starting_assembly import APART, Assembly, Piece
from survey.adjustment.starting_findings import not_placed
from survey.adjustment.starting_growth import (
    Branches,
    Sight,
    all_candidates,
    grow_from_sight,
)
from survey.adjustment.starting_index import Index, Site, index_network
from survey.adjustment.starting_poses import Candidate
from survey.adjustment.starting_tapes import relative_heights
from survey.findings import Finding

MOST_PIECES = 50


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
        whole, *waiting = self._pieces(branches)
        branches.open.update(whole.branches.open)
        branches.taken.update(whole.branches.taken)
        assembly = Assembly(index, self.candidates, branches, whole.site, waiting)
        parts = assembly.put_together()
        state = state_of(index, assembly.whole)
        findings = not_placed(index, assembly.whole, self.candidates, parts)
        return Start(state, branches.open, branches.taken, tuple(findings), len(parts))

    def _pieces(self, branches: Branches) -> list[Piece]:
        """Give the pieces that targets hold together, the largest first."""
        sights = sorted(self.candidates, key=self.worth, reverse=True)
        sights.sort(key=lambda sight: sight != self.lead)
        pieces: list[Piece] = []
        placed: set[str] = set()
        for sight in sights:
            if sight[0] in placed or len(pieces) >= MOST_PIECES:
                continue
            own = Branches(branches.told)
            site = grow_from_sight(self.index, self.candidates, own, sight)
            placed |= set(site.cameras)
            pieces.append(Piece(site, sight, own))
        pieces.sort(key=lambda p: -len(p.site.points) - 10 * len(p.site.cameras))
        return pieces or [Piece(Site())]

    def worth(self, sight: Sight) -> tuple[float, float, str]:
        """How good a seed: decided by itself first, then large in the photo."""
        poses = self.candidates[sight]
        gap = poses[1].chi_square - poses[0].chi_square if len(poses) > 1 else 1e3
        span = float(np.ptp(self.index.corners[sight].xy, axis=0).max())
        return min(gap, 50.0), span, "".join(sight)


def state_of(index: Index, site: Site) -> State:
    """Write a site's places out as starting values of the unknowns."""
    state: State = {}
    _place_by_height_alone(index, site)
    lift = _lift(index, site)
    site = site.moved(np.eye(3), np.array([0.0, 0.0, lift]))
    for photo, pose in site.cameras.items():
        state[(CAMERA, photo)] = pose
    for photo in index.network.cameras:  # of photos without a place too: held, it would hold others
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
