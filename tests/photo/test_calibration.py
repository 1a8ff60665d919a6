"""Calibrations: measured on real and made-up corners, kept in files, fitted to each photo."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction

import cv2
import numpy as np
import pytest

from survey.errors import InputError, NotEnoughObserved
from survey.photo import (
    AssignedCalibration,
    Calibration,
    calibrate,
    read_calibration,
    read_photo,
    stored_corners,
    stored_size,
    write_calibration,
)
from survey.photo.calibrated import calibrated_prior
from survey.photo.orientation import turn_pixels, turn_point
from tests.photo import crafting
from tests.photo.crafting import exif_block, phone_fields

PHONE = Calibration(
    size_px=(4032, 3024),
    focal=3050.0,
    focal_sd=1.5,
    centre=(2040.0, 1490.0),
    centre_sd=(2.0, 1.5),
    distortion=(0.03, -0.05, 0.0004, -0.0007, 0.01),
    distortion_sd=(0.002, 0.006, 0.0001, 0.0001, 0.0),
    rms_px=0.31,
    distance=4.0,
    model="Halden P7",
    lens="P7 main 5.6 mm",
    lens_focal=0.0056,
    photos=("IMG_1.jpg", "IMG_2.jpg"),
)


# --- measuring ---------------------------------------------------------------------------------


def chessboard_corners(folder, side):
    """Corners of the 9 x 6 board in each sample photo of one camera; squares of 25 mm."""
    grid = np.mgrid[0:9, 0:6].T.reshape(-1, 2) * 0.025
    found = []
    for path in sorted(folder.glob(f"{side}[01]?.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        seen, corners = cv2.findChessboardCorners(grey, (9, 6))
        assert seen, path.name
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
        corners = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), criteria)
        found.append((grid, corners.reshape(-1, 2).astype(float)))
    return found


# Real photographs of Debian's opencv-doc 4.6.0 (26 of 640 x 480). Reference: OpenCV's calibration
# with separate fx and fy gives 532.8 and 537.5 px; the shipped left_intrinsics.yml has 535.9 with
# one badly fitting view.
@pytest.mark.parametrize(
    ("side", "focal", "centre"), [("left", 533.0, (342.5, 233.9)), ("right", 538.0, (327.6, 248.9))]
)
def test_real_photographs_give_the_known_camera(opencv_photos, side, focal, centre):
    corner_sets = chessboard_corners(opencv_photos, side)
    assert len(corner_sets) == 13
    calibration = calibrate(corner_sets, (640, 480))
    assert calibration.focal == pytest.approx(focal, rel=0.01)
    assert calibration.rms_px < 0.25
    assert calibration.centre == pytest.approx(centre, abs=1.5)
    assert 0.2 < calibration.focal_sd < 1.0
    assert calibration.distortion[0] == pytest.approx(-0.285, abs=0.02)
    assert 0.25 < calibration.distance < 0.45


def test_halves_of_the_real_photographs_agree_within_their_sds(opencv_photos):
    """Two calibrations from different photos of one camera: the difference is within 3.3 sds."""
    for side in ("left", "right"):
        corner_sets = chessboard_corners(opencv_photos, side)
        first = calibrate(corner_sets[::2], (640, 480))
        second = calibrate(corner_sets[1::2], (640, 480))
        difference = first.focal - second.focal
        assert abs(difference) < 3.3 * np.hypot(first.focal_sd, second.focal_sd)


def views(rng, number, *, tilt=0.6, noise=0.3, focal=3050.0, distortion=(0.03, -0.05, 0, 0, 0)):
    """Corners of a 0.8 m board, target frame y up, seen from 4 m by a known camera."""
    across, down = np.meshgrid(np.linspace(-0.4, 0.4, 9), np.linspace(-0.3, 0.3, 7))
    board = np.column_stack([across.ravel(), down.ravel(), np.zeros(63)])
    matrix = np.array([[focal, 0, 2040.0], [0, focal, 1490.0], [0, 0, 1]])
    facing = np.diag([1.0, -1.0, -1.0])
    found = []
    for _ in range(number):
        lean, _ = cv2.Rodrigues(np.array([*rng.uniform(-tilt, tilt, 2), rng.uniform(-0.2, 0.2)]))
        turn, _ = cv2.Rodrigues(lean @ facing)
        place = np.array([rng.uniform(-1, 1), rng.uniform(-0.7, 0.7), rng.uniform(1.5, 2.5)])
        seen, _ = cv2.projectPoints(board, turn, place, matrix, np.array(distortion, float))
        found.append((board[:, :2], seen.reshape(-1, 2) + rng.normal(0, noise, (63, 2))))
    return found


def test_known_camera_is_found_within_its_sds():
    """Twenty cameras made of numbers: each of six parameters within 3.5 sds, sds not too wide."""
    z = []
    for seed in range(20):
        calibration = calibrate(views(np.random.default_rng(seed), 12), (4032, 3024))
        estimated = (calibration.focal, *calibration.centre, *calibration.distortion[:2])
        truth = (3050.0, 2040.0, 1490.0, 0.03, -0.05)
        sds = (calibration.focal_sd, *calibration.centre_sd, *calibration.distortion_sd[:2])
        z.append((np.array(estimated) - truth) / sds)
        assert calibration.rms_px == pytest.approx(0.3 * np.sqrt(2), rel=0.1)
        assert 1.4 < calibration.distance < 2.6
    assert np.abs(z).max() < 4.0
    # 100 standardised values: their mean square is 1 with an sd of sqrt(2 / 100).
    assert 0.55 < np.mean(np.square(z)) < 1.5


def test_sds_agree_with_opencv_where_the_views_are_good(opencv_photos):
    """OpenCV's calibrateCameraExtended, same model: fx bound to fy, k3 held."""
    corner_sets = chessboard_corners(opencv_photos, "left")
    ours = calibrate(corner_sets, (640, 480))
    boards = [np.column_stack([t, np.zeros(len(t))]).astype(np.float32) for t, _ in corner_sets]
    seen = [px.astype(np.float32) for _, px in corner_sets]
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3
    theirs = cv2.calibrateCameraExtended(
        boards, seen, (640, 480), np.eye(3), np.zeros(5), flags=flags
    )[5].ravel()
    assert ours.focal_sd == pytest.approx(theirs[1], rel=0.01)
    assert ours.centre_sd == pytest.approx(theirs[2:4], rel=0.01)
    assert ours.distortion_sd == pytest.approx(theirs[4:9], rel=0.01)


@pytest.mark.parametrize("tilt", [0.0, 0.003, 0.01, 0.03])
def test_nearly_parallel_views_are_never_called_a_calibration(tilt):
    """Zhang (2000): parallel boards add no constraint.

    OpenCV's own sds fail here: at 0.01 rad it gave focal lengths of 2259 to 11581 px (truth 3050)
    with a stated sd of 0.03 px.
    """
    for seed in range(3):
        with pytest.raises(NotEnoughObserved, match="too alike to fix the focal length"):
            calibrate(views(np.random.default_rng(seed), 6, tilt=tilt), (4032, 3024))


def test_calibrating_refuses_what_fixes_no_camera():
    rng = np.random.default_rng(5)
    good = views(rng, 8)
    with pytest.raises(NotEnoughObserved, match="3 photos show the board"):
        calibrate(good[:3], (4032, 3024))
    in_a_row = (good[0][0][:9], good[0][1][:9])
    with pytest.raises(InputError, match=r"b\.jpg: .*in a row"):
        calibrate(
            [good[0], in_a_row, *good[2:4]],
            (4032, 3024),
            photos=tuple("abcd"[i] + ".jpg" for i in range(4)),
        )


def test_calibrating_names_the_photos_that_disagree():
    rng = np.random.default_rng(6)
    good = views(rng, 9)
    good[4] = (good[4][0], good[4][1] + rng.normal(0, 6, (63, 2)))
    names = tuple(f"IMG_{number}.jpg" for number in range(9))
    with pytest.raises(InputError, match=r"^IMG_4\.jpg: its corners fit badly") as caught:
        calibrate(good, (4032, 3024), photos=names)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("orientation", range(1, 9))
def test_corners_go_back_to_the_stored_picture(tmp_path, orientation):
    stored = crafting.photo_like(400, 300)
    data = crafting.jpeg_bytes(stored, exif_block({crafting.ORIENTATION: orientation}))
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data))
    assert stored_size(photo) == (400, 300)
    upright = turn_point((37.25, 61.5), (400, 300), orientation)
    assert stored_corners(photo, np.array([upright]))[0] == pytest.approx((37.25, 61.5))


# --- the file ----------------------------------------------------------------------------------


def test_what_is_written_is_read_back(tmp_path):
    for calibration in (PHONE, replace(PHONE, model=None, lens=None, lens_focal=None, photos=())):
        path = tmp_path / "p7.camera.json"
        write_calibration(path, calibration)
        assert read_calibration(path) == calibration
        first = path.read_bytes()
        write_calibration(path, calibration)
        assert path.read_bytes() == first


def document(**changes):
    text = {
        "format": 1, "kind": "camera calibration", "model": "Halden P7", "lens": None,
        "lens_focal_mm": 5.6, "width_px": 4032, "height_px": 3024, "focal_px": 3050.0,
        "focal_sd_px": 1.5, "centre_x_px": 2040.0, "centre_y_px": 1490.0, "centre_x_sd_px": 2.0,
        "centre_y_sd_px": 1.5, "k1": 0.03, "k1_sd": 0.002, "k2": -0.05, "k2_sd": 0.006,
        "p1": 0.0, "p1_sd": 0.0, "p2": 0.0, "p2_sd": 0.0, "k3": 0.0, "k3_sd": 0.0,
        "rms_px": 0.3, "distance_m": 4.0, "photos": ["a.jpg"],
    }  # fmt: skip
    for key, value in changes.items():
        if value is ...:
            del text[key]
        else:
            text[key] = value
    return text


OPTIONAL = ("model", "lens", "lens_focal_mm", "photos")


@pytest.mark.parametrize("key", [key for key in document() if key != "kind"])
def test_every_key_that_is_missing_or_wrong_is_named(tmp_path, key):
    path = tmp_path / "p7.camera.json"
    for value in (..., [1], -1e9, True, "x" * 400, {"value": 1}):
        path.write_text(json.dumps(document(**{key: value})))
        if value is ... and key in OPTIONAL:
            read_calibration(path)
            continue
        with pytest.raises(InputError, match=key) as caught:
            read_calibration(path)
        assert all(problem.where.startswith("p7.camera.json") for problem in caught.value.problems)


def test_all_problems_of_a_file_are_told_at_once(tmp_path):
    path = tmp_path / "p7.camera.json"
    path.write_text(json.dumps(document(focal_px="3050", k2=..., width_px=0, colour="red")))
    with pytest.raises(InputError) as caught:
        read_calibration(path)
    told = str(caught.value)
    assert all(key in told for key in ("focal_px", "k2", "width_px", "colour"))
    assert len(caught.value.problems) == 4


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "empty"),
        ("{", "not valid JSON"),
        ("[]", "holds no calibration"),
        ('{"kind": "camera calibration", "kind": "x"}', "stands twice"),
        (json.dumps(document()).replace("1.5", "NaN", 1), "NaN"),
        (json.dumps(document(kind="plane file")), "holds no calibration"),
        (json.dumps(document(format=2)), "format 2 is newer"),
        ("[" * 5000, "nested"),
    ],
)
def test_other_files_are_refused(tmp_path, content, said):
    path = tmp_path / "p7.camera.json"
    path.write_text(content)
    with pytest.raises(InputError, match=said):
        read_calibration(path)
    with pytest.raises(InputError):
        read_calibration(tmp_path / "missing.camera.json")


# --- fitting it to a photo ---------------------------------------------------------------------


def project(prior, directions):
    """Pixels of directions in the camera frame, by OpenCV, with a prior's lens."""
    matrix = np.array(
        [[prior.focal, 0, prior.centre[0]], [0, prior.focal, prior.centre[1]], [0, 0, 1]]
    )
    terms = np.array([prior.k1, prior.k2, prior.p1, prior.p2, prior.k3])
    zero = np.zeros(3)
    return cv2.projectPoints(directions, zero, zero, matrix, terms)[0].reshape(-1, 2)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turned_photo_gets_the_calibration_turned(orientation):
    """Projecting, then turning the picture = turning the camera, then projecting.

    OpenCV's projection is the reference; tangential distortion is made large to be seen.
    """
    strong = replace(PHONE, distortion=(0.1, -0.05, 0.01, -0.02, 0.01))
    stored = calibrated_prior(strong, (4032, 3024), 1)
    upright = calibrated_prior(strong, (4032, 3024), orientation)
    rays = np.column_stack([np.random.default_rng(1).uniform(-0.5, 0.5, (20, 2)), np.ones(20)])
    marks = np.zeros((3, 3), np.uint8)
    marks[0, 1], marks[1, 2] = 1, 2  # up, right
    turned = turn_pixels(marks, orientation)
    up = np.argwhere(turned == 1)[0] - 1
    right = np.argwhere(turned == 2)[0] - 1
    # Camera x runs right and y down: (column, row) of the turned marks.
    rotation = np.array([[right[1], -up[1], 0], [right[0], -up[0], 0], [0, 0, 1.0]])
    expected = np.array(
        [turn_point((x, y), (4032, 3024), orientation) for x, y in project(stored, rays)]
    )
    assert project(upright, rays @ rotation.T) == pytest.approx(expected, abs=1e-8)
    assert upright.size_px == ((3024, 4032) if orientation >= 5 else (4032, 3024))


@pytest.mark.parametrize(("size_px", "ratio"), [((2016, 1512), 0.5), ((8064, 6048), 2.0)])
def test_a_scaled_photo_gets_the_calibration_scaled(size_px, ratio):
    """Pixel edges scale, and pixel centres stand half a pixel from them."""
    prior = calibrated_prior(PHONE, size_px, 1)
    assert prior.focal == pytest.approx(3050 * ratio)
    assert prior.centre[0] + 0.5 == pytest.approx((2040 + 0.5) * ratio)
    assert prior.centre[1] + 0.5 == pytest.approx((1490 + 0.5) * ratio)
    assert (prior.k1, prior.k2, prior.k3) == (0.03, -0.05, 0.01)


def test_sd_of_a_calibrated_focal_length():
    """0.1 % from shot to shot, 0.05 % of the fit, 0.14 % from 5.6 mm focused at 4 m."""
    prior = calibrated_prior(PHONE, (4032, 3024), 1)
    assert prior.focal_sd / 3050 == pytest.approx(np.sqrt(1e-6 + 0.000492**2 + 0.0014**2), rel=1e-3)
    near = calibrated_prior(replace(PHONE, distance=0.5), (4032, 3024), 1)
    assert near.focal_sd / 3050 > 0.011
    # 0.1 degree of stabiliser turn is 5.3 px.
    assert prior.centre_sd == pytest.approx(np.hypot(2.0, 5.32), abs=0.01)


def photo_with(tmp_path, calibration, size=(4032, 3024), **fields):
    """A black photo of the invented phone, read with one calibration."""
    block = exif_block(phone_fields(*size, **fields))
    image = np.zeros((size[1], size[0], 3), np.uint8)
    path = crafting.write(tmp_path / "a.jpg", crafting.jpeg_bytes(image, block))
    assigned = AssignedCalibration(
        calibration, "p7.camera.json", calibration.model, calibration.lens
    )
    return read_photo(path, (assigned,))


def test_the_calibration_of_the_camera_is_used(tmp_path):
    photo = photo_with(tmp_path, PHONE, orientation=6)
    assert photo.camera.source == "calibration"
    assert photo.camera.focal == 3050
    assert photo.camera.size_px == (3024, 4032)
    assert photo.camera.centre == pytest.approx((3023 - 1490, 2040))
    assert photo.warnings == ()
    assert "orientation 6" in photo.camera.key


def test_a_photo_turned_by_a_program_keeps_the_focal_length_and_widens_the_centre(tmp_path):
    photo = photo_with(tmp_path, PHONE, (3024, 4032))
    assert photo.camera.source == "calibration"
    assert photo.camera.centre == (1511.5, 2015.5)
    assert photo.camera.centre_sd > np.hypot(2040 - 2015.5, 1490 - 1511.5)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"focal": Fraction(22, 10), "focal_35": 13, "lens": "P7 wide 2.2 mm"}, "other-lens"),
        ({"focal": Fraction(22, 10), "focal_35": 13, "lens": None}, "other-lens"),
        ({"lens": "P7 close-up 5.6 mm"}, "other-lens"),
        ({"focal": None, "lens": None}, "other-lens"),
        ({"zoom": Fraction(2)}, "not-used"),
        ({"size": (4032, 2268)}, "other-size"),
        ({"size": (1600, 1200)}, "other-size"),
    ],
)
def test_a_calibration_that_does_not_fit_is_left_out_and_says_why(tmp_path, changes, code):
    photo = photo_with(tmp_path, PHONE, **changes)
    assert photo.camera.source != "calibration"
    told = dict(photo.warnings)
    assert f"calibration-{code}" in told
    assert told[f"calibration-{code}"].startswith("p7.camera.json was not used because")


def test_a_calibration_far_from_the_photos_own_focal_length_is_another_lens(tmp_path):
    nameless = replace(PHONE, lens=None, lens_focal=None)
    wide = photo_with(tmp_path, nameless, focal=Fraction(22, 10), focal_35=13, lens="P7 wide")
    assert wide.camera.source == "exif 35 mm equivalent"
    assert "calibration-other-lens" in dict(wide.warnings)
    assert photo_with(tmp_path, nameless).camera.source == "calibration"


def test_another_camera_is_no_reason_to_warn(tmp_path):
    photo = photo_with(tmp_path, PHONE, make="Corvo", model="C1")
    assert photo.camera.source == "exif 35 mm equivalent"
    assert photo.warnings == ()
