"""A hand-made plane file: photos, network and solution around the porch of tests.rules.made."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from survey.adjustment.model import (
    CAMERA,
    PRINT_SCALE,
    LevelEdge,
    Network,
    Pose,
    SlopeOfPlane,
    TapeLength,
    TargetCorners,
)
from survey.adjustment.solution import Defect, ObservationResult, Statistics
from survey.findings import Finding, Severity
from survey.photo.model import CameraPrior, Photo
from survey.planefile import PlaneFile, assemble
from survey.planes.model import FieldReading, PlaneSet
from survey.rules import judge
from survey.target.model import Sighting, SightingProblem
from survey.visit.model import OutlineMark, SheetBoard, TargetSpec, Visit
from tests.rules.made import (
    a_curb,
    a_drain,
    a_full_drainage,
    a_plane_set,
    a_visit,
    an_overflow,
    slope,
)

CORNERS = np.array([[0.0, 0.0], [0.1, 0.0], [0.1, 0.1], [0.0, 0.1]])


STATISTICS = Statistics(
    40, 25, 15, 1.1, 0.42, 1.83, (("tape length", 1.0), ("point mark", float("nan"))), 6
)


@dataclass
class MadeSolution:
    """A solution with the fields that a plane file reads."""

    state: dict[Any, Any] = field(default_factory=dict)
    observations: tuple[ObservationResult, ...] = ()
    statistics: Statistics = STATISTICS
    defects: tuple[Defect, ...] = ()
    findings: tuple[Finding, ...] = ()
    gravity_observed: bool = True
    scale_observed: bool = True

    def covariance(self, keys: Any) -> Any:
        return np.diag([1e-6, 4e-6])

    def propagate(self, function: Any, keys: Any) -> Any:
        raise NotImplementedError

    def derive(self, function: Any, keys: Any) -> Any:
        value = function(self.state)
        none = np.zeros(len(value))
        return SimpleNamespace(
            value=value, sd=none, estimable=none == 0.0, observed_by=(), coverage_factor=none + 1.96
        )

    def is_estimable(self, function: Any, keys: Any) -> bool:
        return True

    def observed_by(self, function: Any, keys: Any) -> tuple[str, ...]:
        return ()


def photos() -> tuple[Photo, ...]:
    """Return one photo that was used and one that was refused, out of order."""
    camera = CameraPrior((4032, 3024), 3028.6, 30.0, (2015.5, 1511.5), 10.0, source="exif")
    refused = Photo("b.jpg", Path("somewhere/photos/b.jpg"), "", "", None, refused="it is empty")
    used = Photo(
        "a.jpg",
        Path("somewhere/photos/a.jpg"),
        "0" * 64,
        "JPEG",
        camera,
        orientation=6,
        taken_at="2025-05-06 10:00:00",
        make_model="Invented One",
        warnings=(("cropped", "it was cropped after it was taken"),),
    )
    return refused, used


def a_network() -> Network:
    """Return a network of a few observations."""
    return Network(
        observations=[
            TargetCorners(
                id="target T in a.jpg", photo="a.jpg", target="T", corners_target=CORNERS,
                corners_px=CORNERS, sd_px=np.ones(4),
            ),
            TapeLength(
                id="T1", where="readings.csv line 2", start="A", end="B", value=6.0, sd=0.003
            ),
            SlopeOfPlane(id="R1", where="readings.csv line 3", plane="porch", value=0.02, sd=0.002),
            LevelEdge(id="level front", start="A", end="B", sd=0.006),
        ],
        findings=[
            Finding("focal-length-unsure", Severity.NOTE, "a.jpg", "its focal length is unsure")
        ],
    )  # fmt: skip


def results() -> tuple[ObservationResult, ...]:
    """Return residuals, out of order, one reading unchecked and one set aside."""
    return (
        ObservationResult(
            "T1", "tape length", "tape T1, readings.csv line 2", 1, "m", 0.0012, 0.003, 0.4, 0.6,
            0.012, True,
        ),
        ObservationResult(
            "R1", "slope reading", "slope R1, readings.csv line 3", 1, "rad", 0.09, 0.0026, 30.0,
            0.9, float("inf"), False, 0.0204,
        ),
    )  # fmt: skip


def the_parts(**changes: Any) -> dict[str, Any]:
    """Return everything that `assemble` takes, by name; `changes` replace parts."""
    visit: Visit = changes.pop("visit", None) or a_visit(
        outlets=(a_drain(), an_overflow()),
        penetrations=(a_curb(),),
        targets=(TargetSpec("T", SheetBoard("letter-1"), across=0.25),),
        marks=(OutlineMark("O1", "a.jpg", "hail 1", "damage", "porch", ((1.0, 2.0), (3.0, 4.0))),),
    )
    planes: PlaneSet = changes.pop("planes", None) or a_plane_set(
        visit,
        slope(0.24),
        readings=(FieldReading("G1", "porch", (3.0, 1.0), 0.02),),
        readings_covariance=np.array([[4e-6]]),
    )
    drainage = changes.pop("drainage", None) or (a_full_drainage(),)
    parts = {
        "visit": visit,
        "photos": photos(),
        "sightings": (Sighting("a.jpg", "T", CORNERS, CORNERS, np.ones(4), 6.5, 1.2, 0.8),),
        "sighting_problems": (
            SightingProblem("a.jpg", "too small", "board U is too small to use in a.jpg"),
        ),
        "network": a_network(),
        "solution": MadeSolution(
            state={
                (CAMERA, "a.jpg"): Pose(np.eye(3), np.zeros(3)),
                (PRINT_SCALE, "T"): np.array([1.001, 0.999]),
            },
            observations=results(),
            defects=(Defect((), "nothing fixes 'X'", "tape it"),),
        ),
        "planes": planes,
        "drainage": drainage,
        "judgement": judge(visit, planes, drainage),
    }
    return parts | changes


def a_plane_file(**changes: Any) -> PlaneFile:
    """Return the porch as a plane file."""
    return assemble(**the_parts(**changes))
