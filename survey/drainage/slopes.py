"""Local fall over a plane: how much of it is under a minimum, and how much falls to a wall."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from skimage.measure import find_contours

from survey.drainage.domain import Domain
from survey.drainage.edges import Role
from survey.drainage.model import SlopeField
from survey.figures import NORMAL_95, Figure, Measured, NotObserved

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SLOPE_BASE = 0.6096  # m, 2 ft: length a local fall is taken over, as with a 2 ft level
BESIDE_WALL = 1.2192  # m, 4 ft: strip along a wall in which back-fall is looked for; own judgement
BACKFALL = 1 / 192  # m/m, 1/16 in per ft: fall towards a wall worth a word; own judgement


def local_gradients(domain: Domain, heights: Array, *, base: float = SLOPE_BASE) -> Array:
    """Horizontal gradient of surfaces at every cell, over a base length.

    Parameters
    ----------
    domain : Domain
    heights : (s, m) array
        Surfaces at `domain.points`, metres.
    base : float
        Length over which the difference is taken, metres; shortened at edges.

    Returns
    -------
    (s, rows, columns, 2) array
        dz/dx and dz/dy, site frame, m/m; nan where the cell is not roof.
    """
    grid = np.where(domain.inside, domain.grid(np.atleast_2d(heights)), np.nan)
    along_v = _difference(grid, 1, domain.step[1], base)
    along_u = _difference(grid, 2, domain.step[0], base)
    in_plane = np.stack([along_u, along_v], axis=-1)
    gradient: Array = in_plane @ np.linalg.inv(domain.frame.to_plan)
    return gradient


def _difference(grid: Array, axis: int, step: float, base: float) -> Array:
    """Difference quotient along one axis over about `base`, one-sided next to the outline."""
    half = max(1, round(base / 2 / step))
    best = np.full_like(grid, np.nan)
    for back, ahead in _spans(half):
        before = _moved(grid, axis, -back)
        after = _moved(grid, axis, ahead)
        slope = (after - before) / ((back + ahead) * step)
        best = np.where(np.isnan(best), slope, best)
    return best


def _spans(half: int) -> list[tuple[int, int]]:
    """Cells back and ahead to take a difference over, the wanted span first."""
    spans = [
        (back, ahead) for back in range(half + 1) for ahead in range(half + 1) if back + ahead > 0
    ]
    return sorted(spans, key=lambda span: (-(span[0] + span[1]), abs(span[0] - span[1])))


def _moved(grid: Array, axis: int, by: int) -> Array:
    """Grid whose cell holds the value `by` cells further along an axis; nan beyond its end."""
    out = np.full_like(grid, np.nan)
    length = grid.shape[axis]
    if abs(by) >= length:
        return out
    to = [slice(None)] * grid.ndim
    come = [slice(None)] * grid.ndim
    to[axis] = slice(max(-by, 0), length - max(by, 0))
    come[axis] = slice(max(by, 0), length - max(-by, 0))
    out[tuple(to)] = grid[tuple(come)]
    return out


def derive_slope_field(
    domain: Domain, heights: Array, minimum: float | None, observed_by: tuple[str, ...]
) -> SlopeField:
    """Judge the local fall of sampled surfaces (s, m) against a minimum."""
    gradient = local_gradients(domain, heights)
    fall = np.linalg.norm(gradient, axis=-1)
    judged = domain.inside & np.isfinite(fall).all(axis=0)
    backfall = _share(_falls_to_wall(domain, gradient)[:, judged], observed_by)
    if minimum is None:
        gap = NotObserved("no minimum slope is known for the covering intended", "name a covering")
        return SlopeField(None, gap, (), backfall)
    under = fall < minimum
    often = np.where(judged, under.mean(axis=0), 0.0)
    return SlopeField(
        minimum, _share(under[:, judged], observed_by), outlines_of(domain, often, 0.5), backfall
    )


def _share(hits: BoolArray, observed_by: tuple[str, ...]) -> Measured:
    """Share of cells hit, as a figure over the surfaces."""
    if hits.shape[1] == 0:
        return NotObserved("the plane is narrower than a level", "judge it by hand")
    shares = hits.mean(axis=1)
    low, high = np.quantile(shares, [0.025, 0.975])
    value = float(np.median(shares))
    sd = float(shares.std())
    wide = max(high - value, value - low)
    factor = float(wide / sd) if sd > 0 else NORMAL_95
    return Figure(value, sd, "1", observed_by, max(factor, 1.0))


def _falls_to_wall(domain: Domain, gradient: Array) -> BoolArray:
    """Cells near a dam whose surface falls towards it, while no open edge lies that way."""
    hits = np.zeros(gradient.shape[:-1], dtype=bool)
    centres = domain.centres
    turn = domain.frame.to_plan
    for border in domain.borders:
        if border.role is not Role.DAM:
            continue
        run = border.end - border.start
        length = float(np.linalg.norm(run))
        if length < 1e-9:
            continue
        outward = np.array([run[1], -run[0]]) / length  # the outline runs anticlockwise
        away = centres - border.start
        distance = -(away @ outward)
        along = away @ run / length
        near = (distance >= 0) & (distance <= BESIDE_WALL) & (along >= 0) & (along <= length)
        direction = turn @ outward
        direction = direction / np.linalg.norm(direction)
        with np.errstate(invalid="ignore"):
            hits |= near & domain.inside & (gradient @ direction < -BACKFALL)
    return hits


def outlines_of(domain: Domain, field: Array, level: float) -> tuple[Array, ...]:
    """Plane-frame outlines (n, 2) of the parts of a cell field at or above a level."""
    padded = np.pad(field, 1)
    if not (padded >= level).any():
        return ()
    outlines = []
    for contour in find_contours(padded, level - 1e-9):  # type: ignore[no-untyped-call]
        if len(contour) < 4 or not np.allclose(contour[0], contour[-1]):
            continue
        ring = domain.origin + (contour[:-1, ::-1] - 1) * domain.step
        if _signed_area(ring) > 0:
            outlines.append(ring)
    return tuple(sorted(outlines, key=lambda ring: -shapely.Polygon(ring).area))


def _signed_area(ring: Array) -> float:
    """Area of a ring, positive anticlockwise."""
    ahead = np.roll(ring, -1, axis=0)
    return float((ring[:, 0] * ahead[:, 1] - ring[:, 1] * ahead[:, 0]).sum() / 2)
