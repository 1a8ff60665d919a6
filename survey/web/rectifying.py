"""A plane seen square on: the photo that shows it best, and how surely it measures.

The rectified image is made from one photo. A place on it is where the ray of a pixel meets the
adjusted plane, so a length between two places stands on camera, lens, plane and pressing. How the
places move together is told at a grid of nodes as a few independent modes (columns of a factor of
their joint covariance); the page interpolates these and so has the interval of any line at once.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from survey.adjustment.model import (
    CAMERA,
    LENS,
    PLANE,
    POINT,
    Array,
    Key,
    PlaneParameters,
    Pose,
    State,
)
from survey.adjustment.solution import Solution
from survey.figures import Figure, NotObserved
from survey.geometry.cameras import project, rays
from survey.geometry.planes import meet_plane
from survey.photo.model import CameraPrior
from survey.planes.drawing import drawing_of, placed
from survey.planes.measured_planes import plane_axes
from survey.visit.model import PlaneSpec, Visit
from survey.web.rectified import Json, Sight

MARGIN = 0.15  # m shown around the plane
NODES = 5  # a side
SAMPLES = 25  # a side, to see how much of the plane a photo shows
MOST_PX = 1600  # of the longer side of a rectified image
WHOLE = 4  # power of the share shown, against the scale: the whole plane in one photo goes first
LEAST_SHOWN = 0.15  # share of a plane that a photo must show
STEEPEST = 0.06  # sine between line of sight and plane below which nothing can be read off it
FAINTEST = 1e-4  # of the strongest mode: weaker ones tell nothing


def rectify(
    visit: Visit,
    solution: Solution,
    cameras: Mapping[str, CameraPrior],
    name: str,
    photo: str | None,
) -> Json:
    """Describe the rectified image of one plane.

    Parameters
    ----------
    visit : Visit
    solution : Solution
    cameras : mapping
        Prior of each photo that can be used.
    name : str
        The plane.
    photo : str or None
        The photo to make it from; None, or one that does not show it, takes the best.

    Returns
    -------
    dict
        ``why`` and ``cure`` where there is none; else as docs/page.md lists it, with ``map`` for
        whoever draws it.
    """
    spec = next((plane for plane in visit.planes if plane.name == name), None)
    outline = None if spec is None else _outline(solution, spec)
    if spec is None or outline is None:
        return _none(f"'{name}' has no place yet", "mark its corners in two photos")
    sights = _sights(spec, outline, solution, cameras)
    if not sights:
        return _none(f"no photo looks onto '{name}'", "take one that shows it as a whole")
    best = next((sight for _, sight in sights if sight.photo == photo), sights[0][1])
    low, high = _box(best, outline)
    nodes = _grid(low, high, NODES)
    told = _told(spec, solution, best, nodes)
    if isinstance(told, NotObserved):
        return _none(told.why, told.cure)
    step = max(float(max(high - low)) / MOST_PX, _finest(best, nodes))
    size = [int(np.ceil(extent / step)) for extent in high - low]
    corners = np.column_stack([outline[:, 0] - low[0], high[1] - outline[:, 1]]) / step - 0.5
    return {
        "photo": best.photo,
        "photos": [sight.photo for _, sight in sights],
        "size_px": size,
        "m_per_px": step,
        "corner_m": [float(low[0]), float(high[1])],
        "outline_px": [[round(float(v), 2) for v in corner] for corner in corners],
        "outline": list(spec.outline),
        **told,
        "map": {
            "rotation": best.rotation.tolist(), "origin": best.origin.tolist(),
            "lens": best.lens.tolist(), "fixed": best.fixed.tolist(),
            "finest": _finest(best, nodes),
        },
    }  # fmt: skip


def _none(why: str, cure: str) -> Json:
    return {"photo": None, "photos": [], "why": why, "cure": cure}


def _outline(solution: Solution, spec: PlaneSpec) -> Array | None:
    """Corners (n, 2) in the plane frame; None while one has no place."""
    keys: list[Key] = [(PLANE, spec.name), *((POINT, corner) for corner in spec.outline)]
    if len(spec.outline) < 3 or not placed(solution, keys):
        return None
    along, up, first = _axes(solution.state, spec)
    corners = np.array([solution.state[(POINT, corner)] for corner in spec.outline]) - first
    return np.column_stack([corners @ along, corners @ up])


def _axes(state: State, spec: PlaneSpec) -> tuple[Array, Array, Array]:
    """Axes u and v of the plane frame and its origin, in the adjustment's frame."""
    first, second = (state[(POINT, corner)] for corner in spec.outline[:2])
    plane = state[(PLANE, spec.name)]
    assert isinstance(plane, PlaneParameters)
    assert isinstance(first, np.ndarray) and isinstance(second, np.ndarray)
    origin = first - (plane.normal @ first + plane.offset) * plane.normal
    return *plane_axes(first, second, plane.normal), origin


def _sights(
    spec: PlaneSpec, outline: Array, solution: Solution, cameras: Mapping[str, CameraPrior]
) -> list[tuple[float, Sight]]:
    """Photos that show the plane, the one that shows most of it and largest first."""
    along, up, first = _axes(solution.state, spec)
    low, high = outline.min(axis=0), outline.max(axis=0)
    places = _grid(low, high, SAMPLES)
    found = []
    for photo, prior in cameras.items():
        pose = solution.state.get((CAMERA, photo))
        lens = solution.state.get((LENS, photo))
        if not isinstance(pose, Pose) or not isinstance(lens, np.ndarray):
            continue
        turned = pose.rotation.T
        sight = Sight(
            photo, turned @ np.column_stack([along, up]), turned @ (first - pose.translation),
            lens, np.array([prior.p1, prior.p2, prior.k3]), prior.size_px,
        )  # fmt: skip
        _, shown = sight.to_px(places)
        if shown.mean() < LEAST_SHOWN or sight.slant() < STEEPEST:
            continue
        found.append(
            (float(shown.mean() ** WHOLE * _least_px_per_metre(sight, places[shown])), sight)
        )
    return sorted(found, key=lambda one: (-one[0], one[1].photo))


def _box(sight: Sight, outline: Array) -> tuple[Array, Array]:
    """Return least and greatest u, v of the part that the photo shows, with a margin."""
    low, high = outline.min(axis=0) - MARGIN, outline.max(axis=0) + MARGIN
    places = _grid(low, high, 2 * SAMPLES)
    _, shown = sight.to_px(places)
    return places[shown].min(axis=0), places[shown].max(axis=0)


def _grid(low: Array, high: Array, count: int) -> Array:
    """Places on a grid, v outermost, (count^2, 2)."""
    u, v = (np.linspace(low[axis], high[axis], count) for axis in (0, 1))
    return np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)


def _finest(sight: Sight, nodes: Array) -> float:
    """Metres of the plane that one photo pixel covers where it covers least."""
    return float(1.0 / _px_per_metre(sight, nodes)[:, 0].max())


def _least_px_per_metre(sight: Sight, places: Array) -> float:
    """Photo pixels a metre of the plane in the direction seen most aslant, on the whole."""
    return float(np.median(_px_per_metre(sight, places)[:, 1]))


def _px_per_metre(sight: Sight, places: Array) -> Array:
    """Greatest and least scale at each place, (n, 2)."""
    here, _ = sight.to_px(places)
    step = 0.01
    by_uv = [
        (sight.to_px(places + np.array(by))[0] - here) / step for by in ((step, 0.0), (0.0, step))
    ]
    scales: Array = np.linalg.svd(np.stack(by_uv, axis=-1), compute_uv=False)
    return np.maximum(scales, 1e-3)


def _told(spec: PlaneSpec, solution: Solution, sight: Sight, nodes: Array) -> Json | NotObserved:
    """How places read off the image are known: modes and pressing at the nodes."""
    keys: tuple[Key, ...] = (
        (CAMERA, sight.photo), (LENS, sight.photo), (PLANE, spec.name),
        *((POINT, corner) for corner in spec.outline[:2]),
    )  # fmt: skip
    px = project(sight.to_camera(nodes), sight.lens, sight.fixed)

    def places(state: State, pressed: Array = px) -> Array:
        pose, lens, plane = (state[key] for key in keys[:3])
        assert isinstance(pose, Pose) and isinstance(plane, PlaneParameters)
        assert isinstance(lens, np.ndarray)
        directions = rays(pressed, lens, sight.fixed) @ pose.rotation.T
        met = meet_plane(pose.translation, directions, plane.normal, plane.offset)
        along, up, first = _axes(state, spec)
        return np.column_stack([(met - first) @ along, (met - first) @ up])

    if not np.isfinite(places(solution.state)).all():
        return NotObserved(f"{sight.photo} looks along '{spec.name}'", "open another photo of it")

    def diagonal(state: State) -> Array:
        ends = places(state)[[0, -1]]
        return np.array([np.linalg.norm(ends[1] - ends[0])])

    gap = NotObserved("no length fixes the scale", "tape one length, or place a target")
    drawing = drawing_of(solution)
    whole = drawing.measure(diagonal, keys, "m", gap)
    alone = drawing.draw_from(solution, diagonal, keys, "m", gap)
    if not isinstance(whole, Figure) or not isinstance(alone, Figure):
        return whole if isinstance(whole, NotObserved) else gap
    wider = whole.half_width / max(
        alone.half_width, 1e-12
    )  # where several answers fit: all of them
    _, covariance = solution.propagate(lambda state: places(state).ravel(), keys)
    values, vectors = np.linalg.eigh(covariance)
    kept = values > FAINTEST * max(values[-1], 1e-18)
    modes = vectors[:, kept] * np.sqrt(values[kept]) * wider
    by_px = [
        (places(solution.state, px + step) - places(solution.state, px - step)) / 2.0
        for step in (np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    ]
    pressing = sum(np.einsum("ni,nj->nij", slope, slope) for slope in by_px)
    pressing = np.asarray(pressing)
    return {
        "nodes": NODES,
        "modes": [[float(f"{v:.4g}") for v in row] for row in modes],
        "pressing": [
            [float(f"{one[i, j]:.4g}") for i, j in ((0, 0), (0, 1), (1, 1))] for one in pressing
        ],
        "coverage_factor": alone.coverage_factor,
    }
