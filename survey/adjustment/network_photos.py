"""Observations that photos bring by themselves: lenses, targets, how the targets were put up."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from survey.adjustment.model import (
    LENS,
    LENS_MEAN,
    PRINT_SCALE,
    Array,
    Observation,
    Prior,
    TargetCorners,
    TargetMount,
    TargetOnPlane,
)
from survey.findings import Finding, Severity
from survey.photo.model import CameraPrior
from survey.target import print_scale
from survey.target.model import Sighting
from survey.visit.model import PlaneKind, PlaneSpec, TargetSpec, Visit

# How a lens moves from shot to shot: a stabiliser shifts the principal point as a turn of 0.1 deg
# would; focusing changes the focal length by 0.06 % at 10 m and 0.6 % at 1 m (thin lens, 5.7 mm).
SHOT_TURN = math.radians(0.1)
SHOT_FOCAL = 0.001  # relative
SHOT_K1, SHOT_K2 = 0.001, 0.0005
WIDE_FOCAL_SD = 0.05  # relative; above it a lens counts as unknown
TILT_ON_PLANE = math.radians(0.5)  # board against the surface it lies on; common practice
# What a corner's own pixels can't tell: the print and its paper depart from the drawn layout, and a
# camera sharpens, denoises and compresses what it saw. Common practice.
PAPER_SD = 0.0001  # m
PROCESSING_SD_PX = 0.06
LENS_FLOOR = np.array([1e-3, 1e-3, 1e-3, 1e-9, 1e-9])  # px, px, px, 1, 1: a sd of 0 means "held"


def observe_lenses(
    cameras: Mapping[str, CameraPrior],
) -> tuple[list[Observation], list[Finding]]:
    """Priors of every photo's lens, tied to a mean where photos share one camera and lens."""
    groups: dict[tuple[object, ...], list[str]] = defaultdict(list)
    for photo, camera in cameras.items():
        groups[(camera.key or photo, camera.size_px, camera.focal, camera.source)].append(photo)
    observations: list[Observation] = []
    unsure: dict[tuple[str, str], list[str]] = {}  # by how well known and from what
    names: set[str] = set()
    for photos in groups.values():
        camera = cameras[photos[0]]
        mean, sd, shot = _lens_values(camera)
        if camera.focal_sd > WIDE_FOCAL_SD * camera.focal:
            share = f"{100 * camera.focal_sd / camera.focal:.0f} %"
            unsure.setdefault((share, camera.source), []).extend(photos)
        if len(photos) == 1:
            both = np.hypot(sd, shot)
            observations.append(_lens_prior(photos[0], mean, both))
            continue
        name = camera.key or photos[0]
        while name in names:
            name += "'"
        names.add(name)
        observations.append(
            Prior(
                id=f"camera {name}",
                where=f"lens of {name} ({camera.source})",
                key=(LENS_MEAN, name),
                mean=mean,
                sd=sd,
            )
        )
        for photo in photos:
            observations.append(_lens_prior(photo, np.zeros(5), shot, (LENS_MEAN, name)))
    return observations, [_wide_focal(photos, *known) for known, photos in unsure.items()]


def _lens_values(camera: CameraPrior) -> tuple[Array, Array, Array]:
    """Mean, sd of the camera's lens and sd of one shot about it: focal, centre, k1, k2."""
    mean = np.array([camera.focal, *camera.centre, camera.k1, camera.k2])
    sd = np.array([camera.focal_sd, camera.centre_sd, camera.centre_sd, camera.k1_sd, camera.k2_sd])
    turn = SHOT_TURN * camera.focal
    shot = np.array([SHOT_FOCAL * camera.focal, turn, turn, SHOT_K1, SHOT_K2])
    return mean, np.maximum(sd, LENS_FLOOR), np.minimum(shot, np.maximum(sd, LENS_FLOOR))


def _lens_prior(
    photo: str, mean: Array, sd: Array, mean_of: tuple[str, str] | None = None
) -> Prior:
    where = f"lens of {photo}"
    return Prior(
        id=f"lens {photo}", where=where, key=(LENS, photo), mean=mean, sd=sd, mean_of=mean_of
    )


def _wide_focal(photos: Sequence[str], share: str, source: str) -> Finding:
    whose = "the focal length of this lens" if len(photos) == 1 else "their focal lengths"
    known = f"{whose} {'is' if len(photos) == 1 else 'are'} known to {share} only"
    told = "nothing in the file tells it" if source == "none" else f"from: {source}"
    return Finding(
        "focal-length-unsure",
        Severity.CHECK,
        ", ".join(photos),
        f"{known} ({told}), so a crop, zoom or unknown lens can't be told from distance",
        "use the original file as the phone stored it, or calibrate the camera once",
    )


def observe_targets(
    visit: Visit, sightings: Sequence[Sighting]
) -> tuple[list[Observation], list[Finding]]:
    """Corners of the targets seen, their print scales, and how they were put up."""
    observations: list[Observation] = []
    findings: list[Finding] = []
    planes = {plane.name: plane for plane in visit.planes}
    seen = {sighting.target for sighting in sightings}
    for spec in visit.targets:
        if spec.name not in seen:
            findings.append(_not_seen(spec))
            continue
        mean, sd = print_scale(spec)
        observations.append(
            Prior(
                id=f"print scale {spec.name}",
                where=f"print scale of target {spec.name}",
                key=(PRINT_SCALE, spec.name),
                mean=np.array(mean),
                sd=np.array(sd),
            )
        )
        observations += _mounting(spec, planes)
        findings += _target_findings(spec)
    declared = {spec.name for spec in visit.targets}
    for sighting in sightings:
        if sighting.target in declared:
            observations.append(
                TargetCorners(
                    id=f"target {sighting.target} in {sighting.photo}",
                    where=f"target {sighting.target} in {sighting.photo}",
                    photo=sighting.photo,
                    target=sighting.target,
                    corners_target=sighting.corners_target,
                    corners_px=sighting.corners_px,
                    sd_px=corner_sds(sighting),
                )
            )
    return observations, findings


def corner_sds(sighting: Sighting) -> Array:
    """Add up what pixels, print and processing leave unknown of corners: (n,) sds, pixels.

    The scale of the photo at the board comes from the spread of its corners, in pixels and metres.
    """
    spread_px, spread = (
        math.sqrt(math.sqrt(max(np.linalg.det(np.cov(corners.T)), 0.0)))
        for corners in (sighting.corners_px, sighting.corners_target)
    )
    paper_px = PAPER_SD * spread_px / spread if spread > 0.0 else 0.0
    extra = math.hypot(PROCESSING_SD_PX, paper_px)
    sds: Array = np.hypot(sighting.sd_px, extra)
    return sds


def _mounting(spec: TargetSpec, planes: Mapping[str, PlaneSpec]) -> list[Observation]:
    where = f"mounting of target {spec.name}"
    mounts: list[Observation] = []
    if spec.flat and not (spec.plumb or spec.level):
        kinds = (("flat", "normal", False),)
    else:
        told = (("plumb", "normal", spec.plumb), ("level", "x", spec.level))
        kinds = tuple((word, axis, True) for word, axis, is_told in told if is_told)  # type: ignore[assignment]
    for word, axis, is_level in kinds:
        mounts.append(
            TargetMount(
                id=f"{word} {spec.name}",
                where=where,
                target=spec.name,
                axis=axis,
                is_level=is_level,
                sd=spec.mount_sd,
            )
        )
    plane = planes.get(spec.plane or "")
    if plane is not None:
        # A board bridges local dips and rests on what stands up, so it departs less than a rod.
        field_sd = plane.flatness_sd
        if plane.kind is PlaneKind.ROOF:
            field_sd = max(field_sd, plane.sag_sd / 2)
        mounts.append(
            TargetOnPlane(
                id=f"{spec.name} on {plane.name}",
                where=f"target {spec.name} on plane {plane.name}",
                target=spec.name,
                plane=plane.name,
                thickness=spec.thickness,
                tilt_sd=_tilt_on_plane(spec),
                thickness_sd=field_sd,
            )
        )
    return mounts


def _tilt_on_plane(spec: TargetSpec) -> float:
    """Return how far a board's face may lean against its plane: told, where nothing else is."""
    by_bubble = spec.plumb or spec.level or spec.flat
    return TILT_ON_PLANE if by_bubble else spec.mount_sd


def _not_seen(spec: TargetSpec) -> Finding:
    return Finding(
        "target-not-seen",
        Severity.NOTE,
        spec.name,
        f"target {spec.name} was put up but found in no photo that can be used",
        "take a photo nearer to it, or remove it from the visit",
    )


def _target_findings(spec: TargetSpec) -> list[Finding]:
    findings = []
    if spec.across is None and spec.down is None:
        findings.append(
            Finding(
                "print-scale-not-measured",
                Severity.CHECK,
                spec.name,
                f"nobody measured the check lines of target {spec.name} after printing, so every "
                "length that rests on it carries 3 % (one standard deviation)",
                "measure both check lines on the print and enter them in the visit",
            )
        )
    if spec.plane is None and not (spec.plumb or spec.level or spec.flat):
        findings.append(
            Finding(
                "target-mounting-not-told",
                Severity.NOTE,
                spec.name,
                f"the visit does not tell what target {spec.name} lies on or whether it is plumb, "
                "level or flat",
                "name its plane, or say how it was mounted",
            )
        )
    return findings
