"""How well a piece of the site places its points and planes: roughly, from rays and targets."""

from __future__ import annotations

import math

import numpy as np

from survey.adjustment.model import TARGET, Array, TargetOnPlane
from survey.adjustment.starting_index import Index, Site
from survey.geometry import tangent_basis

ALONG = 100.0  # metres; how far along a line of sight its point may be
RAY_SLACK = 5.0  # ray sds are widened by this: the cameras are only roughly placed
FACET_SLACK = 0.03  # metres; planes are only roughly placed
BOARD_TILT = 0.03  # radians; of a target in its photo, and so of the plane it lies on
LOOSE = 30.0  # metres; of a point that rays alone place, before they are counted
TAPED = 0.1  # metres; of a point that no ray places
BASE = 0.03  # metres; nothing is placed better than that yet
DRIFT = 0.01  # of the distance from the camera


class Spreads:
    """Covariances of what one piece has placed, worked out once each."""

    def __init__(self, index: Index, site: Site) -> None:
        self.index = index
        self.site = site
        self._planes: dict[str, tuple[Array, Array, Array]] = {}
        self._seen: dict[str, tuple[Array, float]] = {}

    def point(self, name: str) -> Array:
        """Covariance of a placed point in the piece's frame, (3, 3), square metres.

        Across a line of sight it is the mark's sd at that distance, along it unknown; across a
        plane it is the plane's own.
        """
        information, nearest = self._rays(name)
        if not math.isfinite(nearest):
            return self._taped(name) ** 2 * np.eye(3)
        information = information.copy()
        place = self.site.points[name]
        for facet in self.index.facets.get(name, []):
            surface = self.site.surface(facet.on)
            if surface is None:
                continue
            if facet.on[0] == TARGET:
                arm = float(np.linalg.norm(place - self.site.targets[facet.on[1]].translation))
                variance = (BOARD_TILT * arm) ** 2
            else:
                variance = self._off_plane(facet.on[1], place)
            variance += facet.sd**2 + FACET_SLACK**2
            information += np.outer(surface[0], surface[0]) / variance
        spread = np.linalg.inv(information + np.eye(3) / LOOSE**2)
        widened: Array = spread + (BASE + DRIFT * nearest) ** 2 * np.eye(3)
        return widened

    def by_rays(self, name: str) -> Array:
        """Covariance of a placed point as its lines of sight alone know it, (3, 3)."""
        information, nearest = self._rays(name)
        if not math.isfinite(nearest):
            return self._taped(name) ** 2 * np.eye(3)
        spread: Array = np.linalg.inv(information + np.eye(3) / LOOSE**2) + BASE**2 * np.eye(3)
        return spread

    def _taped(self, name: str) -> float:
        """Give the sd of a point that no ray places: that of the worst it was taped from."""
        worst = TAPED
        for facet in self.index.facets.get(name, []):
            for point, _ in self.index.members.get(facet.on[1], []):
                if point in self.site.points:
                    information, nearest = self._rays(point)
                    if math.isfinite(nearest):
                        least = float(np.linalg.eigvalsh(information)[0])
                        worst = max(worst, 1.0 / math.sqrt(least + 1.0 / LOOSE**2))
        return worst

    def normal(self, plane: str) -> Array:
        """Covariance of a placed plane's unit normal, (3, 3)."""
        _, sides, covariance = self._plane(plane)
        spread: Array = sides.T @ covariance[:2, :2] @ sides
        return spread

    def face(self, plane: str) -> tuple[Array, float]:
        """Give the place on a plane where it is known best, and its sd across the plane, metres."""
        middle, _, covariance = self._plane(plane)
        return middle, math.sqrt(float(covariance[2, 2]) + FACET_SLACK**2)

    def _rays(self, name: str) -> tuple[Array, float]:
        """Information of a point's lines of sight, and the distance to the nearest camera."""
        if name not in self._seen:
            information, nearest = np.zeros((3, 3)), math.inf
            place = self.site.points[name]
            for photo, line in self.index.sightlines.get(name, {}).items():
                camera = self.site.cameras.get(photo)
                if camera is not None:
                    ray = camera.rotation @ line.direction
                    distance = max(float(np.linalg.norm(place - camera.translation)), 0.5)
                    across = RAY_SLACK * line.sd * distance
                    information += (np.eye(3) - np.outer(ray, ray)) / across**2
                    nearest = min(nearest, distance)
            self._seen[name] = (information, nearest)
        return self._seen[name]

    def _off_plane(self, plane: str, place: Array) -> float:
        """Variance of a plane's height at a place, square metres."""
        middle, sides, covariance = self._plane(plane)
        row = np.append(sides @ (place - middle), 1.0)
        return float(row @ covariance @ row)

    def _plane(self, plane: str) -> tuple[Array, Array, Array]:
        """Give a plane's middle, two axes in it and the covariance of its two tilts and height."""
        if plane not in self._planes:
            self._planes[plane] = self._plane_of_all(plane)
        return self._planes[plane]

    def _plane_of_all(self, plane: str) -> tuple[Array, Array, Array]:
        site = self.site
        normal, offset = site.planes[plane].normal, site.planes[plane].offset
        sides = tangent_basis(normal[None, :])[0].T
        places: list[Array] = []
        sds: list[float] = []
        for point, _ in self.index.members.get(plane, []):
            if point in site.points:
                sds.append(math.sqrt(float(normal @ self.by_rays(point) @ normal)))
                places.append(site.points[point])
        boards = [
            site.targets[tie.target].translation
            for tie in self.index.of(TargetOnPlane)
            if tie.plane == plane and tie.target in site.targets
        ]
        places += boards
        sds += [BASE] * len(boards)
        if not places:
            places, sds = [-offset * normal], [1.0]
        at, weight = np.array(places), 1.0 / np.array(sds) ** 2
        middle = (at * weight[:, None]).sum(axis=0) / weight.sum()
        middle = middle - (normal @ middle + offset) * normal
        rows = np.column_stack([(at - middle) @ sides.T, np.ones(len(at))])
        information = (rows * weight[:, None]).T @ rows
        tilt = len(boards) / BOARD_TILT**2 + 1.0
        return middle, sides, np.linalg.inv(information + np.diag([tilt, tilt, 1e-4]))
