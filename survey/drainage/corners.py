"""A plane of which only corners and edges are known: its slope, and nothing of low spots."""

from __future__ import annotations

import numpy as np

from survey.adjustment.network_marks import penetrations_of
from survey.drainage.domain import build_domain
from survey.drainage.flow import derive_contours, fall_arrows, flow_paths
from survey.drainage.low_spots import leaves_by
from survey.drainage.model import PlaneDrainage
from survey.drainage.presumed import presumptions, valley_falls
from survey.drainage.reading_layout import FINEST_CELL
from survey.drainage.remedies import derive_saddles
from survey.drainage.slopes import SlopeTally
from survey.figures import NotObserved
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import Visit

GRID_FOR_PONDS = "read heights on a 2 ft grid to see ponds of about 3 ft and wider"


def judge_by_corners(
    plane: MeasuredPlane,
    planes: PlaneSet,
    visit: Visit,
    minimum: float | None,
    readings: int,
    seed: tuple[int, ...],
    surfaces: int,
) -> PlaneDrainage:
    """Judge a plane's slope as a whole; its corners say nothing of low spots in its field."""
    assert plane.gradient is not None and plane.gradient_covariance is not None
    domain = build_domain(plane, planes, visit, cell=FINEST_CELL)
    rng = np.random.default_rng(seed)
    gradients = rng.multivariate_normal(plane.gradient, plane.gradient_covariance, surfaces)
    plan = (domain.points - domain.points.mean(axis=0)) @ domain.frame.to_plan.T
    tally = SlopeTally(domain, minimum)
    for start in range(0, surfaces, 50):
        tally.add(gradients[start : start + 50] @ plan.T)
    typical = plan @ plane.gradient
    lifts = domain.lifts(unknown_open=True)
    noted, findings = presumptions(domain)
    count = {0: "no reading lies", 1: "only 1 reading lies"}.get(
        readings, f"only {readings} readings lie"
    )
    why = f"{count} in the field of {plane.spec.name!r}"
    note = f"low spots are not shown by these readings: {why}; {GRID_FOR_PONDS}"
    return PlaneDrainage(
        plane=plane.spec.name,
        low_spots=(),
        slope_field=tally.slope_field(),
        leaves_by=leaves_by(domain, typical, lifts),
        smallest_findable=NotObserved(why, GRID_FOR_PONDS),
        reading_spacing=None,
        reading_count=readings,
        notes=(note, *noted),
        findings=findings,
        flow_paths=flow_paths(domain, typical, lifts),
        arrows=fall_arrows(domain, typical),
        contours=derive_contours(domain, typical),
        valleys=valley_falls(plane, minimum),
        saddles=derive_saddles(plane, domain, penetrations_of(visit)),
        outline=domain.outline,
        edge_roles=tuple((b.name, b.role.value) for b in domain.borders),
        curbs=domain.blocks,
        outlet_places=tuple((o.name, o.at) for o in domain.outlets if not o.is_edge),
    )
