"""What is true of the invented house: figures from the same numbers that build its mesh."""

from __future__ import annotations

import heapq

import numpy as np
import place as p

CELL = 0.5 * p.IN
MINIMUM_FALL = 0.25 / 12


def fill_low_spots(heights: np.ndarray) -> np.ndarray:
    """Water level over a grid of heights: rows run up from the eave; the last row is a wall.

    Water leaves over the eave (first row) and the two open rakes (first and last column).
    Priority flood over the eight neighbours (Barnes, Lehman and Mulla, 2014).
    """
    rows, columns = heights.shape
    level = np.full(heights.shape, np.inf)
    edge = [(0, c) for c in range(columns)]
    edge += [(r, c) for r in range(1, rows) for c in (0, columns - 1)]
    queue = []
    for r, c in edge:
        level[r, c] = heights[r, c]
        queue.append((heights[r, c], r, c))
    heapq.heapify(queue)
    steps = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    while queue:
        at, r, c = heapq.heappop(queue)
        for i, j in steps:
            y, x = r + i, c + j
            if 0 <= y < rows and 0 <= x < columns and level[y, x] == np.inf:
                level[y, x] = max(at, heights[y, x])
                heapq.heappush(queue, (level[y, x], y, x))
    return level


def surface_grid() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Along, up and height of the porch surface at `CELL` spacing."""
    along = np.linspace(0, p.PORCH_WIDTH, round(p.PORCH_WIDTH / CELL) + 1)
    up = np.linspace(0, p.PORCH_DEPTH, round(p.PORCH_DEPTH / CELL) + 1)
    a, u = np.meshgrid(along, up)
    return a, u, p.surface_height(a, u)


def low_spot() -> dict:
    """The water that stays: depth, area, volume, deepest point, waterline outline."""
    a, u, z = surface_grid()
    water = fill_low_spots(z) - z
    deepest = np.unravel_index(np.argmax(water), water.shape)
    level = z[deepest] + water[deepest]
    wet = water > 1e-5
    return {
        "depth": float(water.max()),
        "area": float(wet.sum() * CELL**2),
        "area_deeper_than_1_32_in": float((water > p.IN / 32).sum() * CELL**2),
        "volume": float(water.sum() * CELL**2),
        "deepest_at": {"along": float(a[deepest]), "up": float(u[deepest])},
        "spill_level_above_eave_left": float(level),
        "waterline": waterline(level),
    }


def waterline(level: float, count: int = 48) -> list[list[float]]:
    """Outline (along, up) of the water at `level`, by bisection along rays from the deepest part.

    A ray that runs over the spill is cut where the ground stops rising.
    """
    centre = np.array(p.DISH[:2])
    centre = centre - [0, 0.1 * p.DISH[2]]
    outline = []
    for angle in np.arange(count) * 2 * np.pi / count:
        ray = np.array([np.cos(angle), np.sin(angle)])
        reach = np.linspace(0.05, p.DISH[2], 1200)
        points = centre + reach[:, None] * ray
        depth = level - p.surface_height(points[:, 0], points[:, 1])
        dry = np.flatnonzero(depth <= 0)
        first = dry[0] if len(dry) else int(np.argmin(depth[:700]))
        outline.append([float(v) for v in points[first]])
    return outline


def share_below(minimum: float, *, with_dish: bool = True) -> float:
    """Share of the porch whose local fall is under `minimum` (rise over run)."""
    a, u, z = surface_grid()
    if not with_dish:
        z = p.bare_height(a, u)
    rise_up, rise_along = np.gradient(z, CELL, CELL)
    return float((np.hypot(rise_up, rise_along) < minimum).mean())


def plane_figures(name: str) -> dict:
    """Pitch, areas and normal of the plane through an outline's corners."""
    points = p.named_points()
    corners = np.array([points[corner] for corner in p.OUTLINES[name]])
    middle = corners.mean(axis=0)
    normal = np.linalg.svd(corners - middle)[2][2]
    normal *= np.sign(normal[2]) if abs(normal[2]) > 1e-6 else -np.sign(normal[1])
    following = np.roll(corners, -1, axis=0)
    vector = 0.5 * np.cross(corners - middle, following - middle).sum(axis=0)
    figures = {
        "outline": list(p.OUTLINES[name]),
        "normal": normal.tolist(),
        "true_area": float(np.linalg.norm(vector)),
        "plan_area": float(abs(vector[2])),
    }
    if name != "front wall":
        fall = -normal[:2] / normal[2]
        figures["pitch_rise_in_12"] = float(12 * np.hypot(*fall))
        figures["slope_angle"] = float(np.arctan(np.hypot(*fall)))
        figures["runs_down_towards"] = (-fall / np.hypot(*fall)).tolist()
    if name == "porch":
        a, u, z = surface_grid()
        columns = np.column_stack([a.ravel(), u.ravel(), np.ones(a.size)])
        best = np.linalg.lstsq(columns, z.ravel(), rcond=None)[0]
        figures["pitch_rise_in_12_of_best_fit"] = float(12 * np.hypot(best[0], best[1]))
    return figures


def camera_figures(shot: p.Shot) -> dict:
    """True pose and interior orientation of a photo, upright pixel frame."""
    k1, k2 = p.LENSES[shot.lens]
    return {
        "centre": shot.centre.tolist(),
        "R_camera_site": shot.rotation.tolist(),
        "size_px": list(shot.size),
        "focal_px": shot.focal,
        "nominal_focal_px": shot.nominal_focal,
        "principal_point_px": list(shot.principal_point),
        "k1": k1,
        "k2": k2,
        "lens": shot.lens,
    }


def truth() -> dict:
    """The whole truth file; metres and radians unless a key says otherwise."""
    points = p.named_points()
    return {
        "about": "True figures of the invented house; metres, radians, site frame (x right along "
        "the front wall, y into the house, z up).",
        "points": {name: point.tolist() for name, point in points.items()},
        "edges": {
            name: {"start": a, "end": b, "length": float(np.linalg.norm(points[a] - points[b]))}
            for name, (a, b) in p.EDGES.items()
        },
        "planes": {name: plane_figures(name) for name in p.OUTLINES},
        "porch_surface": {
            "main_fall_rise_in_12": 12 * p.MAIN_FALL,
            "strip_fall_rise_in_12": 12 * p.STRIP_FALL,
            "strip_up": list(p.STRIP),
            "share_under_1_4_in_12": share_below(MINIMUM_FALL),
            "share_under_1_4_in_12_without_dish": share_below(MINIMUM_FALL, with_dish=False),
            "dish": dict(zip(("along", "up", "diameter", "depth"), p.DISH, strict=True)),
        },
        "low_spots": [low_spot()],
        "targets": {
            t.name: {
                "code": t.code,
                "centre": t.centre.tolist(),
                "right": t.right.tolist(),
                "up": t.up.tolist(),
                "print_scale": list(t.scale),
            }
            for t in p.targets()
        },
        "photos": {shot.name: camera_figures(shot) for shot in p.SHOTS},
    }
