"""Grows one piece of the site from a target seen in a photo, or from taped points, outwards.

In turn: photos that show something placed, targets seen in placed photos, points, planes; until
nothing new can be placed. Undecided twofold poses are taken as `Branches` says.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from survey.adjustment.model import (
    Array,
    PlaneParameters,
    Pose,
    RodHeight,
    TargetMount,
    TargetOnPlane,
)
from survey.adjustment.starting_gravity import find_up
from survey.adjustment.starting_index import Index, Site
from survey.adjustment.starting_points import PointFinder
from survey.adjustment.starting_poses import (
    START_SLACK,
    Candidate,
    camera_from,
    camera_pose,
    resect,
    seen_from,
    target_candidates,
    target_from,
)

Sight = tuple[str, str]  # (photo, target); target "" for a photo placed by marks alone

OPEN_GAP = 25.0  # chi-square gap of two branches under which the worse one is still tried
CAP = 25.0
CORNER_SLACK = 20.0  # corner sds are widened by this while cameras are only roughly placed
LEAST_MARKS = 4  # marks of placed points that place a photo
ROUNDS = 30
MOST_STRAYS = 2  # marks that may be missing at once
STRAY_GAIN = 1.0  # of the sum of log misfits that taking a mark away must win
RESECTION_LIMIT = 12.0  # mean capped chi-square of a mark above which a resection is no good
# The same for a photo that can also start from a target of its own: four marks of which one is
# gross fit some wrong stand exactly, and it would carry that target with it.
OWN_TARGET_LIMIT = 3.0


@dataclass(slots=True)
class Branches:
    """Which of its two poses each sighting takes, where told; and which were open on the way."""

    told: Mapping[Sight, int] = field(default_factory=dict)
    open: dict[Sight, float] = field(default_factory=dict)  # gap of chi-squares
    taken: dict[Sight, int] = field(default_factory=dict)


@dataclass(slots=True)
class Growth:
    """Everything one growing piece needs at hand."""

    index: Index
    candidates: Mapping[Sight, tuple[Candidate, ...]]
    branches: Branches
    site: Site
    finder: PointFinder
    refused: dict[str, int] = field(default_factory=dict)  # photo: marks that placed it nowhere

    @property
    def own_targets(self) -> set[str]:
        """Photos that show a target: placed by it, never by their marks alone."""
        return {photo for photo, _ in self.candidates}


def all_candidates(index: Index) -> dict[Sight, tuple[Candidate, ...]]:
    """Both planar poses of every sighting; sightings too poor for any are left out."""
    found = {sight: target_candidates(corners) for sight, corners in index.corners.items()}
    return {sight: poses for sight, poses in found.items() if poses}


def grow_from_sight(
    index: Index,
    candidates: Mapping[Sight, tuple[Candidate, ...]],
    branches: Branches,
    seed: Sight,
) -> Site:
    """Grow a piece from one target seen in one photo; its frame is that target's."""
    photo, target = seed
    site = Site()
    site.targets[target] = Pose(np.eye(3), np.zeros(3))
    growth = Growth(index, candidates, branches, site, PointFinder(index, site))
    poses = candidates[seed]
    taken = choose(branches, seed, poses, 0)
    site.cameras[photo] = camera_from(site.targets[target], poses[taken])
    grow(growth)
    return site


def grow(growth: Growth) -> None:
    """Place whatever can be placed, then look at every point and plane once more."""
    for _ in range(ROUNDS):
        changed = _place_next_photo_by_target(growth) or _place_target(growth)
        find_gravity(growth)
        changed |= growth.finder.place_planes()
        changed |= _place_points(growth)
        if not changed:
            break
    for _ in range(2):
        growth.finder.replace_planes()
        for point in list(growth.site.points):
            place = growth.finder.locate(point)
            if place is not None:
                growth.site.points[point] = place
        find_gravity(growth)


def settle(growth: Growth) -> None:
    """Place points and planes afresh from all photos placed since they were.

    Points come first, by their lines of sight and the targets' own planes alone: a plane fitted to
    points that were themselves put on it would keep a wrong mark's mistake for ever.
    """
    site = growth.site
    seen = {
        point
        for point, lines in growth.index.sightlines.items()
        if point in site.points and any(photo in site.cameras for photo in lines)
    }
    before = {point: site.points.pop(point) for point in seen}
    planes = dict(site.planes)
    site.planes.clear()
    growth.finder.place_planes()
    grow(growth)
    for point, place in before.items():
        site.points.setdefault(point, place)
    for name, plane in planes.items():
        site.planes.setdefault(name, plane)


def without_strays(growth: Growth) -> None:
    """Place points and planes as if one mark were missing, where that makes the others agree.

    A plane and its points can settle round a mark that bears a wrong name: each keeps the other
    there. Taking marks of such a plane away in turn shows which one it is; what is won is judged
    with all marks counted, so a mark is outvoted, not lost.
    """
    index, site = growth.index, growth.site
    for _ in range(MOST_STRAYS):
        suspects, near = growth.finder.suspects()
        if not suspects:
            break
        lowest = growth.finder.misfit(near) - STRAY_GAIN
        best: tuple[dict[str, Array], dict[str, PlaneParameters]] | None = None
        kept = dict(site.points), dict(site.planes)
        for point, photo in suspects:
            line = index.sightlines[point].pop(photo)
            _settle_some(growth, near)
            index.sightlines[point][photo] = line
            cost = growth.finder.misfit(near)
            if cost < lowest:
                lowest, best = cost, (dict(site.points), dict(site.planes))
            _put_back(site, kept)
        if best is None:
            break
        _put_back(site, best)
        find_gravity(growth)


def _settle_some(growth: Growth, names: Sequence[str]) -> None:
    """Place some points and the planes they lie on afresh, everything else being as it is."""
    site, finder = growth.site, growth.finder
    planes = {f.on[1] for name in names for f in growth.index.facets.get(name, [])}
    before = {name: site.points.pop(name) for name in names if name in site.points}
    flat = {name: site.planes.pop(name) for name in planes if name in site.planes}
    for _ in range(3):
        finder.place_planes()
        for name in names:
            if name not in site.points and (place := finder.locate(name)) is not None:
                site.points[name] = place
    for name, place in before.items():
        site.points.setdefault(name, place)
    for name, plane in flat.items():
        site.planes.setdefault(name, plane)
    finder.replace_planes(sorted(flat))
    for name in names:
        if name in site.points and (place := finder.locate(name)) is not None:
            site.points[name] = place


def _put_back(site: Site, kept: tuple[dict[str, Array], dict[str, PlaneParameters]]) -> None:
    site.points.clear()
    site.points.update(kept[0])
    site.planes.clear()
    site.planes.update(kept[1])


def choose(
    branches: Branches,
    sight: Sight,
    poses: tuple[Candidate, ...],
    default: int,
    slack: float = 1.0,
) -> int:
    """Choose a pose: as told, else the default; an open choice is noted."""
    if len(poses) < 2:
        return 0
    gap = slack**2 * (poses[1].chi_square - poses[0].chi_square)
    if gap < OPEN_GAP:
        branches.open[sight] = gap
    taken = branches.told.get(sight, default)
    branches.taken[sight] = taken
    return taken


def find_gravity(growth: Growth) -> None:
    """Find which way is up, and what rods then say of heights."""
    site = growth.site
    site.up = find_up(growth.index, site)
    heights: dict[str, list[float]] = {}
    growth.finder.heights = {}
    if site.up is None:
        return
    rods = growth.index.of(RodHeight)
    for rod in rods:
        if rod.point in site.points:
            z = float(site.up @ site.points[rod.point])
            heights.setdefault(rod.setup, []).append(z + rod.value)
    for rod in rods:
        if rod.setup in heights:
            z = float(np.median(heights[rod.setup])) - rod.value
            growth.finder.heights[rod.point] = z


# --- photos -----------------------------------------------------------------------------------


def _place_next_photo_by_target(growth: Growth) -> bool:
    """Place the photo that shows most placed targets, then most placed points."""
    return _place_most_shown(growth, [p for p in growth.own_targets if _known(growth, p)])


def _known(growth: Growth, photo: str) -> list[str]:
    """Placed targets that a photo shows."""
    return [t for p, t in growth.candidates if p == photo and t in growth.site.targets]


def _marks(growth: Growth, photo: str) -> int:
    """How many placed points are marked in a photo."""
    return sum(
        photo in lines and point in growth.site.points
        for point, lines in growth.index.sightlines.items()
    )


def _place_most_shown(growth: Growth, photos: list[str]) -> bool:
    waiting = [photo for photo in photos if photo not in growth.site.cameras]
    order = sorted(
        waiting, key=lambda p: (len(_known(growth, p)), _marks(growth, p), p), reverse=True
    )
    return any(place_photo(growth, photo) for photo in order)


def place_photo(growth: Growth, photo: str) -> bool:
    """Place one photo from what it shows of placed targets and points."""
    site = growth.site
    known = _known(growth, photo)
    points, xy, weights = _shown(growth, photo, known)
    if len(known) == 1 and len(points) == len(growth.index.corners[(photo, known[0])].few):
        poses = growth.candidates[(photo, known[0])]
        taken = choose(growth.branches, (photo, known[0]), poses, 0)
        site.cameras[photo] = camera_from(site.targets[known[0]], poses[taken])
        return True
    seeds = []
    for target in known:
        for pose in growth.candidates[(photo, target)]:
            camera = camera_from(site.targets[target], pose)
            seeds.append(Candidate(camera.rotation.T, -camera.rotation.T @ camera.translation, 0.0))
    poses = resect(points, xy, weights, seeds)
    if not known:
        limit = OWN_TARGET_LIMIT if photo in growth.own_targets else RESECTION_LIMIT
        poses = tuple(p for p in poses if p.chi_square < limit * len(points))
    if not poses:
        if not known:
            growth.refused[photo] = len(points)
            return False
        poses = tuple(seeds)
    sight = (photo, known[0] if known else "")
    taken = choose(growth.branches, sight, poses, 0, START_SLACK)
    site.cameras[photo] = camera_pose(poses[min(taken, len(poses) - 1)])
    return True


def _shown(growth: Growth, photo: str, known: list[str]) -> tuple[Array, Array, Array]:
    """Collect what a photo shows of placed things: points, normalised image, one over sd."""
    index, site = growth.index, growth.site
    points, xy, weights = [np.zeros((0, 3))], [np.zeros((0, 2))], [np.zeros(0)]
    for target in known:
        corners = index.corners[(photo, target)]
        pose = site.targets[target]
        points.append(corners.flat[corners.few] @ pose.rotation.T + pose.translation)
        xy.append(corners.xy[corners.few])
        weights.append(corners.weights[corners.few])
    for point, lines in index.sightlines.items():
        if photo in lines and point in site.points:
            direction = lines[photo].direction
            points.append(site.points[point][None, :])
            xy.append(direction[None, :2] / direction[2])
            weights.append(np.array([1.0 / lines[photo].sd]))
    return np.concatenate(points), np.concatenate(xy), np.concatenate(weights)


# --- targets ----------------------------------------------------------------------------------


def _place_target(growth: Growth) -> bool:
    placed = False
    targets = dict.fromkeys(target for _, target in growth.candidates)
    for target in targets:
        if target in growth.site.targets:
            continue
        photos = [p for p, t in growth.candidates if t == target and p in growth.site.cameras]
        if photos:
            _place_this_target(growth, target, photos)
            placed = True
    return placed


def _place_this_target(growth: Growth, target: str, photos: list[str]) -> None:
    """Take the pose that all placed photos agree with; with one photo, the told or likelier one."""
    site = growth.site
    if len(photos) == 1:
        sight = (photos[0], target)
        poses = growth.candidates[sight]
        costs = [_odds(growth, target, photos[0], pose) for pose in poses]
        taken = choose(growth.branches, sight, poses, int(np.argmin(costs)))
        site.targets[target] = target_from(site.cameras[photos[0]], poses[taken])
        return
    best, lowest = None, np.inf
    for photo in photos:
        for pose in growth.candidates[(photo, target)]:
            placed = target_from(site.cameras[photo], pose)
            cost = sum(_misfit(growth, target, other, placed) for other in photos)
            cost += _mount_misfit(growth, target, placed)
            if cost < lowest:
                best, lowest = placed, cost
    assert best is not None
    site.targets[target] = best


def _odds(growth: Growth, target: str, photo: str, pose: Candidate) -> float:
    placed = target_from(growth.site.cameras[photo], pose)
    return pose.chi_square + _mount_misfit(growth, target, placed)


def _misfit(growth: Growth, target: str, photo: str, placed: Pose) -> float:
    """Capped chi-square of a placed target's corners in a placed photo."""
    corners = growth.index.corners[(photo, target)]
    few = corners.few
    seen = seen_from(growth.site.cameras[photo], placed)
    in_camera = corners.flat[few] @ seen.rotation.T + seen.translation
    if np.any(in_camera[:, 2] < 1e-3):
        return CAP * len(few)
    off = in_camera[:, :2] / in_camera[:, 2:] - corners.xy[few]
    weights = corners.weights[few] / CORNER_SLACK
    return float(np.minimum((off**2).sum(axis=1) * weights**2, CAP).sum())


def _mount_misfit(growth: Growth, target: str, placed: Pose) -> float:
    """How far a placed target departs from how it was said to be put up, capped."""
    cost = 0.0
    for tie in growth.index.of(TargetOnPlane):
        plane = growth.site.planes.get(tie.plane)
        if tie.target == target and plane is not None:
            sine = float(np.linalg.norm(np.cross(placed.rotation[:, 2], plane.normal)))
            cost += min((sine / (4 * tie.tilt_sd)) ** 2, CAP)
    up = growth.site.up
    for mount in growth.index.of(TargetMount):
        if mount.target == target and up is not None:
            axis = placed.rotation[:, 2 if mount.axis == "normal" else 0]
            cosine = float(axis @ up)
            sine = cosine if mount.is_level else float(np.linalg.norm(np.cross(axis, up)))
            cost += min((sine / (4 * mount.sd + 0.02)) ** 2, CAP)
    return cost


# --- points -----------------------------------------------------------------------------------


def _place_points(growth: Growth) -> bool:
    site = growth.site
    names = dict.fromkeys([*growth.index.sightlines, *growth.finder.tapes, *growth.finder.spots])
    new = {}
    for point in names:
        if point not in site.points:
            place = growth.finder.locate(point)
            if place is not None and np.all(np.isfinite(place)):
                new[point] = place
    site.points.update(new)
    return bool(new)
