"""From the files of a visit to photos: what each is, whether it can be used, with which camera."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from survey.errors import InputError
from survey.photo.calibrated import AssignedCalibration, choose_calibration, read_calibrations
from survey.photo.camera import derive_camera_prior
from survey.photo.container import Container
from survey.photo.exif import ExifFacts, read_exif
from survey.photo.limits import DEFAULT_LIMITS, Limits
from survey.photo.model import Photo
from survey.photo.sniffing import open_container
from survey.visit.model import Visit

PANORAMA_WORDS = (b"GPano:", b"ProjectionType")  # XMP fields that stitching programs write
Camera = tuple[str | None, str | None]


@dataclass(frozen=True, slots=True)
class _Opened:
    """A photo whose file is sound, before its camera has been looked at."""

    photo: Photo
    container: Container
    facts: ExifFacts


def read_photos(visit: Visit, *, limits: Limits = DEFAULT_LIMITS) -> tuple[Photo, ...]:
    """Read every photo of a visit without decoding it.

    Parameters
    ----------
    visit : Visit
    limits : Limits, optional
        Bounds on size and structure, the same for all formats.

    Returns
    -------
    photos : tuple of Photo
        By name. What can't be used has no camera and says why in `refused`.

    Raises
    ------
    InputError
        If a calibration file of the visit is wrong, with all of their problems. Never because of
        a photo.
    """
    calibrations = read_calibrations(visit)
    marked = {mark.photo for mark in visit.marks}
    paths = sorted(visit.photo_paths, key=lambda path: (path.name, str(path)))
    opened = [_open_photo(path, limits) for path in paths]
    ratios = _focal_ratios(opened)
    photos = [
        entry if isinstance(entry, Photo) else _with_camera(entry, calibrations, ratios)
        for entry in opened
    ]
    return _refuse_doubles(photos, marked)


def read_photo(
    path: Path,
    calibrations: Sequence[AssignedCalibration] = (),
    *,
    limits: Limits = DEFAULT_LIMITS,
) -> Photo:
    """Read one photo without decoding it; see `read_photos`. Never raises because of the photo."""
    entry = _open_photo(path, limits)
    return entry if isinstance(entry, Photo) else _with_camera(entry, calibrations, {})


def _open_photo(path: Path, limits: Limits) -> Photo | _Opened:
    """Read file, structure and metadata; a photo that can't be used comes back refused."""
    digest = ""
    try:
        data = _read_file(path, limits)
        digest = hashlib.sha256(data).hexdigest()
        container = open_container(data, limits)
        facts = read_exif(container.exif)
        if facts.panorama or any(word in container.xmp for word in PANORAMA_WORDS):
            raise InputError(
                "this is a stitched panorama, which no single lens position explains",
                cure="take ordinary photos",
            )
    except InputError as error:
        return Photo(path.name, path, digest, "", None, refused=str(error))
    orientation, warnings = _choose_orientation(container, facts)
    if facts.damaged:
        warnings += (
            (
                "damaged-metadata",
                "its metadata are damaged and were left out; use the original file",
            ),
        )
    photo = Photo(
        name=path.name,
        path=path,
        sha256=digest,
        format=container.format,
        camera=None,
        orientation=orientation,
        taken_at=facts.taken_at,
        make_model=facts.make_model,
        lens=facts.lens,
        warnings=warnings,
    )
    return _Opened(photo, container, facts)


def _read_file(path: Path, limits: Limits) -> bytes:
    """Bytes of an ordinary file of bounded size (a link to one is followed).

    A device or pipe would never end, so what it is gets asked before it is opened.
    """
    try:
        state = path.stat()
        if stat.S_ISDIR(state.st_mode):
            raise InputError("this is a folder", cure="put photos themselves into photos/")
        if not stat.S_ISREG(state.st_mode):
            raise InputError("this is not an ordinary file", cure="put a copy of the photo here")
        if state.st_size > limits.file_bytes:
            raise InputError(
                f"the file has {state.st_size / 1e6:.0f} MB, the limit is "
                f"{limits.file_bytes / 1e6:g} MB",
                cure="use the phone's original photo",
            )
        with path.open("rb") as stream:
            return stream.read(limits.file_bytes + 1)
    except OSError as error:
        reason = os.strerror(error.errno).lower() if error.errno else "unknown reason"
        raise InputError(
            f"the file can't be read ({reason})", cure="check that it is there and may be read"
        ) from error


def _choose_orientation(
    container: Container, facts: ExifFacts
) -> tuple[int, tuple[tuple[str, str], ...]]:
    """Decide the one turn that makes the picture upright.

    The boxes of a HEIC container are the standard's word (ISO/IEC 23008-12, 6.5.10 and 6.5.12) and
    overrule Exif; a file without any is turned by its Exif, as JPEG and PNG are.
    """
    by_exif = facts.orientation or 1
    if container.turn is None:
        return by_exif, ()
    if facts.orientation is not None and container.turn != by_exif:
        return container.turn, (
            (
                "orientation",
                "container and metadata disagree on which way is up (orientation "
                f"{container.turn} and {by_exif}); the container's was taken",
            ),
        )
    return container.turn, ()


def _focal_ratios(opened: Sequence[Photo | _Opened]) -> dict[Camera, float]:
    """35 mm equivalent over focal length of each camera and lens that states both somewhere."""
    ratios: dict[Camera, float] = {}
    for entry in opened:
        if isinstance(entry, _Opened) and entry.facts.make_model and entry.facts.zoom == 1.0:
            facts = entry.facts
            if facts.focal and facts.focal_35:
                ratios.setdefault((facts.make_model, facts.lens), facts.focal_35 / facts.focal)
    return ratios


def _with_camera(
    entry: _Opened, calibrations: Sequence[AssignedCalibration], ratios: dict[Camera, float]
) -> Photo:
    """Give the photo its camera: from its calibration if there is one, else from its Exif."""
    photo, facts, size_px = entry.photo, entry.facts, entry.container.size_px
    prior, warnings = derive_camera_prior(
        facts,
        size_px,
        photo.orientation,
        photo.name,
        focal_ratio=ratios.get((facts.make_model, facts.lens)),
    )
    calibrated, reasons = choose_calibration(
        calibrations, facts, size_px, photo.orientation, photo.name, prior
    )
    if calibrated is not None:
        prior, warnings = calibrated, ()
    return replace(photo, camera=prior, warnings=photo.warnings + warnings + reasons)


def _refuse_doubles(photos: Sequence[Photo], marked: set[str]) -> tuple[Photo, ...]:
    """Use each picture once: a copy would count as a second, independent photo.

    The copy that has marks is kept, otherwise the first by name.
    """
    kept: dict[str, str] = {}
    for photo in sorted(photos, key=lambda photo: photo.name not in marked):
        if photo.camera is not None:
            kept.setdefault(photo.sha256, photo.name)
    return tuple(
        photo
        if photo.camera is None or kept[photo.sha256] == photo.name
        else replace(
            photo,
            camera=None,
            refused=f"this is the same picture as {kept[photo.sha256]}; delete one of the two",
        )
        for photo in photos
    )
