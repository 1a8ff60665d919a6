"""Choosing the calibration that belongs to a photo, and turning and scaling it to its pixels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from survey.errors import InputError, Problem
from survey.photo.calibration_file import read_calibration
from survey.photo.camera import NO_ZOOM, camera_key
from survey.photo.exif import ExifFacts
from survey.photo.framing import Warnings
from survey.photo.model import Calibration, CameraPrior
from survey.photo.orientation import turn_direction, turn_point, turn_size
from survey.visit.model import Visit

CALIBRATED_FOCAL_SD = 0.001  # of the focal length, at best: it changes from shot to shot
STABILISER_TURN = math.radians(0.1)  # hand tremor that a lens stabiliser follows
USUAL_LENS_FOCAL = 0.006  # m; main cameras of phones; common practice
SAME_LENS = 0.01  # of the lens's focal length
OTHER_LENS_SDS = 4.0  # a calibration further than this from the Exif prior is another lens's
TIGHT = 0.1  # of the focal length; a wider Exif prior contradicts nothing
MOST_TIMES = 4  # largest whole ratio of picture sizes that is taken for binning or halving


@dataclass(frozen=True, slots=True)
class AssignedCalibration:
    """A calibration with the camera it is declared for (None: whatever the file says)."""

    calibration: Calibration
    file: str
    model: str | None = None
    lens: str | None = None


def read_calibrations(visit: Visit) -> tuple[AssignedCalibration, ...]:
    """Read the calibration files that a visit names.

    Raises
    ------
    InputError
        With the problems of all files.
    """
    assigned: list[AssignedCalibration] = []
    problems: list[Problem] = []
    for entry in visit.calibrations:
        try:
            calibration = read_calibration(visit.folder / entry.file)
        except InputError as error:
            problems += error.problems
            continue
        assigned.append(
            AssignedCalibration(
                calibration,
                entry.file,
                entry.model or calibration.model,
                entry.lens or calibration.lens,
            )
        )
    if problems:
        raise InputError.of(problems)
    return tuple(assigned)


def choose_calibration(
    calibrations: Sequence[AssignedCalibration],
    facts: ExifFacts,
    size_px: tuple[int, int],
    orientation: int,
    name: str,
    by_exif: CameraPrior,
) -> tuple[CameraPrior | None, Warnings]:
    """Camera prior from the calibration that belongs to a photo, if one does.

    Parameters
    ----------
    calibrations : sequence of AssignedCalibration
    facts : ExifFacts
    size_px : (int, int)
        Width and height as stored.
    orientation : int
    name : str
    by_exif : CameraPrior
        What the Exif fields alone give; a calibration far from it is another lens's.

    Returns
    -------
    prior : CameraPrior or None
    warnings : tuple of (code, sentence)
        Why a calibration of the same camera was not used.
    """
    reasons: list[tuple[str, str]] = []
    for assigned in calibrations:
        if assigned.model is not None and not _is_model(assigned.model, facts):
            continue
        reason = _why_not(assigned, facts, size_px)
        if reason is None:
            prior = calibrated_prior(
                assigned.calibration,
                size_px,
                orientation,
                key=camera_key(facts, size_px, orientation, name, shared=True),
            )
            reason = _contradiction(assigned, prior, by_exif)
            if reason is None:
                return prior, ()
        reasons.append(reason)
    return None, tuple(reasons)


def calibrated_prior(
    calibration: Calibration, size_px: tuple[int, int], orientation: int, *, key: str = ""
) -> CameraPrior:
    """Camera prior for the upright picture from a calibration of the stored one.

    Parameters
    ----------
    calibration : Calibration
    size_px : (int, int)
        Stored size of the photo: the calibration's, or it by a whole ratio, or with its sides
        swapped (a program turned it, either way: the centre is then known less well).
    orientation : int
        What turns the stored picture upright.

    Notes
    -----
    The centre of the top-left pixel is (0, 0), so scaling by s takes x to s (x + 1/2) - 1/2.
    Tangential distortion is a vector: with p = (p2, p1) it moves x by 2 (p . x) x + r2 p, which
    turns as any direction does. Focal length at the roof against that at the board differs by
    lens focal / board distance (thin lens), which is added to its sd.
    """
    ratio = _size_ratio(calibration.size_px, size_px)
    assert ratio is not None, "the photo's size does not go with the calibration"
    centre = (
        (calibration.centre[0] + 0.5) * ratio - 0.5,
        (calibration.centre[1] + 0.5) * ratio - 0.5,
    )
    centre_sd = max(calibration.centre_sd) * ratio
    k1, k2, p1, p2, k3 = calibration.distortion
    if _is_swapped(calibration.size_px, size_px):
        # Turned by a quarter, one way or the other: both ways agree in the mean, the middle.
        middle = (size_px[0] - 1) / 2, (size_px[1] - 1) / 2
        off_centre = math.dist(centre, middle[::-1])
        centre, centre_sd = middle, math.hypot(centre_sd, off_centre)
        p1 = p2 = 0.0
    focal = calibration.focal * ratio
    focusing = (calibration.lens_focal or USUAL_LENS_FOCAL) / calibration.distance
    p2, p1 = turn_direction((p2, p1), orientation)
    return CameraPrior(
        size_px=turn_size(size_px, orientation),
        focal=focal,
        focal_sd=math.hypot(
            calibration.focal_sd * ratio, CALIBRATED_FOCAL_SD * focal, focusing * focal
        ),
        centre=turn_point(centre, size_px, orientation),
        centre_sd=math.hypot(centre_sd, STABILISER_TURN * focal),
        k1=k1,
        k1_sd=calibration.distortion_sd[0],
        k2=k2,
        k2_sd=calibration.distortion_sd[1],
        p1=p1,
        p2=p2,
        k3=k3,
        source="calibration",
        key=key,
    )


def _is_model(model: str, facts: ExifFacts) -> bool:
    """Whether a calibration's camera is the photo's, by model with or without its make."""
    wanted = " ".join(model.split()).casefold()
    return wanted in {(name or "").casefold() for name in (facts.make_model, facts.model)}


def _why_not(
    assigned: AssignedCalibration, facts: ExifFacts, size_px: tuple[int, int]
) -> tuple[str, str] | None:
    """Reason why a calibration of this camera can't be used for this photo, or None."""
    calibration, file = assigned.calibration, assigned.file
    if facts.zoom > NO_ZOOM:
        return (
            "calibration-not-used",
            f"{file} was not used because the photo has digital zoom; take it without zoom",
        )
    lens = _lens_contradiction(assigned, facts)
    if lens is not None:
        return (
            "calibration-other-lens",
            f"{file} was not used because {lens}; calibrate that lens too",
        )
    if _size_ratio(calibration.size_px, size_px) is None:
        width, height = calibration.size_px
        return (
            "calibration-other-size",
            f"{file} was not used because it is for {width} x {height} pixels and the photo has "
            f"{size_px[0]} x {size_px[1]}; use the original, or calibrate at that size",
        )
    return None


def _lens_contradiction(assigned: AssignedCalibration, facts: ExifFacts) -> str | None:
    """Say how the photo's lens differs from the calibration's, or None when it does not.

    Phones change lens without changing their model, so a lens that is named must be met.
    """
    calibration = assigned.calibration
    if calibration.lens_focal and facts.focal:
        if abs(facts.focal / calibration.lens_focal - 1) > SAME_LENS:
            return (
                f"it is for a lens of {calibration.lens_focal * 1e3:g} mm and the photo was taken "
                f"with {facts.focal * 1e3:g} mm"
            )
        if not (assigned.lens and facts.lens):
            return None
    if assigned.lens is None:
        if calibration.lens_focal and facts.focal is None and assigned.model is not None:
            return "the photo does not say which lens took it"
        return None
    if facts.lens is None:
        return "the photo does not say which lens took it"
    if " ".join(assigned.lens.split()).casefold() != facts.lens.casefold():
        return f'it is for lens "{assigned.lens}" and the photo was taken with "{facts.lens}"'
    return None


def _contradiction(
    assigned: AssignedCalibration, prior: CameraPrior, by_exif: CameraPrior
) -> tuple[str, str] | None:
    """Refuse a calibration that the photo's own focal length contradicts."""
    if by_exif.focal_sd > TIGHT * by_exif.focal:
        return None
    if abs(prior.focal - by_exif.focal) <= OTHER_LENS_SDS * by_exif.focal_sd:
        return None
    return (
        "calibration-other-lens",
        f"{assigned.file} was not used because its focal length of {prior.focal:.0f} px is far "
        f"from the {by_exif.focal:.0f} px that the photo states; calibrate that lens",
    )


def _size_ratio(calibrated: tuple[int, int], size_px: tuple[int, int]) -> float | None:
    """Scale from the calibrated picture to this one: 1, whole, or one over whole; None: neither.

    Sides are compared by length, so that a picture turned by a program is known again.
    """
    long, short = max(size_px), min(size_px)
    calibrated_long, calibrated_short = max(calibrated), min(calibrated)
    for times in range(1, MOST_TIMES + 1):
        if (long, short) == (calibrated_long * times, calibrated_short * times):
            return float(times)
        # Halving an odd side may round either way.
        if (
            abs(long * times - calibrated_long) < times
            and abs(short * times - calibrated_short) < times
        ):
            return 1.0 / times
    return None


def _is_swapped(calibrated: tuple[int, int], size_px: tuple[int, int]) -> bool:
    return (calibrated[0] > calibrated[1]) != (size_px[0] > size_px[1])
