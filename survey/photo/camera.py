"""Camera prior of a photo from its Exif fields: focal length, centre, distortion, each with an sd.

Focal length in pixels is the 35 mm equivalent times the image's diagonal over the diagonal of the
36 x 24 mm frame (CIPA DCG-001). Its standard deviation has named parts, combined in quadrature:

========== ====================================================== =========================
maker       specimen, focusing, in-camera correction                1 %; common practice
rounding    the field is whole millimetres (Exif 2.32): 0.289 mm    1.1 % at 26 mm
definition  some makers count by width; 4 % less on a 4:3 frame     1.2 %: one maker in ten
framing     crop, resize, digital zoom                              as found
========== ====================================================== =========================

At 26 mm on 4:3 that is 1.9 %, so the 95 % interval just reaches the other definition.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from survey.photo.exif import ExifFacts
from survey.photo.framing import UNKNOWN_FOCAL_SD, Framing, Warnings, judge_framing
from survey.photo.model import CameraPrior
from survey.photo.orientation import turn_size

FRAME_DIAGONAL = math.hypot(0.036, 0.024)  # m; the 36 x 24 mm frame, 43.2666 mm
FRAME_WIDTH = 0.036  # m
MAKER_SD = 0.01  # of the focal length; common practice
ROUNDING_SD = 0.001 / math.sqrt(12)  # m; whole millimetres, uniform (JCGM 100, 4.3.7)
BY_WIDTH_SHARE = 0.1  # of makers; own judgement
SIBLING_SD = 0.01  # of the focal length, when the ratio comes from another photo; own judgement
ZOOM_SD = 0.03  # of the focal length; zoom ratios are stated coarsely; own judgement
NO_ZOOM = 1.005  # a stated ratio below this is none
USUAL_FOCAL_35 = 0.026  # m; main cameras of phones, 24 to 28 mm; common practice
SENSOR_RATIO = (0.9, 15.0)  # 35 mm equivalent over focal length that a camera can have
PHONE_FOCAL = 0.030  # m; longest lens of a phone, own judgement
PHONE_SENSOR = (0.0040, 0.0175)  # m; diagonals of phone sensors, 1/4 to 1 inch type
CORNER_DISTORTION = 0.015  # of the radius at the corner; phones correct theirs; own judgement
SHARED_FOCAL_SD = 0.25  # a camera known no better is not taken for the same as another
UNKNOWN_K1_SD = 0.05
UNKNOWN_K2_SD = 0.02

ABSURD = "its metadata hold values no camera has ({fields}), which were left out"
NO_FOCAL = (
    "its metadata give no usable focal length (apps that send photos strip it), so its lens is "
    "known only roughly; send the original file, or calibrate the camera"
)
ZOOMED = "taken with digital zoom ({zoom:g} x), so its lens is less certain; take it without zoom"
DISAGREE = (
    "its metadata give {focal:g} mm and a 35 mm equivalent of {equivalent:g} mm, which no camera "
    "has together, so its lens is known only roughly; calibrate the camera"
)


@dataclass(frozen=True, slots=True)
class _Focal:
    """35 mm equivalent focal lengths that the fields allow (metres), and how sure that is."""

    candidates: tuple[float, ...]
    sd: float  # relative
    source: str
    zoom: float = 1.0
    warnings: Warnings = ()


def derive_camera_prior(
    facts: ExifFacts,
    size_px: tuple[int, int],
    orientation: int,
    name: str,
    *,
    focal_ratio: float | None = None,
) -> tuple[CameraPrior, Warnings]:
    """Camera prior from what the photo says of itself.

    Parameters
    ----------
    facts : ExifFacts
    size_px : (int, int)
        Width and height as stored.
    orientation : int
        What turns the stored picture upright; the prior is for the upright one.
    name : str
        Photo, so that a picture of unknown make shares its camera with no other.
    focal_ratio : float, optional
        35 mm equivalent over focal length of the same camera and lens, seen in another photo.

    Returns
    -------
    prior : CameraPrior
        Never None: with nothing known it is that of a usual phone, 30 % wide.
    warnings : tuple of (code, sentence)
    """
    framing = judge_framing(facts, size_px)
    focal = _judge_focal(facts, focal_ratio)
    candidates = [
        equivalent * diagonal / FRAME_DIAGONAL
        for equivalent in focal.candidates
        for diagonal in framing.diagonals_px
    ]
    lowest, highest = min(candidates), max(candidates)
    value = (lowest + highest) / 2
    spread = (highest - lowest) / (highest + lowest)
    sd = math.hypot(focal.sd, framing.focal_sd, spread, _definition_sd(size_px))
    sd = min(sd, UNKNOWN_FOCAL_SD)
    upright = turn_size(size_px, orientation)
    k1_sd, k2_sd = _distortion_sd(value, math.hypot(*size_px), framing, focal)
    prior = CameraPrior(
        size_px=upright,
        focal=value,
        focal_sd=sd * value,
        centre=((upright[0] - 1) / 2, (upright[1] - 1) / 2),
        centre_sd=framing.centre_sd * focal.zoom,
        k1_sd=k1_sd,
        k2_sd=k2_sd,
        source=focal.source,
        key=camera_key(
            facts, size_px, orientation, name, shared=framing.tight and sd < SHARED_FOCAL_SD
        ),
    )
    return prior, focal.warnings + framing.warnings


def camera_key(
    facts: ExifFacts, size_px: tuple[int, int], orientation: int, name: str, *, shared: bool
) -> str:
    """Name the camera as set up for one photo: photos with one key share interior orientation.

    The orientation is part of it: turned photos have their lens centre elsewhere.
    """
    parts = [
        facts.make_model or "unknown camera",
        facts.lens or "unknown lens",
        f"{facts.focal * 1000:.2f} mm" if facts.focal else "",
        f"{facts.focal_35 * 1000:.0f} mm" if facts.focal_35 else "",
        f"zoom {facts.zoom:.2f}" if facts.zoom > NO_ZOOM else "",
        f"{size_px[0]} x {size_px[1]}",
        f"orientation {orientation}",
    ]
    if not shared or facts.make_model is None:
        parts.append(name)
    return ", ".join(part for part in parts if part)


def _judge_focal(facts: ExifFacts, focal_ratio: float | None) -> _Focal:
    """Choose the field that gives the focal length, and cross-check it with the others."""
    warnings: Warnings = ()
    if facts.absurd:
        warnings += (("absurd-metadata", ABSURD.format(fields=", ".join(facts.absurd))),)
    equivalent, source, extra = facts.focal_35, "exif 35 mm equivalent", 0.0
    if equivalent is None and facts.focal is not None and focal_ratio is not None:
        equivalent, source, extra = facts.focal * focal_ratio, "exif focal length", SIBLING_SD
    if equivalent is None:
        warnings += (("no-focal-length", NO_FOCAL),)
        return _Focal((USUAL_FOCAL_35,), UNKNOWN_FOCAL_SD, "none", 1.0, warnings)
    sd = math.hypot(MAKER_SD, ROUNDING_SD / equivalent, extra)
    zoom = facts.zoom if facts.zoom > NO_ZOOM else 1.0
    candidates: tuple[float, ...] = (equivalent,)
    if zoom > 1.0:
        candidates = _zoomed(equivalent, facts.focal, zoom)
        sd = math.hypot(sd, ZOOM_SD)
        warnings += (("zoomed", ZOOMED.format(zoom=zoom)),)
    lowest, highest = SENSOR_RATIO
    if facts.focal and not lowest <= equivalent / facts.focal <= highest * zoom:
        sd = UNKNOWN_FOCAL_SD
        sentence = DISAGREE.format(focal=facts.focal * 1000, equivalent=equivalent * 1000)
        warnings += (("focal-lengths-disagree", sentence),)
    return _Focal(candidates, sd, source, zoom, warnings)


def _zoomed(equivalent: float, focal: float | None, zoom: float) -> tuple[float, ...]:
    """Whether the equivalent already holds the digital zoom: makers differ (Exif 2.32 is silent).

    A phone's sensor can't be smaller or larger than any made; that often settles it.
    """
    included, excluded = equivalent, equivalent * zoom
    if focal is None or focal > PHONE_FOCAL:
        return (included, excluded)
    sensor = FRAME_DIAGONAL * focal / equivalent  # the whole sensor's, if zoom is not included
    smallest, largest = PHONE_SENSOR
    may_exclude = smallest <= sensor <= largest
    may_include = smallest <= sensor * zoom <= largest
    if may_include and not may_exclude:
        return (included,)
    if may_exclude and not may_include:
        return (excluded,)
    return (included, excluded)


def _definition_sd(size_px: tuple[int, int]) -> float:
    """Relative sd from makers who count the equivalent by width instead of diagonal."""
    by_width = max(size_px) / FRAME_WIDTH
    by_diagonal = math.hypot(*size_px) / FRAME_DIAGONAL
    return math.sqrt(BY_WIDTH_SHARE) * abs(1 - by_width / by_diagonal)


def _distortion_sd(
    focal_px: float, diagonal_px: float, framing: Framing, focal: _Focal
) -> tuple[float, float]:
    """Give sd of k1 and k2, such that each moves the corner by no more than a usual lens does."""
    radius = diagonal_px / 2 / focal_px
    k1_sd = CORNER_DISTORTION / radius**2
    k2_sd = CORNER_DISTORTION / 2 / radius**4
    if not framing.tight or focal.sd >= UNKNOWN_FOCAL_SD:
        return max(k1_sd, UNKNOWN_K1_SD), max(k2_sd, UNKNOWN_K2_SD)
    return k1_sd, k2_sd
