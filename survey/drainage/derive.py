"""Drainage of every roof plane of a visit."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from survey.drainage.domain import Domain, build_domain
from survey.drainage.edges import Role
from survey.drainage.low_spots import describe_low_spots, leaves_by
from survey.drainage.matching import match_ponds
from survey.drainage.model import LowSpot, PlaneDrainage
from survey.drainage.ponds import find_ponds, flood
from survey.drainage.process import Waviness, condition
from survey.drainage.slopes import derive_slope_field
from survey.figures import NotObserved
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import PlaneKind, Visit

Array = npt.NDArray[np.float64]

SURFACES = 300
FEWEST_READINGS = 6  # three fix the plane; with fewer than three more nothing shows a low spot
FINEST_CELL = 0.1524  # m, 6 in


def derive_drainage(
    planes: PlaneSet,
    visit: Visit,
    *,
    seed: int = 1,
    minimum_slopes: Mapping[str, float | None] | None = None,
    surfaces: int = SURFACES,
) -> tuple[PlaneDrainage, ...]:
    """Say of each roof plane where water would stand, how surely, and where it leaves.

    Parameters
    ----------
    planes : PlaneSet
        Measured planes with the readings taken in their fields.
    visit : Visit
        Its outlets and penetrations are used.
    seed : int
        Of the random numbers; the same input and seed give the same result.
    minimum_slopes : mapping from plane name to m/m, optional
        Minimum slope of the covering intended; None where no minimum is known.
    surfaces : int
        How many surfaces are drawn.
    """
    minimums = minimum_slopes or {}
    return tuple(
        _drain_plane(plane, planes, visit, seed, minimums.get(plane.spec.name), surfaces)
        for plane in planes.planes
        if plane.spec.kind is PlaneKind.ROOF
    )


def _drain_plane(
    plane: MeasuredPlane,
    planes: PlaneSet,
    visit: Visit,
    seed: int,
    minimum: float | None,
    surfaces: int,
) -> PlaneDrainage:
    """Judge one roof plane."""
    name = plane.spec.name
    mine = [i for i, reading in enumerate(planes.readings) if reading.plane == name]
    if not planes.gravity_observed or plane.gradient is None:
        return _not_judged(name, len(mine), "gravity is not observed, so nothing tells where is up")
    places = np.array([planes.readings[i].uv for i in mine]).reshape(-1, 2)
    heights = np.array([planes.readings[i].height for i in mine])
    covariance = planes.readings_covariance[np.ix_(mine, mine)]
    if len(mine) < FEWEST_READINGS:
        return _corners_only(plane, planes, visit, minimum, len(mine), seed, surfaces)
    spacing = reading_spacing(places)
    domain = build_domain(plane, planes, visit, cell=min(FINEST_CELL, spacing / 4))
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    covariance = covariance + np.eye(len(mine)) * 1e-8
    drawn = _draw(places, heights, covariance, domain, rng, surfaces)
    observed_by = tuple(planes.readings[i].point for i in mine)
    spots, notes, findings = _low_spots(domain, drawn, observed_by)
    return PlaneDrainage(
        plane=name,
        low_spots=spots,
        slope_field=derive_slope_field(domain, drawn, minimum, observed_by),
        leaves_by=leaves_by(domain, drawn.mean(axis=0)),
        smallest_findable=NotObserved("it is not worked out yet", "read on a closer grid"),
        reading_spacing=spacing,
        reading_count=len(mine),
        notes=notes,
        findings=findings,
    )


def _draw(
    places: Array,
    heights: Array,
    covariance: Array,
    domain: Domain,
    rng: np.random.Generator,
    surfaces: int,
) -> Array:
    """Draw surfaces (s, m) at the points of a domain."""
    process = Waviness(0.00508, 0.762)
    known = condition(process, places, heights, covariance, domain.points)
    values, vectors = np.linalg.eigh(known.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn: Array = known.mean + rng.standard_normal((surfaces, len(values))) @ root.T
    return drawn


def reading_spacing(places: Array) -> float:
    """Typical distance from a reading to its nearest neighbour, metres (median)."""
    distances, _ = cKDTree(places).query(places, k=2)
    return float(np.median(distances[:, 1]))


def _not_judged(name: str, readings: int, why: str) -> PlaneDrainage:
    """Say why nothing can be said of water on a plane."""
    gap = NotObserved(why, "take a rod or slope reading on the plane")
    return PlaneDrainage(name, (), None, (), gap, None, readings, why)


def _corners_only(
    plane: MeasuredPlane,
    planes: PlaneSet,
    visit: Visit,
    minimum: float | None,
    readings: int,
    seed: int,
    surfaces: int,
) -> PlaneDrainage:
    """Judge the plane's slope as a whole; its corners say nothing of low spots in its field."""
    assert plane.gradient is not None and plane.gradient_covariance is not None
    domain = build_domain(plane, planes, visit, cell=FINEST_CELL)
    rng = np.random.default_rng([seed, zlib.crc32(plane.spec.name.encode())])
    gradients = rng.multivariate_normal(plane.gradient, plane.gradient_covariance, surfaces)
    plan = (domain.points - domain.points.mean(axis=0)) @ domain.frame.to_plan.T
    drawn = gradients @ plan.T
    why = f"only {readings} readings lie in the field of {plane.spec.name!r}"
    cure = "read heights on a 2 ft grid to see ponds of 3 ft and wider"
    return PlaneDrainage(
        plane=plane.spec.name,
        low_spots=(),
        slope_field=derive_slope_field(domain, drawn, minimum, ()),
        leaves_by=leaves_by(domain, drawn.mean(axis=0)),
        smallest_findable=NotObserved(why, cure),
        reading_spacing=None,
        reading_count=readings,
        notes=(f"low spots are not shown by these readings: {why}; {cure}",),
    )


def _low_spots(
    domain: Domain, drawn: Array, observed_by: tuple[str, ...]
) -> tuple[tuple[LowSpot, ...], tuple[str, ...], tuple[Finding, ...]]:
    """Low spots with unknown edges open, then those that only unknown dams would make."""
    unknown = [b for b in domain.borders if b.role is Role.UNKNOWN]
    notes = tuple(f"edge {b.name!r}: {b.why}; judged both open and as a wall" for b in unknown)
    findings = [
        Finding(
            "edge-drainage-unknown",
            Severity.CHECK,
            b.name,
            f"whether water can leave over edge {b.name!r} is not known ({b.why})",
            "say what it meets, or whether it drains",
        )
        for b in unknown
    ]
    spots, trapped = _judge(domain, drawn, observed_by, unknown_open=True)
    if trapped:
        findings.append(_no_way_out(domain, ""))
    if unknown and not trapped:
        dammed, trapped = _judge(domain, drawn, observed_by, unknown_open=False)
        held = " and ".join(repr(b.name) for b in unknown)
        condition = f"{held} holds water back" if len(unknown) == 1 else f"{held} hold water back"
        if trapped:
            findings.append(_no_way_out(domain, condition))
        spots = (*spots, *_only_if(spots, dammed, condition))
    return spots, notes, tuple(findings)


def _judge(
    domain: Domain, drawn: Array, observed_by: tuple[str, ...], *, unknown_open: bool
) -> tuple[tuple[LowSpot, ...], bool]:
    """Low spots of one reading of the unknown edges, and whether water has no way out at all."""
    lifts = domain.lifts(unknown_open=unknown_open)
    if not np.isfinite(lifts).any():
        return (), True
    flooded = flood(domain, drawn, lifts)
    ponds = [find_ponds(domain, flooded, i) for i in range(len(drawn))]
    matches = match_ponds(ponds, domain.shape)
    return describe_low_spots(domain, drawn, lifts, matches, observed_by), False


def _only_if(
    spots: tuple[LowSpot, ...], dammed: tuple[LowSpot, ...], condition: str
) -> tuple[LowSpot, ...]:
    """Low spots of the dammed reading that the open reading doesn't have, renamed to follow."""
    fresh = [
        spot
        for spot in dammed
        if not any(
            np.linalg.norm(spot.deepest - other.deepest) < 0.3
            and abs(spot.probability - other.probability) < 0.2
            for other in spots
        )
    ]
    return tuple(
        replace(spot, name=f"{spot.plane} low spot {len(spots) + i}", only_if=condition)
        for i, spot in enumerate(fresh, start=1)
    )


def _no_way_out(domain: Domain, condition: str) -> Finding:
    """Say that every way out of a plane is closed."""
    when = f"if {condition}, " if condition else ""
    return Finding(
        "no-way-out",
        Severity.CHECK,
        domain.plane,
        f"{when}no edge and no outlet lets water off {domain.plane!r}",
        "look for an outlet and enter it, or say which edge drains",
    )
