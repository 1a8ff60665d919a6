"""Which way is up in a piece of the site, from everything that speaks of gravity."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from survey.adjustment.model import (
    Array,
    Elevation,
    GravityLineInPhoto,
    LevelEdge,
    PlumbEdge,
    RodHeight,
    SameElevation,
    SlopeOfPlane,
    TargetMount,
)
from survey.adjustment.starting_index import Index, Site, line_normal

UPRIGHT_SD = 0.5  # radians; how far a phone is tipped forwards or back, a last resort
ROLL_SD = 0.1  # radians; how far it is turned sideways
UNKNOWN_SD = 3.0  # radians; no idea which way is up
TILT = 0.05  # radians; of a plane that is only roughly placed
STEPS = 20

AddRow = Callable[[Array, float, float], None]


def find_up(index: Index, site: Site) -> Array | None:
    """Find the unit vector against gravity in a piece's frame; None if nothing tells.

    Rows ``a . up = b`` from plumb and level lines, mounts, edges and rods are solved together with
    weights that fall with the misfit, so that a wrong line is outvoted; how the cameras were held
    decides only what nothing else does.
    """
    rows, goals, sds = _rows(index, site)
    held = _likely_up(index, site)
    if not rows and held is None:
        return None
    axes, loose = _held_rows(site, held)
    up = _direction([*rows, *axes], [*goals, *([0.0] * len(axes))], [*sds, *loose], held)
    return up if up is not None else held


def upright_covariance(index: Index, site: Site) -> Array:
    """Covariance of a piece's `up` as a unit vector, (3, 3), by all that speaks of gravity."""
    if site.up is None:
        return UNKNOWN_SD**2 * np.eye(3)
    rows, _, sds = _rows(index, site)
    axes, loose = _held_rows(site, site.up)
    a = np.array([*rows, *axes]) / np.array([*sds, *loose])[:, None]
    sides = np.linalg.svd(site.up[None, :])[2][1:]
    seen = a @ sides.T
    spread: Array = sides.T @ np.linalg.inv(seen.T @ seen + np.eye(2) / UNKNOWN_SD**2) @ sides
    return spread


def _held_rows(site: Site, held: Array | None) -> tuple[list[Array], list[float]]:
    """Rows of how phones are held: hardly turned sideways, tipped forwards by who knows."""
    if held is None:
        return [], []
    rows: list[Array] = []
    for camera in site.cameras.values():
        rows += [camera.rotation[:, 0], camera.rotation[:, 2]]
    if rows:
        return rows, [ROLL_SD, UPRIGHT_SD] * len(site.cameras)
    sides = np.linalg.svd(held[None, :])[2][1:]
    return [sides[0], sides[1]], [UPRIGHT_SD, UPRIGHT_SD]


def _direction(
    rows: Sequence[Array], goals: Sequence[float], sds: Sequence[float], held: Array | None
) -> Array | None:
    guess = held
    a = np.array(rows)
    b, sd = np.array(goals), np.array(sds)
    weights = 1.0 / sd**2
    for _ in range(STEPS):
        # Unit length: homogeneous part by the smallest eigenvector, then Newton with the goals.
        matrix = (a * weights[:, None]).T @ a
        if guess is None:
            guess = np.linalg.eigh(matrix)[1][:, 0]
        pull = (a * weights[:, None]).T @ b
        bordered = np.zeros((4, 4))
        bordered[:3, :3] = matrix
        bordered[:3, 3] = bordered[3, :3] = guess
        solved = np.linalg.lstsq(bordered, np.append(pull, 1.0), rcond=None)[0][:3]
        length = float(np.linalg.norm(solved))
        if not math.isfinite(length) or length < 1e-9:
            return guess
        guess = solved / length
        off = np.abs(a @ guess - b) / sd
        scale = max(1.0, float(np.median(off)))
        weights = 1.0 / (sd**2 * (1.0 + (off / (2 * scale))))
    return guess


def _rows(index: Index, site: Site) -> tuple[list[Array], list[float], list[float]]:
    rows: list[Array] = []
    goals: list[float] = []
    sds: list[float] = []

    def add(row: Array, goal: float, sd: float) -> None:
        rows.append(np.asarray(row, float))
        goals.append(goal)
        sds.append(max(sd, 1e-4))

    _add_lines(index, site, add)
    for mount in index.of(TargetMount):
        pose = site.targets.get(mount.target)
        if pose is None:
            continue
        axis = pose.rotation[:, 2 if mount.axis == "normal" else 0]
        if mount.is_level:
            add(axis, 0.0, 5 * mount.sd)
        else:
            for side in np.linalg.svd(axis[None, :])[2][1:]:
                add(side, 0.0, 5 * mount.sd)
    points = site.points
    for edge in index.of(LevelEdge):
        if edge.start in points and edge.end in points:
            step = points[edge.end] - points[edge.start]
            length = max(float(np.linalg.norm(step)), 0.1)
            add(step / length, 0.0, 0.02 + edge.sd / length)
    for plumb in index.of(PlumbEdge):
        if plumb.start in points and plumb.end in points:
            step = points[plumb.end] - points[plumb.start]
            length = max(float(np.linalg.norm(step)), 0.1)
            for side in np.linalg.svd((step / length)[None, :])[2][1:]:
                add(side, 0.0, 0.02 + plumb.sd)
    _add_heights(index, site, add)
    _add_slopes(index, site, add)
    return rows, goals, sds


def _add_lines(index: Index, site: Site, add: AddRow) -> None:
    for line in index.of(GravityLineInPhoto):
        camera = site.cameras.get(line.photo)
        if camera is None:
            continue
        normal = camera.rotation @ line_normal(index, line.photo, line.px)
        (u1, v1), (u2, v2) = line.px
        sd = 3 * (line.departure_sd + line.sd_px / max(math.hypot(u2 - u1, v2 - v1), 1.0))
        if line.direction == "plumb":
            add(normal, 0.0, sd)
        elif line.on is not None:
            surface = site.surface(line.on)
            if surface is not None:
                along = np.cross(normal, surface[0])
                length = float(np.linalg.norm(along))
                if length > 1e-3:
                    add(along / length, 0.0, sd)


def _add_heights(index: Index, site: Site, add: AddRow) -> None:
    """Height differences between placed points of one set-up, of benchmarks, of one tide line."""
    groups: dict[str, list[tuple[Array, float]]] = {}
    for rod in index.of(RodHeight):
        if rod.point in site.points:
            groups.setdefault(rod.setup, []).append((site.points[rod.point], -rod.value))
    for mark in index.of(Elevation):
        if mark.point in site.points:
            groups.setdefault("", []).append((site.points[mark.point], mark.value))
    for same in index.of(SameElevation):
        if same.point in site.points:
            groups.setdefault(f"tide {same.level}", []).append((site.points[same.point], 0.0))
    for heights in groups.values():
        middle = np.mean([place for place, _ in heights], axis=0)
        level = float(np.median([z for _, z in heights]))
        for place, z in heights:
            step = place - middle
            length = float(np.linalg.norm(step))
            if length > 0.2:
                add(step / length, (z - level) / length, 0.03)


def _add_slopes(index: Index, site: Site, add: AddRow) -> None:
    """Slopes read along a direction, and angles of planes to gravity from their steepest fall."""
    for slope in index.of(SlopeOfPlane):
        facing = site.surface(("plane", slope.plane))
        if slope.start is None and facing is not None:
            # A plane out by TILT changes the cosine by sin(slope) TILT and TILT^2 / 2.
            sine = math.sin(abs(slope.value))
            add(facing[0], math.cos(slope.value), math.hypot(sine * TILT, TILT**2 / 2) + slope.sd)
        if slope.start in site.points and slope.end in site.points and slope.start:
            step = site.points[str(slope.end)] - site.points[slope.start]
            surface = site.surface(("plane", slope.plane))
            if surface is not None:
                step = step - (step @ surface[0]) * surface[0]
            length = float(np.linalg.norm(step))
            if length > 0.1:
                add(step / length, math.sin(slope.value), 0.01 + slope.sd)


def _likely_up(index: Index, site: Site) -> Array | None:
    """Roughly up: as phones are held; without photos, as roofs face."""
    ups = [-camera.rotation[:, 1] for camera in site.cameras.values()]
    if not ups:
        walls = index.network.wall_planes
        ups = [plane.normal for name, plane in site.planes.items() if name not in walls]
    if not ups:
        return site.up
    mean: Array = np.sum(ups, axis=0)
    length = float(np.linalg.norm(mean))
    return mean / length if length > 0.1 else np.asarray(ups[0])


def level(site: Site, up: Array) -> Site:
    """Turn a piece so that `up` is its z axis; its x axis stays as near to where it was."""
    x = np.array([1.0, 0.0, 0.0]) - up[0] * up
    if np.linalg.norm(x) < 0.1:
        x = np.array([0.0, 1.0, 0.0]) - up[1] * up
    x = x / np.linalg.norm(x)
    rotation = np.stack([x, np.cross(up, x), up])
    turned = site.moved(rotation, np.zeros(3))
    turned.up = np.array([0.0, 0.0, 1.0])
    return turned
