"""Faults in words: what is wrong, by how much, and what to do about it."""

from __future__ import annotations

import math

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.faults import MOVED, FaultModel
from survey.adjustment.model import (
    LENS,
    LENS_MEAN,
    PLANE,
    POINT,
    PRINT_SCALE,
    TARGET,
    Array,
    Key,
    Network,
    OnSurface,
    PlaneParameters,
    Pose,
    Prior,
    State,
    TargetMount,
    TargetOnPlane,
)
from survey.findings import Finding, Severity
from survey.units import format_angle, format_length

OVERHANG_STEPS = {"us": (4 * 0.0254, 8 * 0.0254), "metric": (0.1, 0.2)}  # metres
SURE = 3.0  # sds by which a departure must show to be named
CURES = {
    "print-scale-contradicted": "measure the printed check lines again, or tape one length between "
    "marked points",
    "target-tilted": "check that the target lies flat against its surface, or leave its plane out",
    "target-mounting-wrong": "check the target with a bubble, or leave out how it was mounted",
    "target-moved": "if it was moved between photos, declare it under two names",
    "lens-contradicted": "was the photo cropped, zoomed, or taken with another lens of the phone? "
    "Use the original file, or calibrate the camera",
    "edge-off-plane": "declare how far the edge stands off the plane (overhang, gutter)",
    "target-not-flat": "put the target on a rigid flat backing",
}


def fault_finding(
    network: Network, model: FaultModel, solution: AdjustedNetwork, *, alone: bool
) -> Finding:
    """Name a fault that explains the visit.

    Parameters
    ----------
    network : Network
        As built, with what the fault makes untrue.
    model : FaultModel
    solution : AdjustedNetwork
        Adjusted without it.
    alone : bool
        Whether no other fault explains the visit as well.
    """
    words = {
        "print-scale-contradicted": _print_scale,
        "target-tilted": _tilt,
        "target-mounting-wrong": _mounting,
        "target-moved": _moved,
        "lens-contradicted": _lens,
        "edge-off-plane": _off_plane,
    }
    what = model.words or words[model.code](network, model, solution)
    trusted = "its corners were corrected" if model.parameters else "that was not used"
    doubt = f"; {trusted}" if alone else "; or another of the faults named here explains it"
    return Finding(model.code, Severity.CHECK, _where(model), f"{what}{doubt}", CURES[model.code])


def shows(network: Network, model: FaultModel, solution: AdjustedNetwork) -> bool:
    """Whether a fault comes out larger than what was declared allows, and than chance makes it.

    Parameters
    ----------
    network : Network
        As built, with what the fault makes untrue.
    model : FaultModel
    solution : AdjustedNetwork
        Adjusted without it.
    """
    if any((TARGET, target) not in solution.state for target in _boards(model)):
        return False  # not placed, so nothing is known of it
    match model.code:
        case "print-scale-contradicted":
            change, sd = _print_change(network, model, solution)
            return abs(change) > SURE * sd
        case "edge-off-plane":
            return bool(_points_off(network, model, solution))
        case "lens-contradicted":
            return float(_lens_departures(network, model, solution)[2].max()) > SURE
    return True


def _boards(model: FaultModel) -> tuple[str, ...]:
    """Targets that a fault is about."""
    if model.code in ("lens-contradicted", "edge-off-plane"):
        return ()
    return model.subjects or (model.subject.split(" in ")[0],)


def _where(model: FaultModel) -> str:
    several = "targets" if model.subjects else "target"
    kind = {"lens-contradicted": "lens of", "edge-off-plane": "plane"}.get(model.code, several)
    return f"{kind} {model.subject}"


def _prior(network: Network, key: Key) -> Prior:
    return next(o for o in network.observations if isinstance(o, Prior) and o.key == key)


def _print_scale(network: Network, model: FaultModel, solution: AdjustedNetwork) -> str:
    change, sd = _print_change(network, model, solution)
    word = "larger" if change > 0 else "smaller"
    size = f"{abs(change):.1%} (give or take {1.96 * sd:.1%}) {word}"
    if model.subjects:
        return f"targets {model.subject} are all {size} than their check lines were said to measure"
    return f"target {model.subject} is {size} than its check lines were said to measure"


def _print_change(
    network: Network, model: FaultModel, solution: AdjustedNetwork
) -> tuple[float, float]:
    """How much larger a print is than it was said to measure, relative, and the sd of that."""
    key = (PRINT_SCALE, (*model.subjects, model.subject)[0])
    found = np.asarray(solution.state[key])
    change = float(np.mean(found / _prior(network, key).mean)) - 1.0
    return change, float(np.sqrt(solution.covariance([key]).trace() / 2))


def _tilt(network: Network, model: FaultModel, solution: AdjustedNetwork) -> str:
    tie = next(
        o
        for o in network.observations
        if isinstance(o, TargetOnPlane) and o.target == model.subject
    )
    pose, plane = _pose(solution.state, tie.target), solution.state[(PLANE, tie.plane)]
    assert isinstance(plane, PlaneParameters)
    cosine = float(np.clip(pose.rotation[:, 2] @ plane.normal, -1, 1))
    off = float(plane.normal @ pose.translation) + plane.offset - tie.thickness
    return (
        f"target {tie.target} does not lie on {tie.plane} as declared: it is tilted by "
        f"{format_angle(math.acos(cosine))} and stands {_length(network, off)} off it"
    )


def _mounting(network: Network, model: FaultModel, solution: AdjustedNetwork) -> str:
    pose = _pose(solution.state, model.subject)
    off = 0.0
    for mount in network.observations:
        if isinstance(mount, TargetMount) and mount.target == model.subject:
            sine = abs(float(pose.rotation[2, 2 if mount.axis == "normal" else 0]))
            angle = math.asin(min(sine, 1.0)) if mount.is_level else math.acos(min(sine, 1.0))
            off = max(off, angle)
    return f"target {model.subject} hangs {format_angle(off)} from how it was said to be mounted"


def _moved(network: Network, model: FaultModel, solution: AdjustedNetwork) -> str:
    target = model.subject.split(" in ")[0]
    here, there = _pose(solution.state, target), _pose(solution.state, target + MOVED)
    away = float(np.linalg.norm(here.translation - there.translation))
    photo = model.subject.split(" in ")[1]
    return (
        f"target {target} hung {_length(network, away)} from where the other photos show it when "
        f"{photo} was taken"
    )


def _lens(network: Network, model: FaultModel, solution: AdjustedNetwork) -> str:
    found, believed, off = _lens_departures(network, model, solution)
    part = int(np.argmax(off))
    if part == 0:
        what = f"the focal length is {found[0] / believed[0]:.2f} times what the file says"
    elif part < 3:
        shift = float(np.hypot(*(found - believed)[1:3]))
        what = f"the optical centre lies {shift:.0f} px from the middle, as after a crop"
    else:
        what = f"the distortion (k1) is {found[3]:.3f}, not {believed[3]:.3f}"
    return f"the lens of {model.subject} is not what it was taken for: {what}"


def _lens_departures(
    network: Network, model: FaultModel, solution: AdjustedNetwork
) -> tuple[Array, Array, Array]:
    """Found and believed lens (5,), and by how many of the stated sds its first four differ."""
    key: Key = (LENS_MEAN, model.subject)
    if key not in solution.state:
        key = (LENS, model.subject)
    prior = _prior(network, key)
    believed = np.asarray(prior.mean, dtype=float)
    if prior.mean_of is not None:
        believed = believed + np.asarray(solution.state[prior.mean_of])
    found = np.asarray(solution.state[key], dtype=float)
    return found, believed, (np.abs(found - believed) / np.asarray(prior.sd))[:4]


def _off_plane(network: Network, model: FaultModel, solution: AdjustedNetwork) -> str:
    named = ", ".join(_points_off(network, model, solution)) or "marked points"
    return f"not every marked edge of {model.subject} lies in its plane: off it stand {named}"


def _points_off(network: Network, model: FaultModel, solution: AdjustedNetwork) -> list[str]:
    """Name the marked points of a plane that stand off it, each with its distance."""
    off = []
    for tie in network.observations:
        if not isinstance(tie, OnSurface) or tie.on != (PLANE, model.subject):
            continue
        if (POINT, tie.point) not in solution.state or "#" in tie.point:
            continue
        distance, sd = _distance(solution, model.subject, tie.point)
        if abs(distance - tie.value) > SURE * sd:
            off.append(f"{tie.point} by {_length(network, distance - tie.value)}")
    return off


def _distance(solution: AdjustedNetwork, plane: str, point: str) -> tuple[float, float]:
    """Signed distance of a point from a plane, and its sd."""

    def function(state: State) -> Array:
        face = state[(PLANE, plane)]
        assert isinstance(face, PlaneParameters)
        return np.array([face.normal @ np.asarray(state[(POINT, point)]) + face.offset])

    value, covariance = solution.propagate(function, [(PLANE, plane), (POINT, point)])
    return float(value[0]), float(np.sqrt(covariance[0, 0]))


def _pose(state: State, target: str) -> Pose:
    pose = state[(TARGET, target)]
    assert isinstance(pose, Pose)
    return pose


def _length(network: Network, metres: float) -> str:
    return format_length(abs(metres), "metric" if network.units == "metric" else "us")


def overhang_findings(network: Network, solution: AdjustedNetwork) -> list[Finding]:
    """Say what the photos tell of edges whose distance off a wall plane nobody declared."""
    findings = []
    for edge, start, end, plane in network.overhangs:
        keys: list[Key] = [(PLANE, plane), (POINT, start), (POINT, end)]
        if any(key not in solution.state for key in keys):
            continue
        away = _viewing_distance(network, solution, plane, (start, end))
        if away is None:
            continue
        off = [_distance(solution, plane, point) for point in (start, end)]
        mean = float(np.mean([distance for distance, _ in off]))
        if max(sd for _, sd in off) < 0.1 * away * 0.1:
            if any(abs(distance) > SURE * sd for distance, sd in off):
                findings.append(_overhang_seen(network, edge, plane, mean, away))
        else:
            findings.append(_overhang_asked(network, edge, plane, away))
    return findings


def _viewing_distance(
    network: Network, solution: AdjustedNetwork, plane: str, points: tuple[str, str]
) -> float | None:
    """Median distance of a plane from the photos that show an edge, square to it, metres.

    A length `d` before a wall that is seen from `D` before it reads `d / (D - d)` long.
    """
    face = solution.state[(PLANE, plane)]
    assert isinstance(face, PlaneParameters)
    distances = []
    for o in network.observations:
        point, photo = getattr(o, "point", None), getattr(o, "photo", None)
        if point in points and photo is not None and ("camera", photo) in solution.state:
            camera = solution.state[("camera", photo)]
            assert isinstance(camera, Pose)
            distances.append(abs(float(face.normal @ camera.translation) + face.offset))
    return float(np.median(distances)) if distances else None


def _overhang_seen(network: Network, edge: str, plane: str, off: float, away: float) -> Finding:
    side = "before" if off > 0 else "behind"
    return Finding(
        "overhang-found",
        Severity.NOTE,
        edge,
        f"edge {edge} stands {_length(network, off)} {side} {plane}, found from the photos; taken "
        f"to lie in it, lengths along it would read {abs(off) / max(away - off, 1e-3):.1%} "
        f"{'long' if off > 0 else 'short'}",
        "declare its offset if you know it better",
    )


def _overhang_asked(network: Network, edge: str, plane: str, away: float) -> Finding:
    step, allowed = OVERHANG_STEPS["metric" if network.units == "metric" else "us"]
    return Finding(
        "overhang-not-declared",
        Severity.CHECK,
        edge,
        f"nobody said how far edge {edge} stands off {plane}: for every {_length(network, step)} "
        f"before it, lengths along it read {step / (away - step):.1%} long, and nothing in the "
        f"photos shows it; {_length(network, allowed)} is allowed for in the intervals",
        f"set the offset of {edge} (0 if it is flush), or take a second photo from another stand",
    )
