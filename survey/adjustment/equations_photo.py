"""Observations in photos: target corners, point marks, edge marks, plumb and level lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from survey.adjustment.equations_base import Equations, columns_of, rows_of
from survey.adjustment.model import (
    CAMERA,
    LENS,
    PLANE,
    POINT,
    PRINT_SCALE,
    TARGET,
    Array,
    EdgeInPhoto,
    GravityLineInPhoto,
    Observation,
    PointInPhoto,
    TargetCorners,
)
from survey.adjustment.unknowns import Unknowns, Values
from survey.geometry.cameras import project, project_with_derivatives, undistort
from survey.geometry.rotations import cross_matrix, tangent_basis
from survey.photo.model import CameraPrior

NEAREST_DEPTH = 0.01  # metres; what a step pushes behind the camera is held just in front of it
NEAREST_STEPS = 4  # Gauss-Newton steps to the nearest point of an imaged line; two do
# Normalised image units at which they stop: the distance does not change with the place along the
# line, so that a third of a pixel there changes it by less than 1e-5 px.
NEAREST_LIMIT = 1e-4
UP = np.array([0.0, 0.0, 1.0])


class PhotoEquations(Equations):
    """What equations in photos share: which camera and lens each reading uses."""

    def __init__(
        self,
        indices: Sequence[int] | np.ndarray,
        photos: Sequence[str],
        per: int,
        unknowns: Unknowns,
    ) -> None:
        count = len(photos)
        self.photos = list(photos)
        self.camera = rows_of([(CAMERA, name) for name in photos], unknowns)
        self.lens = rows_of([(LENS, name) for name in photos], unknowns)
        self.observation = np.repeat(np.asarray(indices, dtype=np.int64), per)
        self.group = np.repeat(np.arange(count), per)
        self.fixed = np.zeros((count, 3))
        self.camera_columns = np.concatenate(
            [columns_of(CAMERA, self.camera, unknowns), columns_of(LENS, self.lens, unknowns)],
            axis=1,
        )

    def read_cameras(self, cameras: Mapping[str, CameraPrior]) -> None:
        """Take the distortion terms that are never adjusted."""
        terms = {
            name: (cameras[name].p1, cameras[name].p2, cameras[name].k3)
            for name in set(self.photos)
            if name in cameras
        }
        self.fixed = np.array([terms.get(name, (0.0, 0.0, 0.0)) for name in self.photos])

    def to_camera(self, values: Values, points: Array) -> tuple[Array, Array]:
        """Points (n, 3) of the site in each reading's camera frame, and the rotations used."""
        rotation = values.rotation[CAMERA][self.camera]
        moved = points - values.place[CAMERA][self.camera]
        points_camera = np.einsum("nji,nj->ni", rotation, moved)
        points_camera[:, 2] = np.maximum(points_camera[:, 2], NEAREST_DEPTH)
        return points_camera, rotation


def _point_derivatives(
    points_camera: Array, rotation: Array, by_point: Array, by_lens: Array
) -> tuple[Array, Array]:
    """Give derivatives by camera and lens (n, 2, 11), and by the site point (n, 2, 3)."""
    by_site = by_point @ np.swapaxes(rotation, 1, 2)
    by_camera = np.concatenate([by_point @ cross_matrix(points_camera), -by_site, by_lens], axis=2)
    return by_camera, by_site


class TargetCornerEquations(PhotoEquations):
    """E1: px = project(camera, lens, R_target (scale * corner) + place), two rows a corner."""

    accepts = TargetCorners
    kinds = ("target corner",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        sightings = [o for o in observations if isinstance(o, TargetCorners)]
        counts = [len(o.corners_px) for o in sightings]
        which = np.repeat(np.arange(len(sightings)), counts)
        super().__init__(
            np.asarray(indices)[which], [sightings[i].photo for i in which], 2, unknowns
        )
        target = rows_of([(TARGET, o.target) for o in sightings], unknowns)
        scale = rows_of([(PRINT_SCALE, o.target) for o in sightings], unknowns)
        self.target, self.scale = target[which], scale[which]
        self.corners = np.concatenate([np.asarray(o.corners_target, float) for o in sightings])
        self.px = np.concatenate([np.asarray(o.corners_px, float) for o in sightings])
        self.sd = np.repeat(np.concatenate([np.asarray(o.sd_px, float) for o in sightings]), 2)
        columns = np.concatenate(
            [
                self.camera_columns,
                columns_of(TARGET, self.target, unknowns),
                columns_of(PRINT_SCALE, self.scale, unknowns),
            ],
            axis=1,
        )
        self.columns = np.repeat(columns, 2, axis=0)

    def _place(self, values: Values) -> tuple[Array, Array, Array]:
        """Corners to true size in the target frame, target rotations, corners in the site."""
        corners = np.zeros((len(self.corners), 3))
        corners[:, :2] = self.corners * values.vector[PRINT_SCALE][self.scale]
        rotation = values.rotation[TARGET][self.target]
        place = values.place[TARGET][self.target]
        return corners, rotation, np.einsum("nij,nj->ni", rotation, corners) + place

    def residuals(self, values: Values) -> Array:
        """Residuals alone, without the derivatives."""
        points_camera, _ = self.to_camera(values, self._place(values)[2])
        lens = values.vector[LENS][self.lens]
        return (self.px - project(points_camera, lens, self.fixed)).ravel()

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        corners, target_rotation, points = self._place(values)
        points_camera, rotation = self.to_camera(values, points)
        lens = values.vector[LENS][self.lens]
        px, by_point, by_lens = project_with_derivatives(points_camera, lens, self.fixed)
        by_camera, by_site = _point_derivatives(points_camera, rotation, by_point, by_lens)
        by_own = by_site @ target_rotation
        by_turn = -by_own @ cross_matrix(corners)
        by_scale = by_own[:, :, :2] * self.corners[:, None, :]
        derivatives = np.concatenate([by_camera, by_turn, by_site, by_scale], axis=2)
        return (self.px - px).ravel(), derivatives.reshape(-1, derivatives.shape[2])


class PointMarkEquations(PhotoEquations):
    """E2: px = project(camera, lens, X), two rows a mark."""

    accepts = PointInPhoto
    kinds = ("point mark",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        marks = [o for o in observations if isinstance(o, PointInPhoto)]
        super().__init__(indices, [o.photo for o in marks], 2, unknowns)
        self.point = rows_of([(POINT, o.point) for o in marks], unknowns)
        self.px = np.array([o.px for o in marks], dtype=float)
        self.sd = np.repeat([o.sd_px for o in marks], 2).astype(float)
        columns = np.concatenate(
            [self.camera_columns, columns_of(POINT, self.point, unknowns)], axis=1
        )
        self.columns = np.repeat(columns, 2, axis=0)

    def residuals(self, values: Values) -> Array:
        """Residuals alone, without the derivatives."""
        points_camera, _ = self.to_camera(values, values.vector[POINT][self.point])
        lens = values.vector[LENS][self.lens]
        return (self.px - project(points_camera, lens, self.fixed)).ravel()

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        points_camera, rotation = self.to_camera(values, values.vector[POINT][self.point])
        lens = values.vector[LENS][self.lens]
        px, by_point, by_lens = project_with_derivatives(points_camera, lens, self.fixed)
        by_camera, by_site = _point_derivatives(points_camera, rotation, by_point, by_lens)
        derivatives = np.concatenate([by_camera, by_site], axis=2)
        return (self.px - px).ravel(), derivatives.reshape(-1, derivatives.shape[2])


def _cross(first: Array, second: Array) -> Array:
    """Cross products of vectors (n, 3), row by row."""
    product = np.empty_like(first)
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        product[:, i] = first[:, j] * second[:, k] - first[:, k] * second[:, j]
    return product


class _Nearest(NamedTuple):
    """The point of an imaged line nearest to a pixel, with what derivatives need."""

    share: Array  # along the line, (n,)
    miss: Array  # pixels, (n,), signed along `normal`
    normal: Array  # square to the image of the line, (n, 2)
    points_camera: Array
    by_point: Array
    by_lens: Array


def _nearly_undistorted(px: Array, lens: Array, fixed: Array) -> Array:
    """Normalised coordinates of pixels, near enough to start a search from, (n, 2)."""
    xy = (px - lens[:, 1:3]) / lens[:, :1]
    ray = np.ones((len(px), 3))
    ray[:, :2] = xy
    near: Array = xy + (px - project(ray, lens, fixed)) / lens[:, :1]
    return near


def _nearest_on_line(
    px: Array, start: Array, direction: Array, lens: Array, fixed: Array
) -> _Nearest:
    """Point of an imaged straight line nearest to a pixel.

    The line is ``start + share * direction`` in the camera frame. At the nearest point the miss is
    square to the image of the line, so that neither `share` nor the normal's turning changes the
    distance to first order (E3): its derivative is that of the pixel at a held `share`. The search
    runs in the undistorted image from beside the mark, where the line is straight; a part of it
    behind the camera images onto the same line.
    """
    line = _cross(start, direction)
    breadth = np.maximum(np.linalg.norm(line[:, :2], axis=1), 1e-150)
    xy = _nearly_undistorted(px, lens, fixed)
    off = (np.sum(line[:, :2] * xy, axis=1) + line[:, 2]) / breadth
    along = np.stack([-line[:, 1], line[:, 0]], axis=1) / breadth[:, None]
    ray = np.ones((len(px), 3))
    ray[:, :2] = xy - (off / breadth)[:, None] * line[:, :2]
    for _ in range(NEAREST_STEPS):
        found, by_ray, _ = project_with_derivatives(ray, lens, fixed)
        tangent = np.einsum("nij,nj->ni", by_ray[:, :, :2], along)
        speed = np.maximum(np.sum(tangent**2, axis=1), 1e-300)
        step = np.sum(tangent * (px - found), axis=1) / speed
        ray[:, :2] += step[:, None] * along
        if np.max(np.abs(step), initial=0.0) < NEAREST_LIMIT:
            break
    beside = _cross(direction, ray)
    square = np.maximum(np.sum(beside**2, axis=1), 1e-300)
    share = -np.sum(_cross(start, ray) * beside, axis=1) / square
    points = start + share[:, None] * direction
    points[:, 2] = np.where(np.abs(points[:, 2]) < 1e-9, 1e-9, points[:, 2])
    found, by_point, by_lens = project_with_derivatives(points, lens, fixed)
    tangent = np.einsum("nij,nj->ni", by_point, direction)
    length = np.maximum(np.linalg.norm(tangent, axis=1), 1e-150)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) / length[:, None]
    miss = np.sum(normal * (px - found), axis=1)
    return _Nearest(share, miss, normal, points, by_point, by_lens)


class EdgeEquations(PhotoEquations):
    """E3: distance in pixels of both ends of an edge mark from the image of the line (a, b)."""

    accepts = EdgeInPhoto
    kinds = ("edge mark",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        marks = [o for o in observations if isinstance(o, EdgeInPhoto) for _ in o.px]
        super().__init__(np.repeat(indices, 2), [o.photo for o in marks], 1, unknowns)
        self.group = np.repeat(np.arange(len(marks) // 2), 2)
        self.first = rows_of([(POINT, o.start) for o in marks], unknowns)
        self.last = rows_of([(POINT, o.end) for o in marks], unknowns)
        self.px = np.array(
            [end for o in observations if isinstance(o, EdgeInPhoto) for end in o.px], dtype=float
        )
        self.sd = np.array([o.sd_px for o in marks], dtype=float)
        self.columns = np.concatenate(
            [
                self.camera_columns,
                columns_of(POINT, self.first, unknowns),
                columns_of(POINT, self.last, unknowns),
            ],
            axis=1,
        )

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        rotation = values.rotation[CAMERA][self.camera]
        centre = values.place[CAMERA][self.camera]
        first = np.einsum("nji,nj->ni", rotation, values.vector[POINT][self.first] - centre)
        last = np.einsum("nji,nj->ni", rotation, values.vector[POINT][self.last] - centre)
        lens = values.vector[LENS][self.lens]
        direction = last - first
        near = _nearest_on_line(self.px, first, direction, lens, self.fixed)
        by_camera, by_site = _point_derivatives(
            near.points_camera, rotation, near.by_point, near.by_lens
        )
        by_camera = np.einsum("ni,nij->nj", near.normal, by_camera)
        by_site = np.einsum("ni,nij->nj", near.normal, by_site)
        share = near.share
        derivatives = np.concatenate(
            [by_camera, (1 - share)[:, None] * by_site, share[:, None] * by_site], axis=1
        )
        return near.miss, derivatives


class GravityLineEquations(PhotoEquations):
    """E4: distance in pixels of a line's second end from the image of the line from its first end.

    That line is straight in the site and runs plumb, or level within a plane or a target's face
    (up x normal). The first end is undistorted with the lens of the moment, so its derivative
    follows from the implicit function theorem on M3.
    """

    accepts = GravityLineInPhoto
    kinds = ("plumb or level line",)

    def __init__(
        self, indices: Sequence[int], observations: Sequence[Observation], unknowns: Unknowns
    ) -> None:
        marks = [o for o in observations if isinstance(o, GravityLineInPhoto)]
        super().__init__(indices, [o.photo for o in marks], 1, unknowns)
        ends = np.array([o.px for o in marks], dtype=float)
        self.start_px, self.end_px = ends[:, 0], ends[:, 1]
        length = np.linalg.norm(self.end_px - self.start_px, axis=1)
        marking = np.array([o.sd_px for o in marks], dtype=float)
        departure = np.array([o.departure_sd for o in marks], dtype=float)
        self.sd = np.sqrt(2.0 * marking**2 + (departure * length) ** 2)
        on = [o.on if o.direction == "level" else None for o in marks]
        self.on_plane = np.array([k is not None and k[0] == PLANE for k in on])
        self.on_target = np.array([k is not None and k[0] == TARGET for k in on])
        self.plane = rows_of([k for k in on if k is not None and k[0] == PLANE], unknowns)
        self.target = rows_of([k for k in on if k is not None and k[0] == TARGET], unknowns)
        held = np.full((len(marks), 3), -1, dtype=np.int64)
        held[self.on_plane, :2] = columns_of(PLANE, self.plane, unknowns)[:, :2]
        held[self.on_target] = columns_of(TARGET, self.target, unknowns)[:, :3]
        self.columns = np.concatenate([self.camera_columns, held], axis=1)

    def _directions(self, values: Values) -> tuple[Array, Array]:
        """Directions in the site (n, 3) and their derivatives by the surface's turning."""
        count = len(self.sd)
        direction = np.tile(UP, (count, 1))
        by_surface = np.zeros((count, 3, 3))
        lift = cross_matrix(UP)
        normal = values.normal[self.plane]
        direction[self.on_plane] = normal @ lift.T
        by_surface[self.on_plane, :, :2] = lift @ tangent_basis(normal)
        rotation = values.rotation[TARGET][self.target]
        direction[self.on_target] = rotation[:, :, 2] @ lift.T
        by_surface[self.on_target] = -lift @ rotation @ cross_matrix(UP)
        flat = np.linalg.norm(direction, axis=1) < 1e-9  # a level surface: every direction is level
        direction[flat] = (1.0, 0.0, 0.0)
        return direction, by_surface

    def linearise(self, values: Values) -> tuple[Array, Array]:
        """Residuals and derivatives."""
        rotation = values.rotation[CAMERA][self.camera]
        lens = values.vector[LENS][self.lens]
        direction, by_surface = self._directions(values)
        direction_camera = np.einsum("nji,nj->ni", rotation, direction)
        xy = undistort(self.start_px, lens, self.fixed)
        start = np.concatenate([xy, np.ones((len(xy), 1))], axis=1)
        near = _nearest_on_line(self.end_px, start, direction_camera, lens, self.fixed)
        across = np.einsum("ni,nij->nj", near.normal, near.by_point)
        by_direction = near.share[:, None] * across
        _, at_start, lens_at_start = project_with_derivatives(start, lens, self.fixed)
        start_by_lens = -np.linalg.solve(at_start[:, :, :2], lens_at_start)
        by_lens_rows = np.einsum("ni,nij->nj", near.normal, near.by_lens)
        by_lens_rows += np.einsum("ni,nij->nj", across[:, :2], start_by_lens)
        by_turn = np.einsum("ni,nij->nj", by_direction, cross_matrix(direction_camera))
        by_site = np.einsum("nij,nj->ni", rotation, by_direction)
        derivatives = np.concatenate(
            [
                by_turn,
                np.zeros((len(xy), 3)),
                by_lens_rows,
                np.einsum("ni,nij->nj", by_site, by_surface),
            ],
            axis=1,
        )
        return near.miss, derivatives
