"""A random network with every kind of observation in it, for derivative and propagation tests."""

from __future__ import annotations

import numpy as np

from survey.adjustment.model import (
    CAMERA,
    LENS,
    LENS_MEAN,
    PLANE,
    POINT,
    PRINT_SCALE,
    SETUP,
    TARGET,
    WATER_LEVEL,
    EdgeAngle,
    EdgeInPhoto,
    Elevation,
    GravityLineInPhoto,
    LevelEdge,
    Network,
    Observation,
    OnSurface,
    PlaneParameters,
    PlumbEdge,
    PointInPhoto,
    Pose,
    Prior,
    RodHeight,
    SameElevation,
    SlopeOfPlane,
    SpotOnPlane,
    State,
    TapeLength,
    TargetCorners,
    TargetMount,
    TargetOnPlane,
)
from survey.geometry import rotation_from_vector
from survey.photo.model import CameraPrior

LOOKING_AWAY = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])  # site from camera
FACING_VIEWER = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])  # site from target
POINTS = {
    "A": (-2.0, 10.0, 2.5),
    "B": (2.2, 10.2, 2.6),
    "C": (2.1, 12.0, 3.4),
    "D": (-2.1, 12.1, 3.3),
    "E": (-2.0, 10.0, 0.2),
}


def random_state(rng: np.random.Generator) -> State:
    """A scene about ten metres in front of two cameras, everything turned and shifted a little."""
    state: State = {}
    for name, x in (("one", -1.5), ("two", 2.0)):
        state[(CAMERA, name)] = Pose(
            LOOKING_AWAY @ rotation_from_vector(rng.normal(0, 0.1, 3)),
            np.array([x, 0.0, 1.6]) + rng.normal(0, 0.3, 3),
        )
        state[(LENS, name)] = np.array([3000.0, 2010.0, 1490.0, 0.05, -0.03]) + rng.normal(
            0, [30.0, 10.0, 10.0, 0.01, 0.01]
        )
    state[(LENS_MEAN, "phone")] = np.array([3000.0, 2010.0, 1490.0, 0.02, 0.0])
    for name, x in (("north", -1.0), ("south", 1.4)):
        state[(TARGET, name)] = Pose(
            FACING_VIEWER @ rotation_from_vector(rng.normal(0, 0.15, 3)),
            np.array([x, 10.0, 1.5]) + rng.normal(0, 0.1, 3),
        )
        state[(PRINT_SCALE, name)] = 1.0 + rng.normal(0, 0.01, 2)
    for name, place in POINTS.items():
        state[(POINT, name)] = np.array(place) + rng.normal(0, 0.1, 3)
    normal = np.array([0.1, -0.35, 0.9]) + rng.normal(0, 0.05, 3)
    state[(PLANE, "porch")] = PlaneParameters(normal / np.linalg.norm(normal), 0.8)
    state[(PLANE, "wall")] = PlaneParameters(np.array([0.06, -0.998, 0.02]), 10.0)
    state[(SETUP, "S1")] = np.array([4.0])
    state[(WATER_LEVEL, "ring")] = np.array([2.9])
    return state


def every_kind(rng: np.random.Generator) -> list[Observation]:
    """One or more observations of every kind, with values that need not fit."""
    corners = rng.uniform(-0.2, 0.2, (5, 2))
    observations: list[Observation] = []
    for photo in ("one", "two"):
        for target in ("north", "south"):
            observations.append(
                TargetCorners(
                    id=f"{photo}-{target}",
                    photo=photo,
                    target=target,
                    corners_target=corners,
                    corners_px=rng.uniform(1000, 3000, (5, 2)),
                    sd_px=np.full(5, 0.3),
                )
            )
        for point in POINTS:
            px = (float(rng.uniform(500, 3500)), float(rng.uniform(500, 2500)))
            observations.append(
                PointInPhoto(id=f"{photo}-{point}", photo=photo, point=point, px=px, sd_px=1.5)
            )
        for start, end in (("A", "B"), ("D", "A")):
            ends = ((1500.0, 1300.0), (2600.0, 1150.0))
            observations.append(
                EdgeInPhoto(
                    id=f"{photo}-{start}{end}",
                    photo=photo,
                    start=start,
                    end=end,
                    px=ends,
                    sd_px=1.5,
                )
            )
        lines = (("plumb", None), ("level", (PLANE, "wall")), ("level", (TARGET, "north")))
        for direction, on in lines:
            ends = ((1500.0, 1900.0), (1540.0, 1100.0))
            if direction == "level":
                ends = ((1400.0, 1350.0), (2500.0, 1300.0))
            observations.append(
                GravityLineInPhoto(
                    id=f"{photo}-{direction}-{on}",
                    photo=photo,
                    direction=direction,
                    px=ends,
                    sd_px=1.5,
                    departure_sd=0.002,
                    on=on,
                )
            )
        observations.append(
            Prior(
                id=f"lens-{photo}",
                key=(LENS, photo),
                mean=np.array([0.0, 0.0, 0.0, 0.01, 0.0]),
                sd=np.array([5.0, 3.0, 3.0, 0.002, np.inf]),
                mean_of=(LENS_MEAN, "phone"),
            )
        )
    observations += [
        Prior(
            id="mean",
            key=(LENS_MEAN, "phone"),
            mean=np.array([3000.0, 2015.0, 1510.0, 0.0, 0.0]),
            sd=np.array([30.0, 10.0, 10.0, 0.05, 0.02]),
        ),
        TapeLength(id="T1", start="A", end="B", value=4.1, sd=0.004),
        RodHeight(id="R1", setup="S1", point="C", value=0.7, sd=0.0016),
        SlopeOfPlane(id="L1", plane="porch", value=0.4, sd=0.003),
        SlopeOfPlane(id="L2", plane="porch", value=0.3, sd=0.003, start="A", end="C"),
        OnSurface(id="O1", on=(PLANE, "porch"), point="A", value=0.01, sd=0.003),
        OnSurface(id="O2", on=(TARGET, "south"), point="A", value=0.4, sd=0.01),
        SpotOnPlane(
            id="S1",
            plane="porch",
            point="E",
            origin="A",
            direction="B",
            along=1.2,
            up=0.8,
            sd=0.006,
        ),
        LevelEdge(id="LE", start="A", end="B", sd=0.006),
        PlumbEdge(id="PE", start="E", end="A", sd=0.002),
        TargetMount(id="M1", target="north", axis="normal", is_level=True, sd=0.009),
        TargetMount(id="M2", target="north", axis="x", is_level=True, sd=0.009),
        TargetMount(id="M3", target="south", axis="normal", is_level=False, sd=0.009),
        TargetOnPlane(
            id="TP", target="north", plane="wall", thickness=0.01, tilt_sd=0.009, thickness_sd=0.002
        ),
        Elevation(id="BM", point="A", value=2.5, sd=0.0),
        SameElevation(id="W1", point="C", level="ring", sd=0.003),
        EdgeAngle(id="EA1", first=("A", "B"), second=("B", "C"), value=np.pi / 2, sd=0.01),
        EdgeAngle(id="EA2", first=("A", "B"), second=("C", "D"), value=0.0, sd=0.01),
    ]
    return observations


def random_network(rng: np.random.Generator) -> Network:
    """All of them, seen by two cameras with fixed tangential terms."""
    prior = CameraPrior(
        size_px=(4000, 3000),
        focal=3000.0,
        focal_sd=30.0,
        centre=(2000.0, 1500.0),
        centre_sd=10.0,
        p1=0.0007,
        p2=-0.0004,
        k3=0.01,
    )
    return Network(observations=every_kind(rng), cameras={"one": prior, "two": prior})
