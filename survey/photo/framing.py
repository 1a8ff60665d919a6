"""Whether a photo still shows the whole frame that its focal length speaks of.

A crop keeps the lens fields: a public sample of 2566 x 3313 pixels still states 4032 x 3024, so
its focal length in pixels would come out 18 % short. Size, shape and software are compared instead
of trusted.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from survey.photo.exif import ExifFacts

Warnings = tuple[tuple[str, str], ...]

SHAPE_TOLERANCE = 0.012  # of the side ratio; makers round sides to whole blocks of pixels
SMALL_SENSOR_SHAPE = 4 / 3  # phones and compacts; common practice
LARGE_SENSOR_SHAPE = 3 / 2  # the 36 x 24 mm frame and its smaller kin; common practice
WIDE_SHAPE = 16 / 9  # what cameras cut to on request; common practice
LARGE_SENSOR_RATIO = (0.9, 1.9)  # 35 mm equivalent over focal length of sensors that are 3:2
PANORAMA_SHAPE = 2.1  # long over short side; phones' widest single frames stay near it
FAMILIAR_LONG_SIDES = (640, 800, 1024, 1280, 1600, 1920, 2048, 2560, 3840, 4096)
FAMILIAR_SHORT_SIDES = (480, 720, 1080, 1440, 2160)
EDITOR = re.compile(r"edit|photo|paint|crop|retouch|studio|darkroom|collage", re.IGNORECASE)

UNKNOWN_FOCAL_SD = 0.30  # of the focal length; own judgement

# What each kind of framing leaves open: sd of the focal length as its share, sd of each coordinate
# of the centre as a share of the long side. Own judgement; a whole frame's centre moves with the
# maker's spread and the lens stabiliser, whose stroke is 26 to 53 px at a focal of 3029 px.
LOOSENESS: dict[str, tuple[float, float]] = {
    "whole": (0.0, 0.005),
    "shaped": (0.0, 0.01),
    "resized": (0.02, 0.01),
    "unstated": (0.10, 0.04),
    "edited": (UNKNOWN_FOCAL_SD, 0.10),
    "cropped": (UNKNOWN_FOCAL_SD, 0.10),
    "odd": (UNKNOWN_FOCAL_SD, 0.10),
    "panorama": (UNKNOWN_FOCAL_SD, 0.10),
}

SENTENCES: dict[str, tuple[str, str]] = {
    "shaped": (
        "shape",
        "{size} pixels is not the shape of the whole sensor, so its focal length is less certain; "
        "set the camera to its full frame (4:3 on phones)",
    ),
    "resized": (
        "resized",
        "resized to {size} pixels from {stated}; the original shows more detail",
    ),
    "edited": (
        "edited",
        'saved by an editing program ("{software}") that may have cropped it, so its lens is known '
        "only roughly; use the original",
    ),
    "cropped": (
        "cropped",
        "{size} pixels, but its camera stored {stated}: it was cropped, so its lens is known only "
        "roughly; use the uncropped original",
    ),
    "odd": (
        "cropped",
        "{size} pixels is no camera's shape and its metadata state no size: it was probably "
        "cropped, so its lens is known only roughly; use the original",
    ),
    "panorama": (
        "panorama",
        "{size} pixels is the shape of a panorama or a crop, so its lens is known only roughly; "
        "take ordinary photos",
    ),
}


@dataclass(frozen=True, slots=True)
class Framing:
    """How the stored pixels relate to the frame that the 35 mm equivalent speaks of.

    Attributes
    ----------
    kind : str
        "whole", "shaped" (cut to another shape by the camera), "resized", "unstated" (nothing
        proves it whole), "edited", "cropped", "odd" (cropped by its shape) or "panorama".
    diagonals_px : tuple of float
        Diagonal of that frame at the stored pixels' scale; two when either may be meant.
    focal_sd : float
        Share of the focal length that framing leaves open, beside the two diagonals.
    centre_sd : float
        Standard deviation of each coordinate of the centre, pixels.
    warnings : tuple of (str, str)
    """

    kind: str
    diagonals_px: tuple[float, ...]
    focal_sd: float
    centre_sd: float
    warnings: Warnings = ()

    @property
    def tight(self) -> bool:
        """Whether the frame is known well enough for photos to share a camera."""
        return self.kind in ("whole", "shaped", "resized")


def judge_framing(facts: ExifFacts, size_px: tuple[int, int]) -> Framing:
    """Compare the stored size (width, height) with what the camera says it stored."""
    kind, diagonals = _classify(facts, max(size_px), min(size_px))
    focal_sd, centre_share = LOOSENESS[kind]
    warnings: Warnings = ()
    if kind in SENTENCES:
        code, sentence = SENTENCES[kind]
        stated = facts.declared_size_px or (0, 0)
        filled = sentence.format(
            size=f"{size_px[0]} x {size_px[1]}",
            stated=f"{stated[0]} x {stated[1]}",
            software=facts.software,
        )
        warnings = ((code, filled),)
    return Framing(kind, diagonals, focal_sd, centre_share * max(size_px), warnings)


def _classify(facts: ExifFacts, long: int, short: int) -> tuple[str, tuple[float, ...]]:
    """Kind of framing, and the diagonals the 35 mm equivalent may count by.

    Sides are compared by length: software that turns a photo swaps them without cropping.
    """
    own = math.hypot(long, short)
    if long > PANORAMA_SHAPE * short:
        return "panorama", (own,)
    if facts.declared_size_px is None:
        usual = any(
            _has_shape(long, short, shape)
            for shape in (SMALL_SENSOR_SHAPE, LARGE_SENSOR_SHAPE, WIDE_SHAPE)
        )
        return "unstated" if usual else "odd", (own,)
    declared_long, declared_short = max(facts.declared_size_px), min(facts.declared_size_px)
    if (long, short) != (declared_long, declared_short):
        if _is_resized(long, short, declared_long, declared_short):
            return "resized", (own,)
        keeps_pixels = long <= declared_long and short <= declared_short
        return "cropped", (math.hypot(declared_long, declared_short) if keeps_pixels else own,)
    if facts.software and EDITOR.search(facts.software):
        return "edited", (own,)
    return _classify_shape(facts, long, short)


def _classify_shape(facts: ExifFacts, long: int, short: int) -> tuple[str, tuple[float, ...]]:
    """Tell a whole frame from one that the camera itself cut to another shape (16:9, square).

    Makers then state the equivalent either for what is left or for the whole sensor, so both
    diagonals stand.
    """
    own = math.hypot(long, short)
    ratio = facts.focal_35 / facts.focal if facts.focal_35 and facts.focal else math.inf
    least, most = LARGE_SENSOR_RATIO
    native = LARGE_SENSOR_SHAPE if least <= ratio < most else SMALL_SENSOR_SHAPE
    if _has_shape(long, short, native):
        return "whole", (own,)
    sensor = math.hypot(long, long / native)
    if long < native * short:
        sensor = math.hypot(native * short, short)
    return "shaped", (own, sensor)


def _has_shape(long: int, short: int, shape: float) -> bool:
    return abs(long / short / shape - 1) < SHAPE_TOLERANCE


def _is_resized(long: int, short: int, declared_long: int, declared_short: int) -> bool:
    """Tell shrinking from cropping: the same shape, and a size that programs shrink to.

    Any other size of the same shape may as well be a crop that keeps the shape.
    """
    one_pixel = declared_long
    if abs(long * declared_short - short * declared_long) > one_pixel or long > declared_long:
        return False
    simple = any(
        abs(long * whole - declared_long * part) <= whole
        for whole in (2, 3, 4)
        for part in range(1, whole)
    )
    return simple or long in FAMILIAR_LONG_SIDES or short in FAMILIAR_SHORT_SIDES
