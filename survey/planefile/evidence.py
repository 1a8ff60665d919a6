"""What a plane file's figures stand on: photos, targets, observations, the adjustment itself."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from survey.adjustment.model import (
    CAMERA,
    PRINT_SCALE,
    Elevation,
    GravityLineInPhoto,
    LevelEdge,
    Network,
    Observation,
    PlumbEdge,
    RodHeight,
    SameElevation,
    SlopeOfPlane,
    SpotOnPlane,
    TapeLength,
    TargetCorners,
    TargetMount,
)
from survey.adjustment.solution import ObservationResult, Solution
from survey.figures import Figure
from survey.photo.model import Photo
from survey.planefile.values import Json, number, number_or_null, write_measured
from survey.target.model import Sighting, SightingProblem
from survey.visit.model import ForeignBoard, SheetBoard, TargetSpec, Visit

# What tells the adjustment which way is down, and how large a metre is, in the user's words.
GRAVITY_KINDS: dict[type[Observation], tuple[str, str]] = {
    GravityLineInPhoto: ("plumb or level line in a photo", "plumb or level lines in photos"),
    LevelEdge: ("level edge", "level edges"),
    PlumbEdge: ("plumb edge", "plumb edges"),
    TargetMount: ("plumb or level target", "plumb or level targets"),
    RodHeight: ("rod reading", "rod readings"),
    SlopeOfPlane: ("slope reading", "slope readings"),
    Elevation: ("known elevation", "known elevations"),
    SameElevation: ("tide line point", "tide line points"),
}
SCALE_KINDS: dict[type[Observation], tuple[str, str]] = {
    TargetCorners: ("target in a photo", "targets in photos"),
    TapeLength: ("tape length", "tape lengths"),
    SpotOnPlane: ("taped spot", "taped spots"),
    RodHeight: ("rod reading", "rod readings"),
}
READING_UNITS = (TapeLength, RodHeight, SlopeOfPlane, Elevation)  # one value each


def write_frame(network: Network, solution: Solution) -> Json:
    """Return the site frame in words and what gravity and scale were observed by."""
    return {
        "axes": "x along the first edge of the first roof plane, z up, y completes the right hand; "
        "origin at the first corner of that plane",
        "gravity_observed": solution.gravity_observed,
        "gravity_by": _counted(network, GRAVITY_KINDS) if solution.gravity_observed else [],
        "scale_observed": solution.scale_observed,
        "scale_by": _counted(network, SCALE_KINDS) if solution.scale_observed else [],
    }


def write_photos(
    visit: Visit,
    photos: Sequence[Photo],
    sightings: Sequence[Sighting],
    problems: Sequence[SightingProblem],
    network: Network,
    solution: Solution,
) -> list[Json]:
    """Return the photo log, by name. Places (GPS) are never written."""
    in_network = {getattr(observation, "photo", None) for observation in network.observations}
    log = []
    for photo in sorted(photos, key=lambda photo: photo.name):
        tied = photo.name in in_network and (CAMERA, photo.name) in solution.state
        log.append(
            {
                "name": photo.name,
                "file": _relative(photo.path, visit.folder),
                "sha256": photo.sha256 or None,
                "format": photo.format,
                "taken_at": photo.taken_at,
                "camera": photo.make_model,
                "lens": photo.lens,
                "orientation": photo.orientation,
                "interior": _write_interior(photo),
                "used": tied,
                "not_used": "" if tied else _why_not(photo),
                "targets": _write_sightings(photo.name, sightings),
                "target_problems": [
                    {"code": p.code, "sentence": p.sentence, "target": p.target}
                    for p in problems
                    if p.photo == photo.name
                ],
                "marks": sum(mark.photo == photo.name for mark in visit.marks),
                "warnings": [
                    {"code": code, "sentence": sentence} for code, sentence in photo.warnings
                ],
            }
        )
    return log


def write_targets(visit: Visit, solution: Solution) -> list[Json]:
    """Return the targets as declared, with their adjusted print scale."""
    return [_write_target(target, solution) for target in visit.targets]


def write_observations(network: Network, solution: Solution) -> list[Json]:
    """Return every observation with its residual, by id."""
    declared = {observation.id: observation for observation in network.observations}
    results = sorted(solution.observations, key=lambda result: result.id)
    return [_write_observation(result, declared.get(result.id)) for result in results]


def write_adjustment(solution: Solution) -> Json:
    """Return the adjustment's statistics and what it could not fix."""
    statistics = solution.statistics
    return {
        "rows": statistics.rows,
        "unknowns": statistics.unknowns,
        "degrees_of_freedom": statistics.degrees_of_freedom,
        "variance_factor": number_or_null(statistics.variance_factor, "1"),
        "lower": number_or_null(statistics.lower, "1"),
        "upper": number_or_null(statistics.upper, "1"),
        "kinds": [
            {"kind": kind, "variance_factor": number_or_null(factor, "1")}
            for kind, factor in statistics.kinds
        ],
        "iterations": statistics.iterations,
        "defects": [{"what": defect.what, "cure": defect.cure} for defect in solution.defects],
    }


def _counted(network: Network, kinds: dict[type[Observation], tuple[str, str]]) -> list[str]:
    """Return how many observations of each kind there are: ``"2 level edges"``."""
    counts = Counter(type(observation) for observation in network.observations)
    return [
        f"{counts[kind]} {one if counts[kind] == 1 else many}"
        for kind, (one, many) in kinds.items()
        if counts[kind]
    ]


def _relative(path: Path, folder: Path) -> str:
    """Return a photo's path inside the visit folder, with forward slashes."""
    try:
        return path.relative_to(folder).as_posix()
    except ValueError:
        return f"photos/{path.name}"


def _why_not(photo: Photo) -> str:
    if photo.refused:
        return photo.refused
    return (
        "nothing ties it to the others: no usable target was found in it, and it shows too few "
        "points marked elsewhere"
    )


def _write_interior(photo: Photo) -> Json | None:
    camera = photo.camera
    if camera is None:
        return None
    return {
        "size_px": list(camera.size_px),
        "focal_px": number(camera.focal, "px"),
        "focal_sd_px": number(camera.focal_sd, "px"),
        "source": camera.source,
    }


def _write_sightings(photo: str, sightings: Sequence[Sighting]) -> list[Json]:
    seen = [sighting for sighting in sightings if sighting.photo == photo]
    return [
        {
            "target": sighting.target,
            "corners": len(sighting.corners_px),
            "coverage": number(sighting.coverage, "1"),
            "module_px": number(sighting.module_px, "px"),
            "blur_px": number(sighting.blur_px, "px"),
        }
        for sighting in sorted(seen, key=lambda sighting: sighting.target)
    ]


def _write_target(target: TargetSpec, solution: Solution) -> Json:
    return {
        "name": target.name,
        "board": _board_in_words(target.board),
        "across": number_or_null(target.across),
        "down": number_or_null(target.down),
        "plane": target.plane,
        "thickness": number(target.thickness),
        "plumb": target.plumb,
        "level": target.level,
        "flat": target.flat,
        "print_scale": _print_scale(target.name, solution),
    }


def _print_scale(target: str, solution: Solution) -> list[Json] | None:
    """Return printed over nominal size along the board's x and y, or None if it was not seen."""
    key = (PRINT_SCALE, target)
    if key not in solution.state:
        return None
    scale = np.asarray(solution.state[key], dtype=np.float64)
    variances = np.diagonal(solution.covariance([key]))
    return [
        write_measured(Figure(float(value), math.sqrt(max(float(variance), 0.0)), "1"))
        for value, variance in zip(scale, variances, strict=True)
    ]


def _board_in_words(board: SheetBoard | ForeignBoard) -> str:
    if isinstance(board, SheetBoard):
        return f"sheet {board.code}"
    return f"{board.kind}, {board.dictionary}, {board.columns} x {board.rows}"


def _write_observation(result: ObservationResult, declared: Observation | None) -> Json:
    unit = result.unit
    read = getattr(declared, "value", None) if isinstance(declared, READING_UNITS) else None
    return {
        "id": result.id,
        "kind": result.kind,
        "where": result.where,
        "rows": result.rows,
        "unit": unit,
        "read": number_or_null(read, unit),
        "residual": number_or_null(result.residual, unit),
        "sd": number_or_null(result.sd, unit),
        "standardised": number_or_null(result.standardised, "1"),
        "redundancy": number_or_null(result.redundancy, "1"),
        "detectable": number_or_null(result.detectable, unit),
        "used": result.used,
        "likely_value": number_or_null(result.likely_value, unit),
    }
