"""Measures a camera's interior orientation from corners of a board seen in several photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from survey.errors import InputError, NotEnoughObserved, Problem
from survey.photo.model import Calibration, Photo
from survey.photo.orientation import turn_point, turn_size

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]
CornerSet = tuple[Array, Array]
Size = tuple[int, int]

LEAST_PHOTOS = 4
LEAST_CORNERS = 6  # a photo; four fit any board exactly
WORST_FOCAL_SD = 0.01  # of the focal length; a calibration no better than Exif is none
WORST_RMS_PX = 2.0
BAD_PHOTO_RATIO = 3.0  # of the median photo's misfit
BAD_PHOTO_PX = 1.0
SINGULAR = 1e-12  # of the largest eigenvalue of the scaled normal matrix
HOLD_BELOW_SD = 3.0  # k3 is estimated only when it differs from 0 by this many of its sds
UNDO = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}  # the turn that takes each one back


def stored_corners(photo: Photo, corners_px: Array) -> Array:
    """Corners found in the upright picture, (n, 2), as positions in the stored one.

    Calibrations are for the stored picture, so that photos held either way can be mixed.
    """
    assert photo.camera is not None
    undo = UNDO[photo.orientation]
    points = [turn_point((x, y), photo.camera.size_px, undo) for x, y in corners_px.tolist()]
    return np.array(points, dtype=np.float64).reshape(-1, 2)


def stored_size(photo: Photo) -> tuple[int, int]:
    """Width and height of the stored picture."""
    assert photo.camera is not None
    return turn_size(photo.camera.size_px, UNDO[photo.orientation])


def calibrate(
    corner_sets: Sequence[CornerSet],
    size_px: tuple[int, int],
    *,
    model: str | None = None,
    lens: str | None = None,
    lens_focal: float | None = None,
    photos: Sequence[str] = (),
) -> Calibration:
    """Calibrate a camera from corners of a flat board.

    Parameters
    ----------
    corner_sets : sequence of (corners_target, corners_px)
        For each photo: corners on the board, (n, 2), metres, target frame, and in the stored
        picture, (n, 2), pixels.
    size_px : (int, int)
        Width and height of the stored pictures.
    model, lens : str, optional
        Camera and lens as the photos state them.
    lens_focal : float, optional
        Focal length of the lens as the photos state it, metres.
    photos : sequence of str, optional
        Name of each photo, for messages and for the record.

    Returns
    -------
    Calibration

    Raises
    ------
    NotEnoughObserved
        If there are too few photos or corners, or the views are too alike to fix the focal length.
    InputError
        If some photos disagree with the others; each is named.

    Notes
    -----
    Square pixels; k1, k2, p1, p2 estimated, k3 only when it is significant. Zhang (2000) as
    implemented by OpenCV; standard deviations from the normal matrix and the residuals.
    """
    names = tuple(photos) or tuple(f"photo {number + 1}" for number in range(len(corner_sets)))
    _check_corner_sets(corner_sets, names)
    boards = [
        np.column_stack([target, np.zeros(len(target))]).astype(np.float32)
        for target, _ in corner_sets
    ]
    seen = [np.asarray(px, dtype=np.float32).reshape(-1, 1, 2) for _, px in corner_sets]
    fit = _fit(boards, seen, size_px, hold_k3=False)
    if abs(fit.distortion[4]) < HOLD_BELOW_SD * fit.sd[7]:
        fit = _fit(boards, seen, size_px, hold_k3=True)
    _check_fit(fit, names)
    focal_sd, centre_x_sd, centre_y_sd, *term_sds = (float(sd) for sd in fit.sd)
    k1_sd, k2_sd, p1_sd, p2_sd, k3_sd = term_sds
    return Calibration(
        size_px=size_px,
        focal=fit.focal,
        focal_sd=focal_sd,
        centre=fit.centre,
        centre_sd=(centre_x_sd, centre_y_sd),
        distortion=fit.distortion,
        distortion_sd=(k1_sd, k2_sd, p1_sd, p2_sd, k3_sd),
        rms_px=fit.rms_px,
        distance=fit.distance,
        model=model,
        lens=lens,
        lens_focal=lens_focal,
        photos=tuple(photos),
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    """One adjustment of camera and board positions; arrays in the order of `Calibration`."""

    focal: float
    centre: tuple[float, float]
    distortion: tuple[float, float, float, float, float]
    sd: Array  # (8,): focal, centre x, y, k1, k2, p1, p2, k3; pixels and pure numbers
    rms_px: float
    view_rms_px: Array
    distance: float


def _fit(boards: list[Float32], seen: list[Float32], size_px: Size, *, hold_k3: bool) -> _Fit:
    """Run one calibration with square pixels."""
    flags = cv2.CALIB_FIX_ASPECT_RATIO | (cv2.CALIB_FIX_K3 if hold_k3 else 0)
    try:
        rms, *found = cv2.calibrateCamera(
            boards, seen, size_px, np.eye(3), np.zeros(5), flags=flags
        )
        matrix, terms, turns, places = (np.asarray(part, dtype=np.float64) for part in found)
        residuals, jacobians = _derivatives(boards, seen, matrix, terms, turns, places)
    except cv2.error as error:
        raise NotEnoughObserved(
            "the corners fix no camera", cure="photograph the board tilted, from several sides"
        ) from error
    k1, k2, p1, p2, k3 = (float(term) for term in terms.ravel()[:5])
    return _Fit(
        focal=float(matrix[0, 0]),
        centre=(float(matrix[0, 2]), float(matrix[1, 2])),
        distortion=(k1, k2, p1, p2, k3),
        sd=_camera_sd(residuals, jacobians, hold_k3=hold_k3),
        rms_px=float(rms),
        view_rms_px=np.array([np.sqrt(2 * np.mean(view**2)) for view in residuals]),
        distance=float(np.median([np.linalg.norm(place) for place in places])),
    )


def _derivatives(
    boards: list[Float32],
    seen: list[Float32],
    matrix: Array,
    terms: Array,
    turns: Array,
    places: Array,
) -> tuple[list[Array], list[Array]]:
    """Residuals (2n,) and derivatives (2n, 14) of each view: 6 of the board, then the camera's 8.

    The camera's are focal, centre x, y, k1, k2, p1, p2, k3.
    """
    residuals, jacobians = [], []
    for board, corners, turn, place in zip(boards, seen, turns, places, strict=True):
        predicted, full = cv2.projectPoints(board, turn, place, matrix, terms)
        residuals.append((predicted - corners).astype(np.float64).ravel())
        focal = full[:, 6:7] + full[:, 7:8]  # square pixels: both move together
        jacobians.append(np.hstack([full[:, :6], focal, full[:, 8:15]]))
    return residuals, jacobians


def _camera_sd(residuals: list[Array], jacobians: list[Array], *, hold_k3: bool) -> Array:
    """Find standard deviations of the camera's 8 parameters, (8,); inf if the views fix nothing.

    OpenCV's own pass through a pseudo-inverse, which reports nearly 0 for what parallel views
    leave open. Here the boards' unknowns are eliminated view by view from the scaled normal
    equations, and what is left must be invertible.
    """
    scale = np.sqrt(np.sum([np.sum(view[:, 6:] ** 2, axis=0) for view in jacobians], axis=0))
    free = scale > 0
    free[7] &= not hold_k3
    normal = np.zeros((8, 8))
    for view in jacobians:
        # The board's columns span what its own position explains; the rest speaks of the camera.
        basis, _ = np.linalg.qr(view[:, :6] / np.linalg.norm(view[:, :6], axis=0))
        camera = view[:, 6:] / np.where(free, scale, 1.0)
        camera = camera - basis @ (basis.T @ camera)
        normal += camera.T @ camera
    values, vectors = np.linalg.eigh(normal[np.ix_(free, free)])
    sd = np.zeros(8)
    if values[0] < SINGULAR * values[-1]:
        sd[free] = np.inf
        return sd
    count = sum(view.size for view in residuals)
    variance = sum(float(view @ view) for view in residuals) / (
        count - 6 * len(residuals) - np.count_nonzero(free)
    )
    inverse = (vectors / values) @ vectors.T
    sd[free] = np.sqrt(variance * np.diag(inverse)) / scale[free]
    return sd


def _check_corner_sets(corner_sets: Sequence[CornerSet], names: Sequence[str]) -> None:
    """Refuse what can't fix a camera before anything is computed."""
    if len(corner_sets) < LEAST_PHOTOS:
        raise NotEnoughObserved(
            f"{len(corner_sets)} photos show the board, a calibration needs {LEAST_PHOTOS}",
            cure="take 10 to 15 photos of the board, tilted, from several sides",
        )
    problems = [
        Problem(
            f"only {len(target)} corners in a row or fewer than {LEAST_CORNERS} were found",
            name,
            "leave it out or take it again with the whole board in view",
        )
        for (target, _), name in zip(corner_sets, names, strict=True)
        if len(target) < LEAST_CORNERS or np.linalg.matrix_rank(target - target.mean(axis=0)) < 2
    ]
    if problems:
        raise InputError.of(problems)


def _check_fit(fit: _Fit, names: Sequence[str]) -> None:
    """Refuse a calibration that the views don't fix or that some photos contradict."""
    usual = float(np.median(fit.view_rms_px))
    problems = [
        Problem(
            f"its corners fit badly ({rms:.1f} px, the others {usual:.1f} px)",
            name,
            "leave it out or take it again without blur",
        )
        for rms, name in zip(fit.view_rms_px, names, strict=True)
        if rms > max(BAD_PHOTO_RATIO * usual, BAD_PHOTO_PX)
    ]
    if problems:
        raise InputError.of(problems)
    if fit.rms_px > WORST_RMS_PX:
        raise InputError(
            f"the photos fit one camera badly ({fit.rms_px:.1f} px, the limit is "
            f"{WORST_RMS_PX:g} px)",
            cure="use photos of one lens without zoom, and a board that is flat",
        )
    share = float(fit.sd[0]) / fit.focal
    if not share < WORST_FOCAL_SD:
        raise NotEnoughObserved(
            "the views are too alike to fix the focal length"
            + (f" (to {100 * share:.2g} % only)" if share < 1 else ""),
            cure="add photos with the board tilted by 30 to 45 degrees, to each side",
        )
