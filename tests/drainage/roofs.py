"""Roofs made of numbers: planes, readings and visits for drainage tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from survey.figures import Figure, NotObserved
from survey.planes.model import FieldReading, MeasuredEdge, MeasuredPlane, MeasuredPoint, PlaneSet
from survey.visit.model import Conditions, Edge, EdgeKind, PlaneKind, PlaneSpec, Visit

FOOT, INCH = 0.3048, 0.0254
CORNERS = ("A", "B", "C", "D")


def shed_roof(
    width=20 * FOOT,
    length=40 * FOOT,
    fall=1 / 48,
    *,
    edges=None,
    name="porch",
    gradient_covariance=None,
    shift=(0.0, 0.0, 0.0),
):
    """A rectangle, low edge A-B at the front, rising away from it."""
    edges = edges or {
        "AB": dict(kind=EdgeKind.EAVE, meets="open"),
        "BC": dict(kind=EdgeKind.SIDEWALL, meets="wall"),
        "CD": dict(kind=EdgeKind.HEADWALL, meets="wall"),
        "DA": dict(kind=EdgeKind.SIDEWALL, meets="wall"),
    }
    flat = np.array([[0, 0], [width, 0], [width, length], [0, length]], dtype=float)
    outline = np.column_stack([flat, flat[:, 1] * fall]) + shift
    stretch = np.sqrt(1 + fall**2)
    in_plane = flat * [1.0, stretch]
    normal = np.array([0.0, -fall, 1.0]) / stretch
    measured = tuple(
        MeasuredEdge(
            Edge(f"edge {ends}", ends[0], ends[1], **said),
            Figure(1.0, 0.01, "m"),
            Figure(0.0, 0.001, "m/m"),
            (name,),
        )
        for ends, said in edges.items()
    )
    covariance = np.eye(2) * 1e-6 if gradient_covariance is None else gradient_covariance
    plane = MeasuredPlane(
        spec=PlaneSpec(name, PlaneKind.ROOF, CORNERS),
        outline=outline,
        outline_plane=in_plane,
        normal=normal,
        normal_covariance=np.eye(3) * 1e-8,
        gradient=np.array([0.0, fall]),
        gradient_covariance=covariance,
        pitch=Figure(fall, 1e-3, "m/m"),
        fall_azimuth=Figure(np.pi, 0.01, "rad"),
        area=Figure(width * length * stretch, 0.1, "m2"),
        plan_area=Figure(width * length, 0.1, "m2"),
        fit_rms=NotObserved("-", "-"),
        edges=measured,
        observed_points=4,
    )
    return plane, measured


def read_roof(surface, places, sd, rng, *, fall=1 / 48, plane="porch"):
    """Readings of `surface(x, y)` at plan places (n, 2), with their covariance."""
    stretch = np.sqrt(1 + fall**2)
    heights = surface(places[:, 0], places[:, 1]) + rng.normal(0.0, sd, len(places))
    readings = tuple(
        FieldReading(f"G{i}", plane, (float(x), float(y * stretch)), float(z))
        for i, ((x, y), z) in enumerate(zip(places, heights, strict=True))
    )
    return readings, np.eye(len(places)) * sd**2


def plane_set(plane, edges, readings=(), covariance=None, *, gravity=True):
    points = tuple(
        MeasuredPoint(n, x, np.eye(3) * 1e-6, True)
        for n, x in zip(plane.spec.outline, plane.outline, strict=True)
    )
    covariance = np.zeros((0, 0)) if covariance is None else covariance
    return PlaneSet((plane,), edges, points, readings, covariance, gravity, True)


def visit(outlets=(), penetrations=(), planes=()):
    return Visit(
        folder=Path("."),
        name="invented",
        date=None,
        place=None,
        by=None,
        units="us",
        building="dwelling",
        work="inspection",
        covering=None,
        plies=None,
        conditions=Conditions(),
        targets=(),
        planes=planes,
        edges=(),
        outlets=outlets,
        penetrations=penetrations,
        benchmarks=(),
        setups=(),
        calibrations=(),
        marks=(),
        readings=(),
        photo_paths=(),
    )


def grid_places(width=20 * FOOT, length=40 * FOOT, spacing=2 * FOOT):
    """A square grid of readings with the far edges added."""
    x = np.unique(np.append(np.arange(0, width + 1e-9, spacing), width))
    y = np.unique(np.append(np.arange(0, length + 1e-9, spacing), length))
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def dished(fall=1 / 48, dishes=()):
    """Plane with paraboloid dishes (x, y, radius, depth), metres."""

    def surface(x, y):
        z = fall * np.asarray(y, dtype=float)
        for cx, cy, radius, depth in dishes:
            r2 = ((x - cx) ** 2 + (y - cy) ** 2) / radius**2
            z = z - depth * np.clip(1 - r2, 0.0, None)
        return z

    return surface


TEST_DISHES = (
    (7 * FOOT, 8 * FOOT, 3 * FOOT, 1 * INCH),
    (13 * FOOT, 20 * FOOT, 4 * FOOT, 1.25 * INCH),
    (6 * FOOT, 32 * FOOT, 2.5 * FOOT, 0.5 * INCH),
)
