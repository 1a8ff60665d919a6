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


class SlopeTally:
    """Counts over drawn surfaces: where and how much of a plane is too flat or falls to a wall."""

    def __init__(self, domain: Domain, minimum: float | None) -> None:
        self.domain = domain
        self.minimum = minimum
        self.surfaces = 0
        self.judged = domain.inside.copy()
        self.under = np.zeros(domain.shape)
        self.backward = np.zeros(domain.shape)
        self.shares_under: list[float] = []
        self.shares_backward: list[float] = []

    def add(self, heights: Array) -> None:
        """Count surfaces (s, m) at the points of the domain."""
        gradient = local_gradients(self.domain, heights)
        fall = np.linalg.norm(gradient, axis=-1)
        judged = self.domain.inside & np.isfinite(fall).all(axis=0)
        self.judged &= judged
        self.surfaces += len(heights)
        backward = _falls_to_wall(self.domain, gradient)
        self.backward += backward.sum(axis=0)
        if not judged.any():
            return
        self.shares_backward += list(backward[:, judged].mean(axis=1))
        if self.minimum is not None:
            with np.errstate(invalid="ignore"):
                under = fall < self.minimum
            self.under += under.sum(axis=0)
            self.shares_under += list(under[:, judged].mean(axis=1))

    def slope_field(self) -> SlopeField:
        """Return what was counted, with outlines of what is under or backward in half of it."""
        backward = np.where(self.judged, self.backward / max(self.surfaces, 1), 0.0)
        back_strips = outlines_of(self.domain, backward, 0.5)
        share = _share(self.shares_backward)
        if self.minimum is None:
            gap = NotObserved(
                "no minimum slope is known for the covering intended", "name the covering intended"
            )
            return SlopeField(None, gap, (), share, back_strips)
        under = np.where(self.judged, self.under / max(self.surfaces, 1), 0.0)
        strips = outlines_of(self.domain, under, 0.5)
        return SlopeField(self.minimum, _share(self.shares_under), strips, share, back_strips)


def _share(shares: list[float]) -> Measured:
    """Share of a plane over the surfaces, as a figure whose half-width holds 95 % of them."""
    if not shares:
        return NotObserved("the plane is narrower than a 2 ft level", "judge it by hand")
    low, high = np.quantile(shares, [0.025, 0.975])
    value, sd = float(np.median(shares)), float(np.std(shares))
    wide = max(float(high) - value, value - float(low))
    return Figure(value, sd, "1", (), wide / sd if sd > 0 else NORMAL_95)


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
