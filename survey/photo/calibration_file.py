"""The calibration file, NAME.camera.json: writing, reading, checking. Keys in docs/photos.md."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from survey.errors import InputError, Problem
from survey.photo.model import Calibration
from survey.storage import write_atomically
from survey.visit.files import read_text
from survey.visit.json_text import parse_strict_json
from survey.visit.problems import shown
from survey.visit.tables import Table

CALIBRATION_FORMAT = 1
KIND = "camera calibration"
LARGEST_CALIBRATION = 1_000_000  # bytes
MOST_PHOTOS = 1000
LONGEST_PHOTO_NAME = 255  # what file systems allow
TERMS = ("k1", "k2", "p1", "p2", "k3")
SIDE_PX = (100, 100_000)
FOCAL_OVER_SIDE = (0.2, 50.0)  # focal length over the longer side: 136 deg to 1 deg of view
WORST_SD = 0.1  # of the focal length or side; a wider one is no calibration
TERM = 100.0
RMS_PX = 10.0
DISTANCE = (0.01, 1000.0)  # metres
LENS_FOCAL_MM = (0.5, 2000.0)
CURE = "calibrate the camera again"


def write_calibration(path: Path, calibration: Calibration) -> None:
    """Write a calibration file, whole or not at all; the same calibration gives the same bytes.

    Raises
    ------
    StorageError
        If the file can't be written.
    """
    lens_focal = calibration.lens_focal
    document: dict[str, Any] = {
        "format": CALIBRATION_FORMAT,
        "kind": KIND,
        "model": calibration.model,
        "lens": calibration.lens,
        "lens_focal_mm": None if lens_focal is None else round(lens_focal * 1e3, 6),
        "width_px": calibration.size_px[0],
        "height_px": calibration.size_px[1],
        "focal_px": calibration.focal,
        "focal_sd_px": calibration.focal_sd,
        "centre_x_px": calibration.centre[0],
        "centre_y_px": calibration.centre[1],
        "centre_x_sd_px": calibration.centre_sd[0],
        "centre_y_sd_px": calibration.centre_sd[1],
    }
    terms = zip(TERMS, calibration.distortion, calibration.distortion_sd, strict=True)
    for term, value, sd in terms:
        document |= {term: value, f"{term}_sd": sd}
    document |= {
        "rms_px": calibration.rms_px,
        "distance_m": calibration.distance,
        "photos": list(calibration.photos),
    }
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    write_atomically(path, f"{text}\n".encode())


def read_calibration(path: Path) -> Calibration:
    """Read a calibration file.

    Raises
    ------
    InputError
        With every problem of the file: which key, what was read, what is allowed.
    StorageError
        If the system can't read it.
    """
    return parse_calibration(read_text(path, LARGEST_CALIBRATION), path.name)


def parse_calibration(text: str, name: str) -> Calibration:
    """Turn the text of a calibration file into a calibration; raises as `read_calibration`."""
    document = parse_strict_json(text, name)
    if not isinstance(document, dict) or document.get("kind") != KIND:
        raise InputError(
            f'the file holds no calibration (kind is not "{KIND}")',
            where=name,
            cure="name a file that survey calibrate wrote",
        )
    problems: list[Problem] = []
    table = Table(document, name, lambda keys: " ".join((name, *keys)), problems)
    _check_version(table, name)
    table.text("kind")
    width = int(_required(table, "width_px", *SIDE_PX, whole=True))
    height = int(_required(table, "height_px", *SIDE_PX, whole=True))
    side = max(width, height)
    focal = _required(table, "focal_px", FOCAL_OVER_SIDE[0] * side, FOCAL_OVER_SIDE[1] * side)
    lens_focal = table.number("lens_focal_mm", *LENS_FOCAL_MM)
    distortion = [(_required(table, term, -TERM, TERM)) for term in TERMS]
    distortion_sd = [_required(table, f"{term}_sd", 0.0, TERM) for term in TERMS]
    calibration = Calibration(
        size_px=(width, height),
        focal=focal,
        focal_sd=_required(table, "focal_sd_px", 0.0, WORST_SD * focal),
        centre=(
            _required(table, "centre_x_px", 0.0, width - 1),
            _required(table, "centre_y_px", 0.0, height - 1),
        ),
        centre_sd=(
            _required(table, "centre_x_sd_px", 0.0, WORST_SD * side),
            _required(table, "centre_y_sd_px", 0.0, WORST_SD * side),
        ),
        distortion=(distortion[0], distortion[1], distortion[2], distortion[3], distortion[4]),
        distortion_sd=(
            distortion_sd[0],
            distortion_sd[1],
            distortion_sd[2],
            distortion_sd[3],
            distortion_sd[4],
        ),
        rms_px=_required(table, "rms_px", 0.0, RMS_PX),
        distance=_required(table, "distance_m", *DISTANCE),
        model=table.text("model"),
        lens=table.text("lens"),
        lens_focal=None if lens_focal is None else lens_focal / 1e3,
        photos=_photo_names(table),
    )
    table.finish()
    if problems:
        raise InputError.of(problems)
    return calibration


def _check_version(table: Table, name: str) -> None:
    """Accept this format version, refuse a newer one by name."""
    version = table.count("format", 1, 10**6)
    if version is not None and version > CALIBRATION_FORMAT:
        raise InputError(
            f"format {version} is newer than this program reads ({CALIBRATION_FORMAT})",
            where=f"{name} format",
            cure="update the program",
        )
    if "format" not in table.values:
        table.wrong("the file has no key format", CURE)


def _required(table: Table, key: str, low: float, high: float, *, whole: bool = False) -> float:
    """Give a number that must be there; an unfit one is noted and replaced by a harmless one."""
    value = table.count(key, int(low), int(high)) if whole else table.number(key, low, high)
    if value is None:
        if table.values.get(key) is None:
            table.wrong(f"the file has no number for {key}", CURE)
        return (low + high) / 2
    return value


def _photo_names(table: Table) -> tuple[str, ...]:
    """Names of the photos it was measured from; any file name will do."""
    table.asked.add("photos")
    names = table.values.get("photos", [])
    if not isinstance(names, list) or len(names) > MOST_PHOTOS:
        table.wrong(f"photos is {shown(names)} or over {MOST_PHOTOS} long", CURE, "photos")
        return ()
    for entry in names:
        if not isinstance(entry, str) or not 0 < len(entry) <= LONGEST_PHOTO_NAME:
            table.wrong(f"photos holds {shown(entry)}, which is no file name", CURE, "photos")
            return ()
    return tuple(names)
