"""Rank defects in the user's words: which point, plane or photo nothing fixes, and what would.

The free combinations of unknowns, less those of the datum, are told apart by where they live: first
what one unknown does alone with all others standing still (a point on its ray), then parts of the
site that nothing ties to the rest, then whatever remains.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.equations_base import keys_of
from survey.adjustment.fit import Fit
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
    Array,
    EdgeInPhoto,
    Elevation,
    Key,
    LevelEdge,
    Observation,
    OnSurface,
    PointInPhoto,
    RodHeight,
    SameElevation,
    TapeLength,
    TargetCorners,
)
from survey.adjustment.rank import FREE, Datum, connected_parts
from survey.adjustment.solution import Defect
from survey.adjustment.wording import listed, name_of

LIVES = 1e-3  # share of a free combination that an unknown must hold to be named for it
HEIGHT_ONLY = (RodHeight, Elevation, LevelEdge, SameElevation)
NAMED_AT_MOST = 6
RANK = {CAMERA: 0, TARGET: 1, PLANE: 2, SETUP: 3, WATER_LEVEL: 4, POINT: 5}


def find_defects(system: System, fit: Fit, datum: Datum) -> tuple[Defect, ...]:
    """Name what the readings in use leave free beside the datum.

    Parameters
    ----------
    system : System
    fit : Fit
    datum : Datum
        Of the largest part of the site.
    """
    used = fit.choice.used[system.group]
    around = _observations_by_key(system, used)
    defects = [_of_one(key, left) for key, left in _missing(system).items()]
    free = fit.free.basis.copy()
    free[_height_only_columns(system, fit, around)] = 0.0
    free = _without(free, np.zeros((len(free), 0)))
    parts = connected_parts(system, used)
    home = set(parts[0]) if parts else set()
    free, lone = _lone_unknowns(system, fit, free, datum.directions)
    defects += [_of_one(key, around.get(key, [])) for key in lone]
    for part in parts[1:]:
        inside = _columns(system, part)
        held = np.linalg.norm(free[inside]) > LIVES
        if held and any(key[0] in (CAMERA, TARGET, PLANE) for key in part):
            defects.append(_untied(part))
        free[inside] = 0.0
    free = _without(free, np.zeros((len(free), 0)))
    rest = _holders(system, free)
    rest = [key for key in rest if key in home or key[0] not in RANK]
    if free.shape[1] and rest:
        defects.append(_of_several(rest))
    return tuple(defects)


def _observations_by_key(system: System, used: np.ndarray) -> dict[Key, list[Observation]]:
    """Observations in use that touch each unknown."""
    around: dict[Key, list[Observation]] = {}
    for index in np.unique(system.observation[used]):
        observation = system.observations[index]
        for key in keys_of(observation):
            around.setdefault(key, []).append(observation)
    return around


def _missing(system: System) -> dict[Key, list[Observation]]:
    """Unknowns without a starting value, with the observations left out for it."""
    missing: dict[Key, list[Observation]] = {}
    for observation in system.left_out:
        for key in keys_of(observation):
            if key not in system.unknowns.row:
                missing.setdefault(key, []).append(observation)
    return missing


def _height_only_columns(
    system: System, fit: Fit, around: dict[Key, list[Observation]]
) -> np.ndarray:
    """Untouched columns of points that only rods and levels know: no plan position is meant."""
    columns = []
    for key, observations in around.items():
        if key[0] == POINT and key in system.unknowns.first_column:
            own = system.unknowns.columns(key)
            if all(isinstance(o, HEIGHT_ONLY) for o in observations):
                columns.extend(own[fit.normal.untouched[own]])
    return np.array(columns, dtype=np.int64)


def _columns(system: System, keys: Iterable[Key]) -> np.ndarray:
    """Mask (size,) of the columns of some unknowns."""
    inside = np.zeros(system.unknowns.size, dtype=bool)
    for key in keys:
        inside[system.unknowns.columns(key)] = True
    return inside


def _without(basis: Array, taken: Array) -> Array:
    """Orthonormal basis of what is left of `basis` beside the directions `taken`."""
    if taken.shape[1]:
        basis = basis - taken @ (taken.T @ basis)
    left, singular, _ = np.linalg.svd(basis, full_matrices=False)
    return np.asarray(left[:, singular > LIVES], dtype=float)


def _lone_unknowns(system: System, fit: Fit, free: Array, known: Array) -> tuple[Array, list[Key]]:
    """Find unknowns that can move alone, and what is left of the free combinations without them.

    `known` (size, k) spans combinations that are accounted for already.
    """
    lone: list[Key] = []
    size = system.unknowns.size
    everything, free = free, _without(free, known)
    for key in _holders(system, free):
        own = system.unknowns.columns(key)
        touching = np.any(np.isin(system.columns, own), axis=1) & (fit.weights > 0)
        rows = np.flatnonzero(touching)
        slopes = np.zeros((len(rows), len(own)))
        for i, column in enumerate(own):
            slopes[:, i] = np.sum(
                np.where(fit.normal.index[rows] == column, fit.normal.slopes[rows], 0.0), axis=1
            )
        eigenvalues, vectors = np.linalg.eigh(slopes.T @ slopes)
        moves = vectors[:, eigenvalues < FREE]
        if moves.shape[1] == 0:
            continue
        taken = np.zeros((size, moves.shape[1]))
        taken[own] = moves
        # Untouched columns that are no defect (a tide point's place) were zeroed before.
        inside = np.linalg.norm(everything.T @ taken, axis=0) > 0.99
        taken = taken[:, inside & (np.linalg.norm(free.T @ taken, axis=0) > LIVES)]
        if taken.shape[1] == 0:
            continue
        lone.append(key)
        known = np.linalg.qr(np.concatenate([known, taken], axis=1))[0]
        free = _without(everything, known)
        if free.shape[1] == 0:
            break
    return free, lone


def _holders(system: System, free: Array) -> list[Key]:
    """Unknowns that take part in the free combinations, the largest kind first."""
    if free.shape[1] == 0:
        return []
    share = np.sum(free**2, axis=1)
    holders = [
        key for key in system.unknowns.keys if share[system.unknowns.columns(key)].sum() > LIVES**2
    ]
    return sorted(holders, key=lambda key: (RANK.get(key[0], 9), key))


def _of_one(key: Key, around: list[Observation]) -> Defect:
    """Name an unknown that nothing fixes though all else stands."""
    kind, name = key
    photos = {o.photo for o in around if isinstance(o, PointInPhoto | EdgeInPhoto | TargetCorners)}
    match kind:
        case "point":
            return Defect((key,), *_point(name, around, photos))
        case "plane":
            points = sum(isinstance(o, OnSurface) for o in around)
            return Defect(
                (key,),
                f"plane '{name}' is not fixed: {_count(points, 'point')} of it "
                f"{'is' if points == 1 else 'are'} known",
                f"mark or read three points of '{name}' that are not on one line",
            )
        case "camera":
            return Defect(
                (key,),
                f"photo '{name}' can't be placed: it shows too little that other photos show",
                "mark three or more points in it that are known from other photos, or keep a "
                "target in view",
            )
        case "target":
            return Defect(
                (key,),
                f"target '{name}' can't be placed",
                f"take one photo that shows target '{name}' and its surroundings",
            )
        case "setup":
            return Defect(
                (key,),
                f"set-up '{name}' has no reading on a point of known elevation",
                "read the rod on a point that another set-up or a photo knows",
            )
    if kind in (LENS, LENS_MEAN, PRINT_SCALE):
        return Defect(
            (key,),
            f"{name_of(key)} is not fixed",
            "measure the printed check lines, or use a calibrated camera",
        )
    return Defect((key,), f"{name_of(key)} is not fixed", "take one more reading of it")


def _point(name: str, around: list[Observation], photos: set[str]) -> tuple[str, str]:
    """Say what is missing for a point, and the cure."""
    planes = {o.on[1] for o in around if isinstance(o, OnSurface)}
    tapes = sum(isinstance(o, TapeLength) for o in around)
    marks = {o.photo for o in around if isinstance(o, PointInPhoto)}
    if len(marks) == 1 and not planes:
        return (
            f"point '{name}' is marked in one photo only ({marks.pop()}) and lies on no declared "
            "plane",
            "mark it in a second photo, or declare the plane it lies on",
        )
    if len(marks) == 1:
        return (
            f"point '{name}' is marked in one photo only ({marks.pop()}), along the plane "
            f"{listed(sorted(planes))} it lies on",
            "mark it in a second photo taken from elsewhere",
        )
    if not photos and tapes:
        return (
            f"point '{name}' is fixed by {_count(tapes, 'taped length')} only",
            "mark it in two photos, or tape it from two more known points",
        )
    if not photos and planes:
        return (
            f"point '{name}' is marked in no photo and has no place on {listed(sorted(planes))}",
            "mark it in a photo, or give its taped place on the plane",
        )
    return (
        f"point '{name}' is not fixed by what was marked and read",
        "mark it in two photos taken from different places",
    )


def _untied(part: list[Key]) -> Defect:
    """Name a part of the site that nothing ties to the rest."""
    shown = sorted(part, key=lambda key: (RANK[key[0]], key))
    first = [key for key in shown if key[0] == shown[0][0]][:NAMED_AT_MOST]
    return Defect(
        tuple(shown),
        f"{listed([name_of(key) for key in first])} "
        f"{'is' if len(first) == 1 else 'are'} not tied to the rest of the visit",
        "mark three or more points that the other photos show too, or take a photo that shows "
        "targets of both",
    )


def _of_several(keys: list[Key]) -> Defect:
    """Name unknowns that can only move together."""
    shown = keys[:NAMED_AT_MOST]
    more = f" and {len(keys) - len(shown)} more" if len(keys) > len(shown) else ""
    kinds = {key[0] for key in keys}
    if CAMERA in kinds:
        cure = "mark more points that two or more of these photos share, or show a target in each"
    elif PLANE in kinds:
        cure = "mark or read three points of the plane that are not on one line"
    else:
        cure = "take one more reading or mark that ties them together"
    return Defect(
        tuple(keys),
        f"{listed([name_of(key) for key in shown])}{more} are not fixed against each other"
        if len(keys) > 1
        else f"{name_of(keys[0])} is not fixed",
        cure,
    )


def _count(number: int, noun: str) -> str:
    words = {0: "no", 1: "one", 2: "two"}
    return f"{words.get(number, str(number))} {noun}{'' if number == 1 else 's'}"
