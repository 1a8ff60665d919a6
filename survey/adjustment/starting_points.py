"""Starting places of points and planes from what has been placed already.

A point is looked for where two rays meet, where a ray meets a surface or a height, where tapes
cross, or where a tape grid puts it; of all such places the one that most observations agree with
is taken (cost log(1 + misfit squared)), so one wrong mark or reading doesn't spoil it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable

import numpy as np

from survey.adjustment.model import (
    Array,
    LevelEdge,
    PlaneParameters,
    SpotOnPlane,
    TapeLength,
    TargetOnPlane,
)
from survey.adjustment.starting_index import Index, Site
from survey.adjustment.starting_spread import Spreads
from survey.errors import GeometryError
from survey.geometry import fit_plane, meet_plane, meet_rays

SMALLEST_SINE = 0.015  # of the angle between two rays whose meeting is worth anything
BEHIND = 1e6  # squared misfit of a place behind the camera
MOST_RAYS = 8  # of one point that are paired with each other
FACET_SLACK = 0.03  # metres; planes are only roughly placed yet
TAPE_SLACK = 0.03  # metres
SPOT_SLACK = 0.1  # metres
RAY_SLACK = 5.0  # ray sds are widened by this
BAD_POINT = 5.0  # log misfit of a point that something gross speaks of
MOST_SUSPECTS = 12
FACES_UP = 0.2  # cosine between a roof's normal and up above which up tells its outer side
FAN_REACH = 8.0  # metres; how far an edge seen in a photo is from its camera


class PointFinder:
    """Finds places of points in one growing piece of the site."""

    def __init__(self, index: Index, site: Site) -> None:
        self.index = index
        self.site = site
        self.tapes: dict[str, list[tuple[str, float]]] = {}
        for tape in index.of(TapeLength):
            self.tapes.setdefault(tape.start, []).append((tape.end, tape.value))
            self.tapes.setdefault(tape.end, []).append((tape.start, tape.value))
        self.levels: dict[str, list[str]] = {}
        for edge in index.of(LevelEdge):
            self.levels.setdefault(edge.start, []).append(edge.end)
            self.levels.setdefault(edge.end, []).append(edge.start)
        self.spots: dict[str, list[SpotOnPlane]] = {}
        for spot in index.of(SpotOnPlane):
            self.spots.setdefault(spot.point, []).append(spot)
        self.heights: dict[str, float] = {}  # along `up`, from rods of placed set-ups

    def locate(self, point: str) -> Array | None:
        """Best place of a point, or None while too little is placed."""
        origins, directions, sds = self._rays(point)
        surfaces = self._surfaces(point)
        places = [*_ray_places(origins, directions, surfaces)]
        places += self._tape_places(point, origins, directions, surfaces)
        places += self._spot_places(point)
        if not places:
            return None
        best, lowest = None, math.inf
        for place in places:
            cost = self._cost(point, place, origins, directions, sds, surfaces)
            if cost < lowest:
                best, lowest = place, cost
        return best

    def _rays(self, point: str) -> tuple[Array, Array, Array]:
        origins, directions, sds = [], [], []
        for photo, line in self.index.sightlines.get(point, {}).items():
            camera = self.site.cameras.get(photo)
            if camera is not None:
                origins.append(camera.translation)
                directions.append(camera.rotation @ line.direction)
                sds.append(line.sd)
        count = len(origins)
        return (
            np.array(origins).reshape(count, 3),
            np.array(directions).reshape(count, 3),
            np.array(sds),
        )

    def _surfaces(self, point: str) -> list[tuple[Array, float, float]]:
        """Planes a point lies on: normal, offset (declared distance taken off), sd.

        They are roof and wall planes, the planes through a camera and an edge seen in it, and
        level planes at known heights.
        """
        found = []
        for facet in self.index.facets.get(point, []):
            surface = self.site.surface(facet.on)
            if surface is not None:
                found.append((surface[0], surface[1] - facet.value, facet.sd))
        for fan in self.index.fans.get(point, []):
            camera = self.site.cameras.get(fan.photo)
            if camera is not None and fan.photo not in self.index.sightlines.get(point, {}):
                normal = camera.rotation @ fan.normal
                sd = RAY_SLACK * fan.sd * FAN_REACH
                found.append((normal, -float(normal @ camera.translation), sd))
        up = self.site.up
        if up is None:
            return found
        if point in self.heights:
            found.append((up, -self.heights[point], 0.01))
        for other in self.levels.get(point, []):
            if other in self.site.points:
                found.append((up, -float(up @ self.site.points[other]), 0.03))
        return found

    def _tape_places(
        self,
        point: str,
        origins: Array,
        directions: Array,
        surfaces: list[tuple[Array, float, float]],
    ) -> list[Array]:
        known = [
            (self.site.points[other], length)
            for other, length in self.tapes.get(point, [])
            if other in self.site.points
        ]
        places: list[Array] = []
        for centre, length in known:
            for origin, direction in zip(origins, directions, strict=True):
                places += _ray_on_sphere(origin, direction, centre, length)
        for (a, ra), (b, rb) in itertools.combinations(known, 2):
            for normal, offset, _ in surfaces:
                places += _circles_on_plane(a, ra, b, rb, normal, offset)
        for (a, ra), (b, rb), (c, rc) in itertools.combinations(known, 3):
            places += _three_spheres(a, ra, b, rb, c, rc)
        return places

    def _spot_places(self, point: str) -> list[Array]:
        places = []
        for spot in self.spots.get(point, []):
            frame = self.plane_frame(spot.plane, spot.origin, spot.direction)
            if frame is not None:
                origin, along, up = frame
                places.append(origin + spot.along * along + spot.up * up)
        return places

    def plane_frame(
        self, plane: str, origin: str, direction: str
    ) -> tuple[Array, Array, Array] | None:
        """Origin, along and up axes of a plane's tape grid, once all three are placed."""
        surface = self.site.planes.get(plane)
        points = self.site.points
        if surface is None or origin not in points or direction not in points:
            return None
        along = points[direction] - points[origin]
        along = along - (along @ surface.normal) * surface.normal
        length = float(np.linalg.norm(along))
        if length < 1e-6:
            return None
        along = along / length
        return points[origin], along, np.cross(surface.normal, along)

    def _cost(
        self,
        point: str,
        place: Array,
        origins: Array,
        directions: Array,
        sds: Array,
        surfaces: list[tuple[Array, float, float]],
    ) -> float:
        cost = 0.0
        if len(origins):
            to = place - origins
            distance = np.linalg.norm(to, axis=1)
            ahead = (to * directions).sum(axis=1)
            off = np.linalg.norm(np.cross(directions, to), axis=1) / np.maximum(distance, 1e-9)
            misfit = np.where(ahead > 0, (off / (RAY_SLACK * sds)) ** 2, BEHIND)
            cost += float(np.log1p(misfit).sum())
        for normal, offset, sd in surfaces:
            height = float(normal @ place) + offset
            cost += math.log1p((height / math.hypot(sd, FACET_SLACK)) ** 2)
        for other, length in self.tapes.get(point, []):
            if other in self.site.points:
                apart = float(np.linalg.norm(place - self.site.points[other]))
                cost += math.log1p(((apart - length) / (TAPE_SLACK + 0.005 * length)) ** 2)
        for spot in self._spot_places(point):
            cost += math.log1p(float(((place - spot) ** 2).sum()) / SPOT_SLACK**2)
        return cost

    def misfit(self, names: Iterable[str]) -> float:
        """Sum of the log misfits of everything that speaks of some points."""
        return sum(self._misfit_of(name) for name in names if name in self.site.points)

    def _misfit_of(self, point: str) -> float:
        place = self.site.points[point]
        return self._cost(point, place, *self._rays(point), self._surfaces(point))

    def suspects(self) -> tuple[list[tuple[str, str]], list[str]]:
        """Give marks one of which may lead a plane astray, and the points of such planes.

        They are the marks on planes with a point that misfits.
        """
        points = self.site.points
        bad = {p for p in self.index.sightlines if p in points and self._misfit_of(p) > BAD_POINT}
        planes = sorted({facet.on for point in bad for facet in self.index.facets.get(point, [])})
        near = set(bad)
        for _, name in planes:
            near |= {p for p, _ in self.index.members.get(name, []) if p in self.index.sightlines}
        order = sorted(near, key=lambda p: (p not in bad, p))
        marks = [
            (point, photo)
            for point in order
            for photo in self.index.sightlines[point]
            if photo in self.site.cameras
        ]
        return marks[:MOST_SUSPECTS], order

    def place_planes(self) -> bool:
        """Place planes from targets lying on them or three of their points; True if any is new."""
        new = False
        lying = {tie.plane: tie for tie in self.index.of(TargetOnPlane)}
        names = dict.fromkeys([*self.index.members, *lying])
        for name in names:
            if name in self.site.planes:
                continue
            plane = self._plane_of_points(name) or self._plane_of_target(name)
            if plane is not None:
                self.site.planes[name] = plane
                new = True
        return new

    def replace_planes(self, names: Iterable[str] | None = None) -> None:
        """Fit planes again once all points are placed."""
        for name in list(self.site.planes) if names is None else names:
            plane = self._plane_of_points(name)
            if plane is not None:
                self.site.planes[name] = plane

    def _plane_of_target(self, name: str) -> PlaneParameters | None:
        for tie in self.index.of(TargetOnPlane):
            pose = self.site.targets.get(tie.target)
            if tie.plane == name and pose is not None:
                normal = pose.rotation[:, 2]
                return PlaneParameters(normal, tie.thickness - float(normal @ pose.translation))
        return None

    def _plane_of_points(self, name: str) -> PlaneParameters | None:
        members = [m for m in self.index.members.get(name, []) if m[0] in self.site.points]
        if len(members) < 3:
            return None
        points = np.array([self.site.points[point] for point, _ in members])
        values = np.array([value for _, value in members])
        spreads = Spreads(self.index, self.site)
        try:
            plane = robust_plane(points, values, np.array([spreads.by_rays(p) for p, _ in members]))
        except GeometryError:
            return None
        return self._facing(name, plane)

    def _facing(self, name: str, plane: PlaneParameters) -> PlaneParameters:
        """Turn a plane outwards: by its target, up if it is a roof, or its outline's order."""
        outward = self._plane_of_target(name)
        if outward is not None:
            return plane if plane.normal @ outward.normal > 0 else _turned(plane)
        up = self.site.up
        is_roof = name not in self.index.network.wall_planes
        if is_roof and up is not None and abs(plane.normal @ up) > FACES_UP:
            return plane if plane.normal @ up > 0 else _turned(plane)
        ring = [
            self.site.points[point]
            for point in self.index.network.outlines.get(name, ())
            if point in self.site.points
        ]
        if len(ring) >= 3:
            corners = np.array(ring) - ring[0]
            around = np.cross(corners, np.roll(corners, -1, axis=0)).sum(axis=0)
            if abs(around @ plane.normal) > 1e-9:
                return plane if around @ plane.normal > 0 else _turned(plane)
        return plane


def _turned(plane: PlaneParameters) -> PlaneParameters:
    return PlaneParameters(-plane.normal, -plane.offset)


def robust_plane(points: Array, values: Array, spreads: Array) -> PlaneParameters:
    """Plane at given distances from points with covariances `spreads` (n, 3, 3).

    Points far off the others' plane lose their weight.
    """
    normal, offset, _ = fit_plane(points)
    trust = np.ones(len(points))
    for _ in range(8):
        # Declared distances: shift each point onto the plane along the last normal.
        shifted = points - values[:, None] * normal
        variance = (normal @ spreads @ normal) + 1e-6
        fitted, offset, _ = fit_plane(shifted, trust * variance.min() / variance)
        normal = fitted if fitted @ normal >= 0 else -fitted
        offset = offset if fitted @ normal >= 0 else -offset
        off = np.abs(shifted @ normal + offset)
        scale = max(0.02, float(np.median(off)))
        trust = 1.0 / (1.0 + (off / (2 * scale)) ** 2)
        if len(points) == 3:
            break
    return PlaneParameters(normal, float(offset))


def _ray_places(
    origins: Array, directions: Array, surfaces: Iterable[tuple[Array, float, float]]
) -> list[Array]:
    places: list[Array] = []
    count = min(len(origins), MOST_RAYS)
    for i, j in itertools.combinations(range(count), 2):
        try:
            place, sine = meet_rays(origins[[i, j]], directions[[i, j]])
        except GeometryError:
            continue
        ahead = ((place - origins[[i, j]]) * directions[[i, j]]).sum(axis=1)
        if sine > SMALLEST_SINE and np.all(ahead > 0):
            places.append(place)
    if count > 2:
        try:
            places.append(meet_rays(origins, directions)[0])
        except GeometryError:
            pass
    if len(origins):
        for normal, offset, _ in surfaces:
            met = meet_plane(origins, directions, normal, offset)
            places += [place for place in met if np.all(np.isfinite(place))]
    return places


def _ray_on_sphere(origin: Array, direction: Array, centre: Array, radius: float) -> list[Array]:
    to = centre - origin
    middle = float(to @ direction)
    gap = float(to @ to) - middle**2
    if gap > radius**2:
        return [origin + middle * direction] if math.sqrt(gap) < 1.1 * radius else []
    half = math.sqrt(radius**2 - gap)
    return [origin + t * direction for t in (middle - half, middle + half) if t > 0]


def _circles_on_plane(
    a: Array, ra: float, b: Array, rb: float, normal: Array, offset: float
) -> list[Array]:
    """Points of a plane at two distances from two points (which may stand off it)."""
    ha, hb = float(normal @ a) + offset, float(normal @ b) + offset
    if abs(ha) > ra or abs(hb) > rb:
        return []
    foot_a, foot_b = a - ha * normal, b - hb * normal
    return _circles(foot_a, math.sqrt(ra**2 - ha**2), foot_b, math.sqrt(rb**2 - hb**2), normal)


def _circles(a: Array, ra: float, b: Array, rb: float, normal: Array) -> list[Array]:
    step = b - a
    apart = float(np.linalg.norm(step))
    if apart < 1e-6:
        return []
    along = step / apart
    x = (apart**2 + ra**2 - rb**2) / (2 * apart)
    y = math.sqrt(max(ra**2 - x**2, 0.0))
    side = np.cross(normal, along)
    return [a + x * along + y * side, a + x * along - y * side]


def _three_spheres(a: Array, ra: float, b: Array, rb: float, c: Array, rc: float) -> list[Array]:
    along = b - a
    apart = float(np.linalg.norm(along))
    if apart < 1e-6:
        return []
    along = along / apart
    i = float(along @ (c - a))
    side = c - a - i * along
    j = float(np.linalg.norm(side))
    if j < 1e-3:
        return []
    side = side / j
    x = (ra**2 - rb**2 + apart**2) / (2 * apart)
    y = (ra**2 - rc**2 + i**2 + j**2 - 2 * i * x) / (2 * j)
    z = math.sqrt(max(ra**2 - x**2 - y**2, 0.0))
    out = np.cross(along, side)
    base = a + x * along + y * side
    return [base + z * out, base - z * out]
