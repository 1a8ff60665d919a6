"""A quick painter of the invented house: real pixels for the automatic part, in a second a photo.

Rays of the true camera are cut with a few flat surfaces; the printed targets carry their real
artwork, sampled nine times a pixel. Deterministic; no light, no clutter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from survey.target import sheet_image, sheet_size
from tests.sample.made import develop, paperwork, place

Array = npt.NDArray[np.float64]
PICTURE_PX_PER_MM = 1.25
SKY, LAWN = (196.0, 208.0, 226.0), (92.0, 112.0, 58.0)
COARSE = 4  # the background is painted at a quarter of the size


@dataclass(frozen=True)
class Surface:
    """A flat convex polygon with a colour, or with a picture over its whole square."""

    corners: Array  # (n, 3), site frame; for a picture: lower left, lower right, upper right, ...
    colour: tuple[float, float, float]
    picture: npt.NDArray[np.uint8] | None = None

    def hit(self, centre: Array, rays: Array) -> tuple[Array, Array]:
        """Distance along each ray (inf where missed) and the hit in the polygon's own axes."""
        origin = self.corners[0]
        u = self.corners[1] - origin
        u = u / np.linalg.norm(u)
        normal = np.cross(u, self.corners[-1] - origin)
        normal /= np.linalg.norm(normal)
        v = np.cross(normal, u)
        with np.errstate(divide="ignore", invalid="ignore"):
            distance = ((origin - centre) @ normal) / (rays @ normal)
        distance[~np.isfinite(distance)] = np.inf
        seen = np.where(np.isfinite(distance), distance, 0.0)[..., None]
        where = (centre - origin + seen * rays) @ np.column_stack([u, v])
        flat = (self.corners - origin) @ np.column_stack([u, v])
        inside = distance > 0.05
        for a, b in zip(flat, np.roll(flat, -1, axis=0), strict=True):
            side = b - a
            inside &= side[0] * (where[..., 1] - a[1]) >= side[1] * (where[..., 0] - a[0])
        return np.where(inside, distance, np.inf), where


def house_surfaces() -> list[Surface]:
    """Walls, roofs and ground."""
    width, depth, base = place.HOUSE_WIDTH, place.HOUSE_DEPTH, 0.0
    points = place.named_points()
    top = place.STEEP_EAVE + place.EAVE_OVERHANG * place.STEEP_PITCH - 0.1
    peak = place.RIDGE_Z - 0.1
    surfaces = []
    for names, colour in (
        (place.OUTLINES["porch"], (118, 116, 112)),
        (place.OUTLINES["steep roof"], (96, 90, 84)),
    ):
        corners = np.array([points[name] for name in names])
        # a little low: a board that lies in the roof's strip must not dip under the flat polygon
        surfaces.append(Surface(corners - np.array([0.0, 0.0, 0.03]), colour))
    wall = [(0, 0, base), (width, 0, base), (width, 0, top), (0, 0, top)]
    surfaces.append(Surface(np.array(wall, dtype=float), (158, 172, 180)))
    for x in (0.0, width):
        gable = [(x, 0, base), (x, depth, base), (x, depth, top), (x, depth / 2, peak), (x, 0, top)]
        surfaces.append(Surface(np.array(gable, dtype=float), (128, 142, 150)))
    lawn = [(-90, -90, 0), (90, -90, 0), (90, 90, 0), (-90, 90, 0)]
    return [*surfaces, Surface(np.array(lawn, dtype=float), LAWN)]


def target_surface(target: place.Hung) -> Surface:
    """A printed target with its artwork."""
    half = np.array(sheet_size(target.code)) / 2
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    picture = sheet_image(target.code, PICTURE_PX_PER_MM)
    return Surface(target.to_site(square), (225, 224, 220), picture)


def _shade(shot: place.Shot, pixels: Array, surfaces: Sequence[Surface]) -> Array:
    """Colours (..., 3) that the camera sees at (distorted) pixels."""
    straight = develop.undistorted(shot, pixels)
    rays = np.dstack([straight, np.ones(straight.shape[:2])]) @ shot.rotation
    nearest = np.full(rays.shape[:2], np.inf)
    colours = np.empty(rays.shape)
    colours[:] = SKY
    for surface in surfaces:
        distance, where = surface.hit(shot.centre, rays)
        in_front = distance < nearest
        if not in_front.any():
            continue
        nearest = np.where(in_front, distance, nearest)
        if surface.picture is None:
            colours[in_front] = surface.colour
            continue
        height, width = surface.picture.shape
        across = np.linalg.norm(surface.corners[1] - surface.corners[0])
        down = np.linalg.norm(surface.corners[-1] - surface.corners[0])
        column = where[..., 0] / across * width - 0.5
        row = (1 - where[..., 1] / down) * height - 0.5
        grey = cv2.remap(
            surface.picture,
            column.astype(np.float32),
            row.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        colours[in_front] = (25 + 200 * (grey[in_front] / 255.0))[:, None]
    return colours


def paint(shot: place.Shot, targets: Sequence[place.Hung], seed: int) -> npt.NDArray[np.uint8]:
    """Paint the upright photo (h, w, 3), RGB."""
    width, height = shot.size
    surfaces = house_surfaces()
    u, v = np.meshgrid(
        np.arange(COARSE / 2 - 0.5, width, COARSE), np.arange(COARSE / 2 - 0.5, height, COARSE)
    )
    coarse = _shade(shot, np.dstack([u, v]), surfaces)
    rng = np.random.default_rng(seed)
    coarse += cv2.GaussianBlur(rng.normal(0, 9, coarse.shape), (0, 0), 1.2)
    picture = cv2.resize(coarse.astype(np.float32), (width, height))
    surfaces += [target_surface(target) for target in targets]
    for surface in surfaces[-len(targets) :]:
        corners = shot.project(surface.corners)
        if not np.isfinite(corners).all():
            continue
        low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 6, 0)
        high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 7, [width, height])
        if (high - low < 8).any():
            continue
        fine = (np.arange(3) - 1) / 3
        columns = (np.arange(low[0], high[0])[:, None] + fine).ravel()
        rows = (np.arange(low[1], high[1])[:, None] + fine).ravel()
        u, v = np.meshgrid(columns, rows)
        shaded = _shade(shot, np.dstack([u, v]), surfaces)
        size = high - low
        shaded = shaded.reshape(size[1], 3, size[0], 3, 3).mean(axis=(1, 3))
        picture[low[1] : high[1], low[0] : high[0]] = shaded
    picture = cv2.GaussianBlur(picture, (0, 0), 0.6)
    noise = rng.standard_normal((height, width), dtype=np.float32) * 4.5
    picture += cv2.GaussianBlur(noise, (0, 0), 0.5)[..., None]
    return cv2.convertScaleAbs(cv2.max(picture, 0.0))


def write_visit(
    folder: Path,
    targets: Sequence[place.Hung],
    *,
    told: Sequence[place.Hung] | None = None,
    readings: str | None = None,
    seed: int = 5,
) -> Path:
    """Write a painted copy of the sample visit with these targets.

    `told` are the targets as visit.toml describes them (the true ones if None); `readings` the
    text of readings.csv (the sample's if None).
    """
    photos = folder / "photos"
    photos.mkdir(parents=True)
    files = paperwork.all_files()
    files["visit.toml"] = paperwork.format_visit(tuple(told or targets))
    if readings is not None:
        files["readings.csv"] = readings
    for name in ("visit.toml", "marks.json", "readings.csv"):
        (folder / name).write_text(files[name])
    for index, shot in enumerate(place.SHOTS):
        picture = paint(shot, targets, seed + index)
        if shot.portrait:
            picture = np.ascontiguousarray(np.rot90(picture))
        exif = develop.exif_of(shot, develop.CLOCK[index], 1000)
        Image.fromarray(picture).save(photos / shot.name, quality=88, exif=exif)
    return folder
