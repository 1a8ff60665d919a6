"""Observations and unknowns in the user's words."""

from __future__ import annotations

from collections.abc import Sequence

from survey.adjustment.equations_base import keys_of
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
    EdgeInPhoto,
    Elevation,
    GravityLineInPhoto,
    Key,
    Observation,
    OnSurface,
    PointInPhoto,
    Prior,
    RodHeight,
    SlopeOfPlane,
    SpotOnPlane,
    TapeLength,
    TargetCorners,
    TargetMount,
    TargetOnPlane,
)

NAMES = {
    CAMERA: "photo",
    LENS: "the lens of",
    LENS_MEAN: "the camera",
    TARGET: "target",
    PRINT_SCALE: "the print size of target",
    POINT: "point",
    PLANE: "plane",
    SETUP: "set-up",
    WATER_LEVEL: "tide line",
}


def name_of(key: Key) -> str:
    """Name an unknown: "point 'P7'"."""
    return f"{NAMES[key[0]]} '{key[1]}'"


def describe(observation: Observation) -> str:
    """Name an observation in the user's words."""
    match observation:
        case TapeLength(start=a, end=b):
            return f"the tape from {a} to {b}"
        case RodHeight(setup=setup, point=point):
            return f"the rod on {point} (set-up {setup})"
        case SlopeOfPlane(plane=plane):
            return f"the slope reading on {plane}"
        case Elevation(point=point):
            return f"the elevation of {point}"
        case PointInPhoto(photo=photo, point=point):
            return f"the mark of {point} in {photo}"
        case EdgeInPhoto(photo=photo, start=a, end=b):
            return f"the edge {a}-{b} marked in {photo}"
        case GravityLineInPhoto(photo=photo, direction=direction):
            return f"the {direction} line marked in {photo}"
        case OnSurface(on=on, point=point):
            return f"that {point} lies on {on[0]} {on[1]}"
        case SpotOnPlane(plane=plane, point=point):
            return f"the taped place of {point} on {plane}"
        case TargetMount(target=target, axis=axis, is_level=level):
            if axis == "normal":
                return f"that target {target} hangs plumb" if level else f"that {target} lies flat"
            return f"that target {target} hangs level"
        case TargetOnPlane(target=target, plane=plane):
            return f"that target {target} lies on {plane}"
        case TargetCorners(target=target, photo=photo):
            return f"target {target} in {photo}"
        case Prior(key=key):
            if key[0] == PRINT_SCALE:
                return f"the measured size of target {key[1]}"
            if key[0] in (LENS, LENS_MEAN):
                return f"what is known of the lens ({key[1]})"
            return f"what is stated of {name_of(key)}"
    names = " and ".join(name for kind, name in keys_of(observation) if kind == POINT)
    return observation.where or f"{type(observation).__name__} of {names}"


def listed(names: Sequence[str]) -> str:
    """Join names: "a", "a and b", "a, b and c"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
