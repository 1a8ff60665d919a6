"""The observations of a network sorted by what they touch, for finding starting values."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from survey.adjustment.model import (
    LENS,
    LENS_MEAN,
    PRINT_SCALE,
    TARGET,
    Array,
    EdgeInPhoto,
    Key,
    Network,
    Observation,
    OnSurface,
    PlaneParameters,
    PointInPhoto,
    Pose,
    Prior,
    TargetCorners,
)
from survey.geometry import rays, undistort

FEW = 8  # corners of a board that find a pose where others are seen beside it

Kind = TypeVar("Kind", bound=Observation)


@dataclass(frozen=True, slots=True)
class Sightline:
    """A point seen in a photo: unit direction in the camera frame and its angular sd, radians."""

    direction: Array
    sd: float


@dataclass(frozen=True, slots=True)
class Fan:
    """An edge seen in a photo: unit normal, camera frame, of the plane through camera and edge."""

    photo: str
    normal: Array
    sd: float  # of its direction, radians


@dataclass(frozen=True, slots=True)
class Corners:
    """A target's corners as seen in a photo, ready for pose finding.

    `flat` (n, 3) true metres in the target frame, `xy` (n, 2) undistorted normalised image,
    `weights` (n,) one over its sd; `few` indexes a handful of corners spread over the board.
    """

    flat: Array
    xy: Array
    weights: Array
    few: npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Facet:
    """A point's distance from a plane's or target's face, metres."""

    on: Key
    value: float
    sd: float


@dataclass(slots=True)
class Index:
    """Observations by what they touch. Lens and print-scale values are their priors."""

    network: Network
    lenses: dict[str, Array] = field(default_factory=dict)
    fixed: dict[str, Array] = field(default_factory=dict)
    lens_means: dict[str, Array] = field(default_factory=dict)
    scales: dict[str, Array] = field(default_factory=dict)
    corners: dict[tuple[str, str], Corners] = field(default_factory=dict)
    sightlines: dict[str, dict[str, Sightline]] = field(default_factory=dict)
    fans: dict[str, list[Fan]] = field(default_factory=lambda: defaultdict(list))
    facets: dict[str, list[Facet]] = field(default_factory=lambda: defaultdict(list))
    members: dict[str, list[tuple[str, float]]] = field(default_factory=lambda: defaultdict(list))
    kinds: dict[type, list[Observation]] = field(default_factory=lambda: defaultdict(list))

    def of(self, kind: type[Kind]) -> list[Kind]:
        """Give all observations of one kind."""
        return self.kinds[kind]  # type: ignore[return-value]


@dataclass(slots=True)
class Site:
    """One connected piece of the site in a frame of its own, growing as things are placed."""

    cameras: dict[str, Pose] = field(default_factory=dict)
    targets: dict[str, Pose] = field(default_factory=dict)
    points: dict[str, Array] = field(default_factory=dict)
    planes: dict[str, PlaneParameters] = field(default_factory=dict)
    up: Array | None = None

    def surface(self, key: Key) -> tuple[Array, float] | None:
        """Give unit normal and offset of a placed plane or target face."""
        kind, name = key
        if kind == TARGET:
            pose = self.targets.get(name)
            if pose is None:
                return None
            normal = pose.rotation[:, 2]
            return normal, -float(normal @ pose.translation)
        plane = self.planes.get(name)
        return None if plane is None else (plane.normal, plane.offset)

    def moved(self, rotation: Array, shift: Array) -> Site:
        """Give the same piece in another frame: ``X_new = rotation @ X_old + shift``."""

        def pose(p: Pose) -> Pose:
            return Pose(rotation @ p.rotation, rotation @ p.translation + shift)

        def plane(p: PlaneParameters) -> PlaneParameters:
            normal = rotation @ p.normal
            return PlaneParameters(normal, p.offset - float(normal @ shift))

        return Site(
            {k: pose(v) for k, v in self.cameras.items()},
            {k: pose(v) for k, v in self.targets.items()},
            {k: rotation @ v + shift for k, v in self.points.items()},
            {k: plane(v) for k, v in self.planes.items()},
            None if self.up is None else rotation @ self.up,
        )


def index_network(network: Network) -> Index:
    """Sort a network's observations by what they touch."""
    index = Index(network)
    for observation in network.observations:
        index.kinds[type(observation)].append(observation)
        if isinstance(observation, OnSurface):
            facet = Facet(observation.on, observation.value, observation.sd)
            index.facets[observation.point].append(facet)
            if observation.on[0] != TARGET:
                index.members[observation.on[1]].append((observation.point, observation.value))
    _read_priors(index)
    for seen in index.of(TargetCorners):
        index.corners[(seen.photo, seen.target)] = _prepared(index, seen)
    _read_fans(index)
    _read_sightlines(index)
    return index


def _prepared(index: Index, seen: TargetCorners) -> Corners:
    scaled = seen.corners_target * index.scales[seen.target]
    lens = index.lenses[seen.photo]
    return Corners(
        flat=np.column_stack([scaled, np.zeros(len(scaled))]),
        xy=undistort(seen.corners_px, lens, index.fixed[seen.photo]),
        weights=lens[0] / np.maximum(seen.sd_px, 1e-3),
        few=_spread(scaled),
    )


def _spread(flat: Array) -> npt.NDArray[np.intp]:
    """Pick up to `FEW` points far from each other: the outermost, then the farthest from those."""
    chosen = [int(np.argmax(np.linalg.norm(flat - flat.mean(axis=0), axis=1)))]
    away = np.linalg.norm(flat - flat[chosen[0]], axis=1)
    while len(chosen) < min(FEW, len(flat)):
        chosen.append(int(np.argmax(away)))
        away = np.minimum(away, np.linalg.norm(flat - flat[chosen[-1]], axis=1))
    return np.array(chosen)


def _read_priors(index: Index) -> None:
    priors = {prior.key: prior for prior in index.of(Prior)}
    for (kind, name), prior in priors.items():
        mean = np.array(prior.mean, dtype=float)
        if prior.mean_of in priors:
            mean = mean + priors[prior.mean_of].mean
        if kind == LENS:
            index.lenses[name] = mean
        elif kind == LENS_MEAN:
            index.lens_means[name] = mean
        elif kind == PRINT_SCALE:
            index.scales[name] = mean
    for photo, camera in index.network.cameras.items():
        index.fixed[photo] = np.array([camera.p1, camera.p2, camera.k3])
        default = np.array([camera.focal, *camera.centre, camera.k1, camera.k2])
        index.lenses.setdefault(photo, default)
    for seen in index.of(TargetCorners):
        index.scales.setdefault(seen.target, np.ones(2))


def _read_sightlines(index: Index) -> None:
    """Rays of point marks; where a point is only the crossing of edge marks, of that crossing."""
    seen: dict[str, dict[str, Sightline]] = defaultdict(dict)
    for mark in index.of(PointInPhoto):
        lens, fixed = index.lenses[mark.photo], index.fixed[mark.photo]
        direction = rays(np.array([mark.px]), lens, fixed)[0]
        seen[mark.point][mark.photo] = Sightline(direction, mark.sd_px / lens[0])
    for (photo, point), lines in _edge_lines(index).items():
        if photo in seen[point] or len(lines) < 2:
            continue
        crossings = [
            (float(np.linalg.norm(crossing := np.cross(a, b))), crossing)
            for i, a in enumerate(lines)
            for b in lines[i + 1 :]
        ]
        sine, crossing = max(crossings, key=lambda pair: pair[0])
        if sine > 0.05 and abs(crossing[2]) > 1e-6:
            direction = crossing / np.linalg.norm(crossing) * np.sign(crossing[2])
            seen[point][photo] = Sightline(direction, 5.0 / index.lenses[photo][0])
    index.sightlines = {point: by_photo for point, by_photo in seen.items() if by_photo}


def _edge_lines(index: Index) -> dict[tuple[str, str], list[Array]]:
    """Give normals of the planes through camera and edge mark, by (photo, end point)."""
    lines: dict[tuple[str, str], list[Array]] = defaultdict(list)
    for point, fans in index.fans.items():
        for fan in fans:
            lines[(fan.photo, point)].append(fan.normal)
    return lines


def _read_fans(index: Index) -> None:
    for mark in index.of(EdgeInPhoto):
        normal = line_normal(index, mark.photo, mark.px)
        for point in (mark.start, mark.end):
            fan = Fan(mark.photo, normal, mark.sd_px / index.lenses[mark.photo][0])
            index.fans[point].append(fan)


def line_normal(
    index: Index, photo: str, px: tuple[tuple[float, float], tuple[float, float]]
) -> Array:
    """Give the unit normal, camera frame, of the plane through camera and a line in a photo."""
    xy = undistort(np.array(px), index.lenses[photo], index.fixed[photo])
    normal = np.cross([*xy[0], 1.0], [*xy[1], 1.0])
    unit: Array = normal / np.linalg.norm(normal)
    return unit
