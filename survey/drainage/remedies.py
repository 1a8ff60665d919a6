"""Figures for the quote: fill that gives a plane its fall, a saddle behind a curb. Not a design."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from survey.drainage.domain import Domain, Outlet
from survey.drainage.model import Saddle, Taper
from survey.figures import NORMAL_95, Figure, Measured, NotObserved, Unit
from survey.planes.model import MeasuredPlane
from survey.visit.model import PenetrationSpec

Array = npt.NDArray[np.float64]

END_SHARE = 0.1  # of the run that counts as its low or high end
NARROWEST_SADDLE = 0.3048  # m; no figures are worked out for narrower curbs; own judgement


def distance_to(outlet: Outlet, domain: Domain, places: Array) -> tuple[Array, Array]:
    """Distance (m,) of places from a way out, metres, and its nearest point (m, 2)."""
    if not outlet.is_edge:
        nearest = np.broadcast_to(outlet.at, places.shape)
        return np.linalg.norm(places - outlet.at, axis=1), nearest
    border = next(b for b in domain.borders if b.name == outlet.name)
    run = border.end - border.start
    share = np.clip((places - border.start) @ run / (run @ run), 0.0, 1.0)
    nearest = border.start + share[:, None] * run
    return np.linalg.norm(places - nearest, axis=1), nearest


def lowest_fill(domain: Domain, heights: Array, outlet: Outlet, fall: float) -> tuple[Array, Array]:
    """Fill needed so that every roof cell falls to a way out by at least a minimum.

    Parameters
    ----------
    domain : Domain
    heights : (s, m) array
        Surfaces at `domain.points`, metres.
    outlet : Outlet
    fall : float
        Fall wanted along the straight way to the outlet, m/m.

    Returns
    -------
    thickness : (s, k) array
        Of fill on each roof cell, metres, in the order of `domain.inside`.
    distance : (k,) array
        Of those cells from the way out, metres.

    Notes
    -----
    The lowest surface above the roof that rises by `fall` away from the way out: at each cell the
    higher of the roof and the filled surface one cell nearer plus the rise between.
    """
    inside = domain.inside
    rows = domain.index[inside]
    places = domain.points[rows]
    distance, nearest = distance_to(outlet, domain, places)
    order = np.argsort(distance, kind="stable")
    filled = np.full((len(heights), *domain.shape), -np.inf)
    cells = np.argwhere(inside)
    step = float(domain.step.mean())
    stretch = 1.0 / np.sqrt(domain.frame.plan_share)
    for k in order:
        here = heights[:, rows[k]]
        if distance[k] > step:
            toward = places[k] + (nearest[k] - places[k]) / distance[k] * step
            below = _between_filled(filled, (toward - domain.origin) / domain.step)
            here = np.maximum(here, below + fall * step / stretch)
        filled[:, cells[k][0], cells[k][1]] = here
    thickness = filled[:, inside] - heights[:, rows]
    return np.maximum(thickness, 0.0), distance


def _between_filled(filled: Array, place: Array) -> Array:
    """Interpolate filled surfaces (s,) at a column and row from the corners that are known."""
    column, row = place
    j, i = int(np.floor(column)), int(np.floor(row))
    total = np.zeros(len(filled))
    weight = 0.0
    for di in (0, 1):
        for dj in (0, 1):
            r, c = i + di, j + dj
            if not (0 <= r < filled.shape[1] and 0 <= c < filled.shape[2]):
                continue
            if not np.isfinite(filled[0, r, c]):
                continue
            share = (1 - abs(row - r)) * (1 - abs(column - c))
            total += share * filled[:, r, c]
            weight += share
    return total / weight if weight > 1e-6 else np.full(len(filled), -np.inf)


def derive_taper(domain: Domain, heights: Array, outlet: Outlet, fall: float) -> Taper:
    """Work out the fill for sampled surfaces (s, m) towards a way out."""
    thickness, distance = lowest_fill(domain, heights, outlet, fall)
    run = distance.max()
    low, high = distance <= END_SHARE * run, distance >= (1 - END_SHARE) * run
    return Taper(
        towards=outlet.name,
        fall=fall,
        volume=_sampled(thickness.sum(axis=1) * domain.cell_area, "m3"),
        thickest=_sampled(thickness.max(axis=1), "m"),
        low_end=_sampled(thickness[:, low].mean(axis=1), "m"),
        high_end=_sampled(thickness[:, high].mean(axis=1), "m"),
    )


def _sampled(values: Array, unit: Unit) -> Figure:
    """Median of sampled values with a half-width that holds their 95 % interval."""
    value, sd = float(np.median(values)), float(values.std())
    low, high = np.quantile(values, [0.025, 0.975])
    wide = max(float(high) - value, value - float(low))
    return Figure(value, sd, unit, (), wide / sd if sd > 0 else NORMAL_95)


def derive_saddles(
    plane: MeasuredPlane, domain: Domain, penetrations: Sequence[PenetrationSpec]
) -> tuple[Saddle, ...]:
    """Figures of a saddle behind each curb of a plane; its own width across the fall is used.

    The ridge is level, from the middle of the curb's upper side to where it meets the roof half
    the curb's width up the fall, so that its valleys run at 45 degrees in plan and fall by the
    roof's fall over the square root of two. The body is a tetrahedron.
    """
    if plane.gradient is None:
        return ()
    fall = float(np.hypot(*plane.gradient))
    named = {spec.name: spec for spec in penetrations}
    upward = plane.gradient / max(fall, 1e-9)
    across = np.array([-upward[1], upward[0]])
    saddles = []
    for name, footprint in domain.blocks:
        plan = footprint @ domain.frame.to_plan.T
        extent = plan @ across
        width = float(extent.max() - extent.min())
        spec = named.get(name)
        if spec is not None and spec.width is not None and not spec.outline:
            width = spec.width  # as told across the slope, whichever way a slight fall leans
        if width < NARROWEST_SADDLE:
            continue
        length = width / 2
        slope = plane.pitch
        saddles.append(
            Saddle(
                behind=name,
                width=width,
                length=length,
                height=_scaled(slope, length, "m"),
                volume=_scaled(slope, width * length**2 / 6, "m3"),
                valley_fall=_scaled(slope, 1 / np.sqrt(2.0), "m/m"),
                present=named[name].saddle if name in named else None,
            )
        )
    return tuple(saddles)


def _scaled(figure: Measured, by: float, unit: Unit) -> Measured:
    """Multiply a figure by a known number."""
    if isinstance(figure, NotObserved):
        return figure
    return Figure(
        figure.value * by, figure.sd * by, unit, figure.observed_by, figure.coverage_factor
    )
