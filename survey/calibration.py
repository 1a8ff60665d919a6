"""A phone's camera from a dozen photos of one printed sheet, taken once."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from survey.errors import InputError, NotEnoughObserved, SurveyError
from survey.photo import BoundedDecoder, Calibration, Photo, calibrate, read_photo
from survey.photo.calibrating import stored_corners, stored_size
from survey.target import detect_targets, print_scale, sheet_layout
from survey.target.model import Array
from survey.visit.model import SheetBoard, TargetSpec
from survey.visit.reading import photo_files


def calibrate_camera(
    folder: Path, code: str, *, across: float | None = None, down: float | None = None
) -> tuple[Calibration, tuple[str, ...]]:
    """Calibrate the camera that took the photos of a folder, all of one sheet.

    Parameters
    ----------
    folder : Path
        Holds the photos; nothing is written there.
    code : str
        The sheet's printed code, e.g. ``"tabloid-1"``.
    across, down : float, optional
        Check lines as taped after printing, metres. Only their ratio matters here.

    Returns
    -------
    calibration : Calibration
    remarks : tuple of str
        Photos that were not used, each with why.

    Raises
    ------
    InputError
        If there is no such folder or sheet, or the photos are of several cameras or lenses.
    NotEnoughObserved
        If too few photos show the sheet, or from views that are too alike.
    """
    sheet_layout(code)  # refuses a code that does not exist
    spec = TargetSpec(name=code, board=SheetBoard(code), across=across, down=down)
    scale, _ = print_scale(spec)
    if not folder.exists():
        raise InputError(f"there is no folder {folder}", cure="name the photos' folder")
    seen: list[tuple[Photo, Array, Array]] = []
    remarks: list[str] = []
    with BoundedDecoder() as decoder:
        for path in photo_files(folder):
            found = _look_at(path, spec, decoder)
            if isinstance(found, str):
                remarks.append(found)
            else:
                photo, corners_target, corners_px = found
                seen.append((photo, corners_target * np.array(scale), corners_px))
    if not seen:
        looked = f": {'; '.join(remarks[:3])}" if remarks else ""
        raise NotEnoughObserved(
            f"none of the {len(remarks)} photos shows sheet {code}{looked}",
            where=folder.name,
            cure="take a dozen photos of the whole sheet, from several sides and near enough "
            "to fill half the picture",
        )
    _refuse_mixtures(seen)
    first = seen[0][0]
    sets = [(target, stored_corners(photo, px)) for photo, target, px in seen]
    calibration = calibrate(
        sets,
        stored_size(first),
        model=first.make_model,
        lens=first.lens,
        photos=tuple(photo.name for photo, _, _ in seen),
    )
    return calibration, tuple(remarks)


def _look_at(
    path: Path, spec: TargetSpec, decoder: BoundedDecoder
) -> tuple[Photo, Array, Array] | str:
    """Corners of the sheet in one photo, or why the photo is not used."""
    photo = read_photo(path)
    if photo.camera is None:
        return f"{path.name}: {photo.refused}"
    try:
        sightings, problems = detect_targets(decoder.read_grey(photo), [spec], photo=photo.name)
    except SurveyError as error:
        return f"{path.name}: {error}"
    if not sightings:
        said = "; ".join(problem.sentence for problem in problems)
        return f"{path.name}: sheet {spec.name} was not found{': ' if said else ''}{said}"
    return photo, sightings[0].corners_target, sightings[0].corners_px


def _refuse_mixtures(seen: list[tuple[Photo, Array, Array]]) -> None:
    kinds = {(photo.make_model, photo.lens, stored_size(photo)): photo.name for photo, _, _ in seen}
    if len(kinds) > 1:
        raise InputError(
            "the photos are of different cameras, lenses or sizes",
            where=", ".join(sorted(kinds.values())),
            cure="keep one camera, one lens and one size in the folder",
        )
