"""Hand-made visits, planes and drainage for the tests of rules and of the plane file."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from survey.drainage.model import (
    BlockedOutlets,
    Contour,
    FallArrow,
    FlowPath,
    Likelihood,
    LowSpot,
    NestedLow,
    NextReading,
    OutletState,
    PlaneDrainage,
    Saddle,
    SlopeField,
    Taper,
    TideLineFit,
    ValleyFall,
)
from survey.figures import Figure, NotObserved
from survey.planes.model import MeasuredEdge, MeasuredPlane, MeasuredPoint, PlaneSet
from survey.visit.model import (
    Conditions,
    Deck,
    Edge,
    EdgeKind,
    OutletKind,
    OutletSpec,
    PenetrationSpec,
    PlaneKind,
    PlaneSpec,
    Visit,
)

RUN, WIDTH = 3.0, 6.0  # metres: plan depth and width of the porch
COVARIANCE = np.diag([1e-6, 1e-6, 4e-6])


def slope(rise_in_12: float, half_width_in_12: float = 0.02) -> Figure:
    """Return a pitch with its 95 % half-width, both as rise in 12."""
    return Figure(rise_in_12 / 12, half_width_in_12 / 12 / 1.96, "m/m", ("R1", "T1"), 1.96)


def a_visit(**changes: Any) -> Visit:
    """Return a visit to an invented porch, everything answered."""
    porch = PlaneSpec(
        name="porch",
        kind=PlaneKind.ROOF,
        outline=("A", "B", "C", "D"),
        points=("G1",),
        deck=Deck("plywood", 0.015, "sound"),
        covering="modified-bitumen",
        plies=2,
        existing_covering="built-up",
        coverings_on=1,
        ventilation="none",
    )
    visit = Visit(
        folder=Path("somewhere"),
        name="porch",
        date="2025-05-06",
        place="back porch",
        by="estimator",
        units="us",
        building="dwelling",
        work="replacement",
        covering=None,
        plies=None,
        conditions=Conditions("clear", 295.0, "calm", "3 days ago"),
        targets=(),
        planes=(porch,),
        edges=edges(),
        outlets=(),
        penetrations=(),
        benchmarks=(),
        setups=(),
        calibrations=(),
        marks=(),
        readings=(),
        photo_paths=(),
    )
    return replace(visit, **changes)


def edges(**changes: Any) -> tuple[Edge, ...]:
    """Return the porch's edges: open eave, two rakes, a headwall against the house."""
    return (
        Edge("front", "A", "B", EdgeKind.EAVE, meets="gutter", drains=True),
        Edge("right", "B", "C", EdgeKind.RAKE, meets="open"),
        Edge("house", "C", "D", EdgeKind.HEADWALL, meets="wall", drains=False, dam_height=0.3),
        Edge("left", "D", "A", EdgeKind.RAKE, meets="open"),
    )


def parapets() -> tuple[Edge, ...]:
    """Return edges that all hold water back."""
    return tuple(
        replace(edge, kind=EdgeKind.PARAPET, meets="parapet", drains=False, dam_height=0.15)
        for edge in edges()
    )


def a_plane(
    visit: Visit, pitch: Figure | NotObserved, *, made_of: tuple[Edge, ...] | None = None
) -> MeasuredPlane:
    """Return the porch, rising along +y from its front edge at `pitch`."""
    rise = pitch.value if isinstance(pitch, Figure) else 0.02
    sd = pitch.sd if isinstance(pitch, Figure) else 0.0
    outline = np.array(
        [[0, 0, 0], [WIDTH, 0, 0], [WIDTH, RUN, RUN * rise], [0, RUN, RUN * rise]], dtype=float
    )
    depth = RUN * math.hypot(1.0, rise)
    flat = np.array([[0, 0], [WIDTH, 0], [WIDTH, depth], [0, depth]], dtype=float)
    normal = np.array([0.0, -rise, 1.0]) / math.hypot(1.0, rise)
    level = Figure(0.0, 0.001, "m/m", ("L1",))
    lengths = (WIDTH, depth, WIDTH, depth)
    measured = tuple(
        MeasuredEdge(
            edge,
            Figure(length, 0.004, "m", ("T1", "M1")),
            level if index % 2 == 0 else pitch,
            ("porch",),
        )
        for index, (edge, length) in enumerate(zip(made_of or visit.edges, lengths, strict=True))
    )
    return MeasuredPlane(
        spec=visit.planes[0],
        outline=outline,
        outline_plane=flat,
        normal=normal,
        normal_covariance=np.diag([1e-6, 1e-6, 0.0]),
        gradient=np.array([0.0, rise]) if isinstance(pitch, Figure) else None,
        gradient_covariance=np.diag([sd**2, sd**2]) if isinstance(pitch, Figure) else None,
        pitch=pitch,
        fall_azimuth=Figure(math.pi, 0.01, "rad", ("R1",)),
        area=Figure(WIDTH * depth, 0.05, "m2", ("T1",)),
        plan_area=Figure(WIDTH * RUN, 0.05, "m2", ("T1",)),
        fit_rms=Figure(0.002, 0.0005, "m"),
        edges=measured,
        observed_points=5,
    )


def a_plane_set(visit: Visit, pitch: Figure | NotObserved, **changes: Any) -> PlaneSet:
    """Return the porch with its points."""
    plane = a_plane(visit, pitch)
    corners = [
        MeasuredPoint(name, position, COVARIANCE, True, ("M1", "T1"))
        for name, position in zip(visit.planes[0].outline, plane.outline, strict=True)
    ]
    field_point = MeasuredPoint("G1", np.array([3.0, 1.0, 0.02]), COVARIANCE, True, ("R1",))
    made = PlaneSet(
        planes=(plane,),
        edges=plane.edges,
        points=(*corners, field_point),
        readings=(),
        readings_covariance=np.zeros((0, 0)),
        gravity_observed=isinstance(pitch, Figure),
        scale_observed=True,
    )
    return replace(made, **changes)


def a_low_spot(likelihood: Likelihood = Likelihood.SHOWN, outlet: str | None = None) -> LowSpot:
    """Return a pond of 3/8 in and about 11 sq ft."""
    angles = np.linspace(0.0, 2 * np.pi, 12, endpoint=False)
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    return LowSpot(
        name="low 1",
        plane="porch",
        likelihood=likelihood,
        probability=0.97,
        outline=np.array([3.0, 1.0]) + 0.57 * circle,
        outer_outline=np.array([3.0, 1.0]) + 0.7 * circle,
        deepest=np.array([3.0, 1.1]),
        spill=np.array([3.0, 0.43]),
        depth=Figure(0.0099, 0.001, "m", ("R1",)),
        area=Figure(1.03, 0.05, "m2", ("R1",)),
        volume=Figure(0.0051, 0.0004, "m3", ("R1",)),
        weight=Figure(5.1, 0.4, "kg", ("R1",)),
        load=Figure(97.0, 10.0, "Pa", ("R1",)),
        drains_to="front",
        outlet=outlet,
        observed_by=("R1",),
    )


def a_drainage(*spots: LowSpot, **changes: Any) -> PlaneDrainage:
    """Return drainage over the porch's front edge with the given low spots."""
    made = PlaneDrainage(
        plane="porch",
        low_spots=spots,
        slope_field=SlopeField(
            minimum=1 / 48,
            share_under=Figure(0.0, 0.0, "1"),
            strips=(),
            backfall_share=Figure(0.0, 0.0, "1"),
        ),
        leaves_by=("front",),
        smallest_findable=Figure(1.0, 0.1, "m"),
        reading_spacing=0.6,
        reading_count=40,
    )
    return replace(made, **changes)


def a_full_drainage() -> PlaneDrainage:
    """Return drainage with every part filled in."""
    length, area = Figure(0.05, 0.004, "m", ("R1",)), Figure(3.0, 0.2, "m2", ("R1",))
    volume = Figure(0.1, 0.01, "m3", ("R1",))
    line = np.array([[0.5, 0.5], [1.0, 1.0], [np.nan, 0.0]])
    spot = replace(
        a_low_spot(),
        depth_range=(0.0, 0.012),
        depth_interval=(0.008, 0.012),
        area_interval=(0.9, 1.1),
        volume_interval=(0.004, 0.006),
        only_if="'left' holds water back",
        sure_outline=np.array([[2.9, 1.0], [3.1, 1.0], [3.0, 1.1]]),
        stages=np.array([[0.0, 0.0, 0.0], [0.0099, 1.03, 0.0051]]),
        fills_at_rain=0.004,
        nested=(NestedLow(np.array([3.0, 1.1]), 0.002, 0.1, 0.0001),),
    )
    field = SlopeField(
        1 / 48, Figure(0.2, 0.05, "1"), (line[:2],), Figure(0.01, 0.01, "1"), (line[:2],)
    )
    return a_drainage(
        spot,
        slope_field=field,
        notes=("the left edge was presumed open",),
        flow_paths=(FlowPath(line, "front"),),
        arrows=(FallArrow(np.array([1.0, 1.0]), np.array([0.0, -1.0]), 0.02),),
        contours=(Contour(0.0254, (line[:2],)),),
        valleys=(ValleyFall("left", Figure(0.015, 0.001, "m/m", ("R1",)), 1 / 48),),
        outlets=(OutletState("overflow 1", "overflow scupper", length),),
        blocked=BlockedOutlets(
            ("drain 1",), "overflow 1", length, Figure(490.0, 40.0, "Pa"), area, volume
        ),
        next_readings=(NextReading(np.array([2.0, 1.0]), 2.0, 1.0, 0.3),),
        taper=Taper("front", 1 / 48, volume, length, length, length),
        saddles=(Saddle("curb 1", 0.9, 0.5, length, volume, Figure(0.02, 0.002, "m/m"), None),),
        tide_lines=(TideLineFit("ring 1", line[:2], length, True),),
        edge_roles=(("front", "open"), ("house", "dam")),
        curbs=(("curb 1", line[:2]),),
    )


def a_drain(**changes: Any) -> OutletSpec:
    """Return a 3 in roof drain near the front edge."""
    made = OutletSpec(
        name="drain 1", kind=OutletKind.DRAIN, plane="porch", along=3.0, up=0.3, invert=0.0,
        width=0.0762,
    )  # fmt: skip
    return replace(made, **changes)


def an_overflow(**changes: Any) -> OutletSpec:
    """Return an overflow scupper by the front edge."""
    made = OutletSpec(
        name="overflow 1", kind=OutletKind.OVERFLOW_SCUPPER, plane="porch", along=4.0, up=0.0,
        invert=0.05, width=0.15,
    )  # fmt: skip
    return replace(made, **changes)


def a_curb(**changes: Any) -> PenetrationSpec:
    """Return a curb 3 ft wide across the slope."""
    made = PenetrationSpec(
        name="curb 1", kind="curb", plane="porch", along=2.0, up=1.5, width=0.9144, length=0.6,
        height=0.2,
    )  # fmt: skip
    return replace(made, **changes)
