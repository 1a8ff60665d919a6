"""Drainage of every roof plane of a visit."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from survey.drainage.corners import judge_by_corners
from survey.drainage.domain import build_domain, plane_frame
from survey.drainage.evidence import Soundings
from survey.drainage.fittings import step_lines
from survey.drainage.model import PlaneDrainage
from survey.drainage.reading_layout import (
    FEWEST_READINGS,
    FINEST_CELL,
    average_close,
    fix_a_plane,
    join,
    reading_spacing,
)
from survey.drainage.sampled import Case, judge_by_sampling
from survey.drainage.slope_readings import add_slope_readings
from survey.drainage.string_lines import add_string_offsets
from survey.drainage.tide_lines import TideLine, tide_lines_of
from survey.figures import NotObserved
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import PlaneKind, Visit

Array = npt.NDArray[np.float64]

SURFACES = 300
CORNER_LEVEL_SD = 0.01  # m, common to the corners where they stand in for readings; own judgement
ROUNDING_SD = 1e-4  # m, kept in every reading so that copies of one reading stay solvable


def derive_drainage(
    planes: PlaneSet,
    visit: Visit,
    *,
    seed: int = 1,
    minimum_slopes: Mapping[str, float | None] | None = None,
    surfaces: int = SURFACES,
    tide_lines: Sequence[TideLine] = (),
    breaks: Mapping[str, Sequence[Array]] | None = None,
) -> tuple[PlaneDrainage, ...]:
    """Say of each roof plane where water would stand, how surely, and where it leaves.

    Parameters
    ----------
    planes : PlaneSet
        Measured planes with the readings taken in their fields.
    visit : Visit
        Its outlets, penetrations and tide lines are used.
    seed : int
        Of the random numbers; the same input and seed give the same result.
    minimum_slopes : mapping from plane name to m/m, optional
        Minimum slope of the covering intended; None where no minimum is known.
    surfaces : int
        How many surfaces are drawn.
    tide_lines : sequence of TideLine
        Water edges known otherwise than by marks in photos.
    breaks : mapping from plane name to (2, 2) arrays, optional
        Lines across which the surface may step (a lap, a patch) besides the visit's own, plane
        frame.

    Returns
    -------
    tuple of PlaneDrainage
        One for each roof plane, in order.
    """
    minimums = minimum_slopes or {}
    steps = breaks or {}
    return tuple(
        _drain_plane(
            plane,
            planes,
            visit,
            seed,
            minimums.get(plane.spec.name),
            surfaces,
            tuple(line for line in tide_lines if line.plane == plane.spec.name),
            tuple(np.asarray(line, dtype=float) for line in steps.get(plane.spec.name, ())),
        )
        for plane in planes.planes
        if plane.spec.kind is PlaneKind.ROOF
    )


def _drain_plane(
    plane: MeasuredPlane,
    planes: PlaneSet,
    visit: Visit,
    seed: int,
    minimum: float | None,
    surfaces: int,
    tide_lines: tuple[TideLine, ...],
    breaks: tuple[Array, ...],
) -> PlaneDrainage:
    """Judge one roof plane by what its readings can carry."""
    name = plane.spec.name
    mine = [i for i, reading in enumerate(planes.readings) if reading.plane == name]
    gap = _gap(plane, planes)
    if gap:
        return _not_judged(name, len(mine), gap)
    breaks = (*breaks, *step_lines(plane, planes, visit))
    rng_seed = (seed, zlib.crc32(name.encode()))
    lines = (*tide_lines, *tide_lines_of(plane, planes, visit, plane_frame(plane)))
    few = len(mine) < FEWEST_READINGS
    soundings, names = _corner_soundings(plane) if few else _soundings(planes, mine, breaks)
    read = soundings.places
    if not few and not fix_a_plane(read):
        soundings = join(soundings, _corner_soundings(plane)[0])
    soundings = average_close(soundings)
    soundings, levels = add_slope_readings(soundings, plane, planes, visit, plane_frame(plane))
    soundings, strung, told = add_string_offsets(
        soundings, plane, planes, visit, plane_frame(plane)
    )
    read = np.vstack([read, strung])
    if few and not lines and levels + len(strung) < FEWEST_READINGS:
        return judge_by_corners(plane, planes, visit, minimum, len(mine), rng_seed, surfaces)
    spacing = reading_spacing(soundings.places if few else read)
    domain = build_domain(plane, planes, visit, cell=min(FINEST_CELL, spacing / 4))
    case = Case(
        plane=plane,
        planes=planes,
        visit=visit,
        domain=domain,
        soundings=soundings,
        names=names,
        spacing=spacing,
        minimum=minimum,
        tide_lines=lines,
    )
    judged = judge_by_sampling(case, rng_seed, surfaces)
    return replace(judged, notes=(*judged.notes, *told))


def _gap(plane: MeasuredPlane, planes: PlaneSet) -> str:
    """Return why nothing can be said of water on a plane, or an empty text."""
    if not planes.gravity_observed:
        return "gravity is not observed, so nothing tells where is up"
    names = zip(plane.spec.outline, plane.outline, strict=True)
    missing = [name for name, corner in names if not np.isfinite(corner).all()]
    if missing:
        return f"the place of {', '.join(missing)} is not fixed, so its outline is not known"
    if plane.gradient is None:
        return "which way it falls is not fixed"
    return ""


def _soundings(
    planes: PlaneSet, mine: list[int], breaks: tuple[Array, ...]
) -> tuple[Soundings, tuple[str, ...]]:
    """Return the readings of one plane with their covariance, and their names."""
    places = np.array([planes.readings[i].uv for i in mine])
    heights = np.array([planes.readings[i].height for i in mine])
    covariance = planes.readings_covariance[np.ix_(mine, mine)]
    covariance = covariance + np.eye(len(mine)) * ROUNDING_SD**2
    soundings = Soundings(places, heights, covariance, breaks)
    return soundings, tuple(planes.readings[i].point for i in mine)


def _corner_soundings(plane: MeasuredPlane) -> tuple[Soundings, tuple[str, ...]]:
    """Stand-in readings at the corners that carry the plane's fall and its covariance."""
    assert plane.gradient is not None and plane.gradient_covariance is not None
    plan = plane.outline[:, :2] - plane.outline[:, :2].mean(axis=0)
    covariance = plan @ plane.gradient_covariance @ plan.T
    covariance = covariance + np.eye(len(plan)) * plane.spec.flatness_sd**2
    covariance = covariance + CORNER_LEVEL_SD**2
    heights = plane.outline[:, 2].mean() + plan @ plane.gradient
    return Soundings(plane.outline_plane, heights, covariance), ()


def _not_judged(name: str, readings: int, why: str) -> PlaneDrainage:
    """Say why nothing can be said of water on a plane."""
    gap = NotObserved(why, "take a rod or slope reading on the plane")
    return PlaneDrainage(name, (), None, (), gap, None, readings, why)
