"""The cells of a plane: which are roof, which are curbs, and where water leaves.

Cells are squares in the plane frame (u along the first edge, v square to it). One ring of cells
just outside the outline stands for its edges: an open edge lets water off at the height of the
roof at its nearest point, a dam at that height plus its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy import ndimage

from survey.adjustment.network_marks import penetrations_of
from survey.drainage.edges import Border, Role, borders_of
from survey.drainage.fittings import PlaneFrame as PlaneFrame
from survey.drainage.fittings import (
    is_edge_of,
    outlet_place,
    outlets_of,
    penetration_footprint,
)
from survey.drainage.fittings import plane_frame as plane_frame
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import OutletKind, OutletSpec, Visit

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

MOST_CELLS = 20_000  # 6 in cells on 5,000 sq ft
OVERFLOWS = frozenset({OutletKind.OVERFLOW_DRAIN, OutletKind.OVERFLOW_SCUPPER})
SCUPPERS = frozenset({OutletKind.SCUPPER, OutletKind.OVERFLOW_SCUPPER})


@dataclass(frozen=True, slots=True)
class Outlet:
    """A way out for water: an open edge, a dam that can be overtopped, or an outlet.

    `at` (2,) plane frame, where it is for an outlet, the middle for an edge. `lift`, metres, is how
    far above the roof surface water must stand to pass.
    """

    name: str
    kind: str  # "open edge", "dam", "unknown edge", "roof drain", "scupper", ...
    at: Array
    lift: float
    is_edge: bool
    is_overflow: bool = False


@dataclass(frozen=True, slots=True)
class Domain:
    """The cells of one plane, with one ring around them.

    Attributes
    ----------
    origin : (2,) array
        Plane-frame place of the centre of cell (0, 0).
    step : (2,) array
        Cell size along u (columns) and v (rows), metres.
    inside : (rows, columns) array of bool
        Roof cells that water can stand on.
    points : (m, 2) array
        Plane-frame places at which the surface is needed: cell centres of roof cells, nearest
        outline points of ring cells.
    index : (rows, columns) array of int
        Row of `points` belonging to a cell, -1 where there is none.
    way_out : (rows, columns) array of int
        Index into `outlets` of the way out at a cell, -1 where there is none.
    outlets : tuple of Outlet
    cell_area : float
        Horizontal area of a cell, m2.
    """

    plane: str
    frame: PlaneFrame
    outline: Array
    borders: tuple[Border, ...]
    origin: Array
    step: Array
    inside: BoolArray
    points: Array
    index: IntArray
    way_out: IntArray
    outlets: tuple[Outlet, ...]
    cell_area: float
    blocks: tuple[tuple[str, Array], ...]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns, ring included."""
        return self.inside.shape[0], self.inside.shape[1]

    @property
    def centres(self) -> Array:
        """Plane-frame cell centres, (rows, columns, 2)."""
        rows, columns = self.shape
        u = self.origin[0] + self.step[0] * np.arange(columns)
        v = self.origin[1] + self.step[1] * np.arange(rows)
        return np.stack(np.meshgrid(u, v), axis=-1)

    def grid(self, heights: Array) -> Array:
        """Spread heights (..., m) at `points` over the cells, infinite where there is no roof."""
        out = np.full((*heights.shape[:-1], *self.shape), np.inf)
        known = self.index >= 0
        out[..., known] = heights[..., self.index[known]]
        return out

    def lifts(self, *, unknown_open: bool, without: frozenset[str] = frozenset()) -> Array:
        """Height of the way out above the surface in each cell; infinite where there is none.

        Parameters
        ----------
        unknown_open : bool
            Judge edges nobody described as open (True) or as walls (False).
        without : frozenset of str
            Ways out taken as blocked.
        """
        heights = np.full(len(self.outlets) + 1, np.inf)
        for i, outlet in enumerate(self.outlets):
            if outlet.name in without:
                continue
            heights[i] = 0.0 if outlet.kind == "unknown edge" and unknown_open else outlet.lift
        return heights[self.way_out]


def build_domain(plane: MeasuredPlane, planes: PlaneSet, visit: Visit, *, cell: float) -> Domain:
    """Lay cells of about `cell` metres over a plane and mark what water meets in each."""
    frame = plane_frame(plane)
    outline = plane.outline_plane
    low, high = outline.min(axis=0), outline.max(axis=0)
    counts = np.maximum(np.round((high - low) / cell), 4).astype(int)
    while counts.prod() > MOST_CELLS:
        counts = np.maximum((counts * 0.9).astype(int), 4)
    step = (high - low) / counts
    origin = low - step / 2
    columns, rows = counts + 2
    centres = np.stack(
        np.meshgrid(
            origin[0] + step[0] * np.arange(columns), origin[1] + step[1] * np.arange(rows)
        ),
        axis=-1,
    )
    polygon = shapely.Polygon(outline).buffer(0)
    inside = shapely.contains_xy(polygon, centres[..., 0], centres[..., 1])
    blocks = tuple(_blocks(plane, planes, visit, frame))
    for _, footprint in blocks:
        inside &= ~shapely.contains_xy(shapely.Polygon(footprint), centres[..., 0], centres[..., 1])
    borders = borders_of(plane, planes)
    outlets, way_out, supports = _ways_out(plane, planes, visit, frame, borders, inside, centres)
    wanted = inside | (way_out >= 0)
    index = np.full(inside.shape, -1)
    index[wanted] = np.arange(int(wanted.sum()))
    return Domain(
        plane=plane.spec.name,
        frame=frame,
        outline=outline,
        borders=borders,
        origin=origin,
        step=step,
        inside=inside,
        points=supports[wanted],
        index=index,
        way_out=way_out,
        outlets=outlets,
        cell_area=float(step.prod()) * frame.plan_share,
        blocks=blocks,
    )


def _ways_out(
    plane: MeasuredPlane,
    planes: PlaneSet,
    visit: Visit,
    frame: PlaneFrame,
    borders: tuple[Border, ...],
    inside: BoolArray,
    centres: Array,
) -> tuple[tuple[Outlet, ...], IntArray, Array]:
    """Give ring cells to their nearest side and outlets to their cells."""
    polygon = shapely.Polygon(plane.outline_plane).buffer(0)
    ring = ndimage.binary_dilation(inside, np.ones((3, 3), dtype=bool)) & ~shapely.contains_xy(
        polygon, centres[..., 0], centres[..., 1]
    )
    supports = centres.copy()
    way_out = np.full(inside.shape, -1)
    places = centres[ring]
    nearest = np.stack([_nearest_on(border, places) for border in borders])
    distance = np.linalg.norm(nearest - places, axis=-1)
    side = np.argmin(distance, axis=0)
    way_out[ring] = side
    supports[ring] = nearest[side, np.arange(len(places))]
    gutters = {o.edge for o in visit.outlets if o.kind is OutletKind.GUTTER and o.edge}
    outlets = [_border_outlet(border, gutters, plane) for border in borders]
    for spec in outlets_of(plane, visit):
        at = outlet_place(spec, plane, planes, frame, borders)
        if at is None:
            continue
        invert = spec.invert if spec.invert is not None else 0.0
        is_overflow = spec.kind in OVERFLOWS
        outlets.append(Outlet(spec.name, spec.kind.value, at, invert, False, is_overflow))
        cells = _outlet_cells(spec, at, inside, ring, centres)
        way_out[cells] = len(outlets) - 1
    return tuple(outlets), way_out, supports


def _nearest_on(border: Border, places: Array) -> Array:
    """Nearest points of a side to places (n, 2)."""
    run = border.end - border.start
    share = np.clip((places - border.start) @ run / max(float(run @ run), 1e-12), 0.0, 1.0)
    return border.start + share[:, None] * run


def _border_outlet(border: Border, gutters: set[str], plane: MeasuredPlane) -> Outlet:
    """Turn a side of the outline into a way out; one with a gutter drains."""
    middle = (border.start + border.end) / 2
    named = any(is_edge_of(border, name, plane) for name in gutters)
    if named or border.role is Role.OPEN:
        return Outlet(border.name, "open edge", middle, 0.0, True)
    kind = "dam" if border.role is Role.DAM else "unknown edge"
    return Outlet(border.name, kind, middle, border.dam_height, True)


def _outlet_cells(
    spec: OutletSpec, at: Array, inside: BoolArray, ring: BoolArray, centres: Array
) -> BoolArray:
    """Cells an outlet takes up: a scupper sits in the ring, a drain among the roof cells."""
    away = np.linalg.norm(centres - at, axis=-1)
    allowed = ring if spec.kind in SCUPPERS else inside
    away = np.where(allowed, away, np.inf)
    cells = away <= (spec.width or 0.0) / 2
    cells[np.unravel_index(np.argmin(away), away.shape)] = True
    return cells


def _blocks(
    plane: MeasuredPlane, planes: PlaneSet, visit: Visit, frame: PlaneFrame
) -> list[tuple[str, Array]]:
    """Footprints (n, 2) of the penetrations of a plane, with their names."""
    found = []
    for spec in penetrations_of(visit):
        footprint = penetration_footprint(spec, plane, planes, frame)
        if footprint is not None:
            found.append((spec.name, footprint))
    return found
