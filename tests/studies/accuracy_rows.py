"""The situations of the accuracy study, how one visit of each is judged, and its bound."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from survey.adjustment.adjust import adjust, with_edge_departures
from survey.adjustment.derivation import differentiate
from survey.adjustment.equations import compile_network
from survey.adjustment.fit import factorise
from survey.adjustment.model import (
    CAMERA,
    LENS,
    LENS_MEAN,
    PLANE,
    POINT,
    PRINT_SCALE,
    TARGET,
    PlaneParameters,
    Pose,
)
from survey.adjustment.network import build_network
from survey.adjustment.partition import choose_partition
from survey.adjustment.rank import is_estimable
from survey.errors import NotEnoughObserved
from survey.figures import Figure
from survey.findings import Severity
from survey.geometry import fit_plane, polygon_area_vector
from survey.planes import derive_planes
from survey.visit.model import PointMark
from tests.scenes.houses import (
    NEAR_END,
    OBLIQUE_12,
    SQUARE_10,
    Fault,
    Stand,
    arc,
    front_visit,
    porch_visit,
    rake_visit,
)
from tests.scenes.making import Scene

DIGITAL_LEVEL = float(np.radians(0.1))  # one sd
BEDDED = float(np.radians(0.1))  # one sd of a stiff board against the roof it lies on
LENGTH, AREA, RAKE, PITCH = "length", "area", "rake pitch", "pitch"
RELATIVE = (LENGTH, AREA)  # judged in percent; pitches in rise in 12


@dataclass(frozen=True)
class Row:
    """One situation. `goals` are 95 % goals: percent for lengths and areas, else rise in 12."""

    name: str
    make: Callable[[np.random.Generator], Scene]
    goals: dict[str, float] = field(default_factory=dict)
    may_refuse: bool = False


def square_on(rng: np.random.Generator, near: float, far: float) -> tuple[Stand, ...]:
    distance = rng.uniform(near, far)
    return (Stand((6.0, -distance, 1.6), (6.0, 0.0, 2.4)),)


def _oblique(rng: np.random.Generator) -> tuple[Stand, ...]:
    return (OBLIQUE_12,) if rng.uniform() < 0.5 else (NEAR_END,)


def _ground(rng: np.random.Generator) -> tuple[Stand, ...]:
    return arc(int(rng.integers(3, 6)))


ROWS = (
    Row(
        "one ground photo square on, 9.5-12 m, marks",
        lambda rng: front_visit(rng, stands=square_on(rng, 9.5, 12)),
        {LENGTH: 0.8, AREA: 1.6, RAKE: 0.06},
    ),
    Row(
        "the same, 15 m",
        lambda rng: front_visit(rng, stands=square_on(rng, 15, 15)),
        {LENGTH: 1.0, AREA: 2.0, RAKE: 0.06},
    ),
    Row(
        "the same without marks, 0.2 m target, where the pose flips",
        lambda rng: front_visit(
            rng,
            stands=square_on(rng, 10, 15),
            side=0.2,
            board="marker",
            marks=False,
            mounted=False,
        ),
        {},
        may_refuse=True,
    ),
    Row(
        "two targets near the ends, 10-15 m",
        lambda rng: front_visit(rng, stands=square_on(rng, 10, 15), targets=2),
        {LENGTH: 0.4, AREA: 0.8},
    ),
    Row(
        "one photo 35 degrees oblique or near end, marks",
        lambda rng: front_visit(rng, stands=_oblique(rng)),
        {LENGTH: 2.0},
    ),
    Row(
        "one photo 35 degrees oblique or near end, two targets",
        lambda rng: front_visit(rng, stands=_oblique(rng), targets=2),
        {LENGTH: 1.0},
    ),
    Row(
        "three to five ground photos, one target",
        lambda rng: front_visit(rng, stands=_ground(rng)),
        {LENGTH: 0.5},
    ),
    Row(
        "three to five ground photos, two targets",
        lambda rng: front_visit(rng, stands=_ground(rng), targets=2),
        {LENGTH: 0.25},
    ),
    Row("rake pitch from the side at 6 m, marks", rake_visit, {RAKE: 0.06}),
    Row(
        "porch from 1 ladder photo",
        lambda rng: porch_visit(rng, photos=1),
        {PITCH: 0.25, AREA: 1.8},
    ),
    Row(
        "porch from 1 ladder photo, stiff board bedded within 0.1 degree",
        lambda rng: porch_visit(rng, photos=1, mount=BEDDED),
        {PITCH: 0.25, AREA: 1.8},
    ),
    Row(
        "porch from 3 ladder photos",
        lambda rng: porch_visit(rng, photos=3),
        {PITCH: 0.12, AREA: 0.9},
    ),
    Row("porch from 5 ladder photos", lambda rng: porch_visit(rng, photos=5), {PITCH: 0.08}),
    Row(
        "porch from 1 ladder photo and one digital-level reading",
        lambda rng: porch_visit(rng, photos=1, slope_sd=DIGITAL_LEVEL),
        {PITCH: 0.04},
    ),
)


FAULTS = {
    "print 1 % large": Fault(print_scale=1.01),
    "print 5 % small": Fault(print_scale=0.95),
    "focal 5 % longer": Fault(focal=1.05),
    "zoom 1.5 times, not told": Fault(focal=1.5),
    "13 mm lens taken for 26 mm": Fault(focal=0.5),
    "crop, 300 px off centre": Fault(centre=300.0),
    "distortion off by 0.1": Fault(k1=0.1),
    "board tilted 1 degree": Fault(tilt=float(np.radians(1.0))),
    "board tilted 3 degrees": Fault(tilt=float(np.radians(3.0))),
    "board bowed 10 mm": Fault(bow=0.01),
    "eave 0.4 m before the wall": Fault(overhang=0.4),
}
FAULT_VISITS = {
    "square on, 10 m": {"stands": (SQUARE_10,)},
    "35 degrees oblique": {"stands": (OBLIQUE_12,)},
    "near end": {"stands": (NEAR_END,)},
    "oblique, two targets": {"stands": (OBLIQUE_12,), "targets": 2},
    "oblique, one taped check": {"stands": (OBLIQUE_12,), "tapes": (("A", "B"),)},
    "three photos": {"stands": arc(3)},
}


def fault_row(fault: str, visit: str) -> Row:
    """A front with one fault nobody knows of."""
    return Row(
        f"{fault}: {visit}",
        lambda rng: front_visit(rng, fault=FAULTS[fault], **FAULT_VISITS[visit]),
    )


def judge_visit(row: Row, rng: np.random.Generator) -> dict:
    """Measure one visit and hold every figure against the truth and the bound."""
    scene = row.make(rng)
    while not all_in_the_picture(scene):  # whoever takes the photo steps aside and tries again
        scene = row.make(rng)
    begin = time.process_time()
    network = build_network(scene.visit, scene.photos, scene.sightings)
    try:
        solution = adjust(network)
    except NotEnoughObserved:
        return {"refused": True, "seconds": time.process_time() - begin, "figures": {}}
    planes = derive_planes(solution, scene.visit)
    seconds = time.process_time() - begin
    figures = {}
    for name, (function, keys, truth) in asked(scene).items():
        measured = reported(name, planes)
        result = {"truth": truth, "bound_sd": bound(network, scene, solution, function, keys)}
        if isinstance(measured, Figure):
            result |= {"value": measured.value, "half_width": measured.half_width}
        figures[name] = result
    return {
        "refused": False,
        "seconds": seconds,
        "figures": figures,
        "alternatives": len(solution.alternatives),
        "findings": sorted({f.code for f in solution.findings if f.severity is not Severity.NOTE}),
    }


def all_in_the_picture(scene: Scene) -> bool:
    """Whether every corner of the plane is marked in some photo."""
    (plane,) = scene.visit.planes
    marked = {mark.point for mark in scene.visit.marks if isinstance(mark, PointMark)}
    return set(plane.outline) <= marked


def asked(scene: Scene) -> dict:
    """The figures of a scene: function of the state, its keys, true value."""
    world = scene.world
    (plane,) = scene.visit.planes
    corners = [(POINT, name) for name in plane.outline]
    eave = ("A", "B") if plane.name == "front" else ("E1", "E2")
    rake = {"front": ("A", "P"), "side": ("L", "U")}.get(plane.name)
    wanted = {}
    if plane.name != "side":
        ends = [(POINT, name) for name in eave]
        wanted[LENGTH] = (_length(*ends), ends, world.distance(*eave))
        wanted[AREA] = (_area(corners), corners, world.area(plane.outline))
    if rake:
        ends = [(POINT, name) for name in rake]
        wanted[RAKE] = (_slope(*ends), ends, world.slope(*rake))
    else:
        key = (PLANE, plane.name)
        wanted[PITCH] = (_pitch(key), [key], world.pitch(plane.outline))
    return wanted


def _length(a, b):
    return lambda state: np.array([np.linalg.norm(state[b] - state[a])])


def _slope(a, b):
    def slope(state):
        step = state[b] - state[a]
        return np.array([abs(step[2]) / np.hypot(step[0], step[1])])

    return slope


def _area(keys):
    return lambda state: np.array(
        [np.linalg.norm(polygon_area_vector(np.array([state[key] for key in keys])))]
    )


def _pitch(key):
    def pitch(state):
        normal = state[key].normal
        return np.array([np.hypot(normal[0], normal[1]) / abs(normal[2])])

    return pitch


def reported(name: str, planes):
    """What the program reports under that name."""
    (plane,) = planes.planes
    edges = {edge.edge.name: edge for edge in plane.edges}
    edges |= {edge.edge.name: edge for edge in planes.edges}
    match name:
        case "length":
            return (edges.get("eave line") or edges["porch eave"]).length
        case "rake pitch":
            return (edges.get("left rake") or edges["rake"]).slope
        case "area":
            return plane.area
        case _:
            return plane.pitch


def true_state(scene: Scene, found: dict) -> dict:
    """The scene's truth on the unknowns that the program adjusted."""
    world = scene.world
    lenses = {name: np.array([c.focal, *c.centre, c.k1, c.k2]) for name, c in scene.cameras.items()}
    state = {}
    for key, parameter in found.items():
        kind, name = key
        if kind == POINT and name in world.points:
            state[key] = world.points[name]
        elif kind == CAMERA:
            state[key] = Pose(scene.cameras[name].axes, scene.cameras[name].position)
        elif kind == LENS:
            state[key] = lenses[name]
        elif kind == LENS_MEAN:
            state[key] = np.mean(list(lenses.values()), axis=0)
        elif kind == TARGET and name in world.boards:
            state[key] = Pose(world.boards[name].axes, world.boards[name].centre)
        elif kind == PRINT_SCALE and name in world.boards:
            state[key] = np.array(world.boards[name].scale)
        elif kind == PLANE:
            spec = next(plane for plane in scene.visit.planes if plane.name == name)
            normal, offset, _ = fit_plane(np.array([world.points[p] for p in spec.outline]))
            state[key] = PlaneParameters(normal, offset)
        else:
            state[key] = parameter
    return state


def bound(network, scene: Scene, solution, function, keys) -> float:
    """Cramer-Rao bound of one figure at the true state, with all stated sds and priors; its sd."""
    state = true_state(scene, solution.best.state)
    system, full = compile_network(with_edge_departures(network, state), state)
    values = system.unknowns.pack(full)
    _, derivatives = system.linearise(values)
    weights = 1.0 / system.sd**2
    partition = choose_partition(system, derivatives, weights)
    normal, factor, free = factorise(system, partition, derivatives, weights)
    line = differentiate(function, keys, full, system.unknowns)
    gradient = line.derivatives * normal.scale
    if not is_estimable(gradient, free)[0]:
        return float("inf")
    return float(np.sqrt(gradient[0] @ factor.solve(gradient[0])))
