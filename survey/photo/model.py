"""What is known of a photo before anybody looks for a target in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class CameraPrior:
    """Interior orientation to start from, for the upright image of `size_px`.

    OpenCV's model: x_d = x (1 + k1 r2 + k2 r4 + k3 r6) + tangential(p1, p2), then
    u = focal x_d + centre. One focal length (square pixels).

    Attributes
    ----------
    focal, focal_sd : float
        Pixels.
    centre, centre_sd : (float, float) and float
        Principal point, pixels, and the sd of each coordinate.
    k1, k2, p1, p2, k3 : float
        Distortion; `k1_sd`, `k2_sd` their sds; p1, p2, k3 are held fixed.
    source : str
        "calibration", "exif 35 mm equivalent", "exif focal length", "none": where it came from.
    key : str
        Make, model, lens and size: photos with one key share one camera.
    """

    size_px: tuple[int, int]
    focal: float
    focal_sd: float
    centre: tuple[float, float]
    centre_sd: float
    k1: float = 0.0
    k1_sd: float = 0.05
    k2: float = 0.0
    k2_sd: float = 0.02
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0
    source: str = "none"
    key: str = ""


@dataclass(frozen=True, slots=True)
class Photo:
    """One file of the visit's photos/ folder.

    `camera` is None exactly when `refused` says why the photo can't be used. `warnings` are
    sentences for the photo log (cropped, zoomed, stripped tags, ...), each with a short code.
    """

    name: str
    path: Path
    sha256: str
    format: str  # "JPEG", "PNG", "HEIC", or "" when it could not be told
    camera: CameraPrior | None
    orientation: int = 1  # Exif orientation as stored, already undone by `read_pixels`
    taken_at: str | None = None
    make_model: str | None = None
    lens: str | None = None
    warnings: tuple[tuple[str, str], ...] = ()
    refused: str | None = None


@dataclass(frozen=True, slots=True)
class Calibration:
    """Interior orientation of one camera and lens, measured on a board, as its sensor stores rows.

    Same lens model as `CameraPrior`, but for the *stored* picture, before any turning.

    Attributes
    ----------
    size_px : (int, int)
        Width and height of the stored pictures.
    focal, focal_sd : float
        Pixels.
    centre, centre_sd : (float, float)
        Principal point and its sds, pixels.
    distortion, distortion_sd : (float, float, float, float, float)
        k1, k2, p1, p2, k3 and their sds; an sd of 0 means the term was held at its value.
    rms_px : float
        Root mean square distance of the corners from where the calibration puts them.
    distance : float
        Median distance from camera to board, metres: a lens focuses, and so its focal length
        differs, by how far that is from the roof.
    model, lens : str or None
        Make with model and lens string as the photos state them; None: not stated.
    lens_focal : float or None
        Focal length of the lens as the photos state it, metres.
    photos : tuple of str
        The photos it was measured from.
    """

    size_px: tuple[int, int]
    focal: float
    focal_sd: float
    centre: tuple[float, float]
    centre_sd: tuple[float, float]
    distortion: tuple[float, float, float, float, float]
    distortion_sd: tuple[float, float, float, float, float]
    rms_px: float
    distance: float
    model: str | None = None
    lens: str | None = None
    lens_focal: float | None = None
    photos: tuple[str, ...] = ()
