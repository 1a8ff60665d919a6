"""A camera is measured from photos of one sheet."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from survey.calibration import calibrate_camera
from survey.errors import InputError, NotEnoughObserved
from survey.photo import read_calibration
from survey.target import sheet_image, sheet_size
from tests.cli.test_commands import run

SIZE = (1600, 1200)
FOCAL, CENTRE = 1300.0, (812.0, 590.0)
CODE = "tabloid-1"


def photograph(path, rotation_deg: tuple[float, float, float], place: tuple[float, float, float]):
    """Draw the sheet as a distortion-free camera of known focal length sees it."""
    sheet = sheet_image(CODE, 100 / 25.4)  # 100 px an inch, so that both sides are whole
    height, width = sheet.shape[:2]
    paper_width, paper_height = sheet_size(CODE)
    metres = np.array(  # sheet pixels to metres, x right, y down, centre of the sheet
        [
            [paper_width / width, 0, (0.5 / width - 0.5) * paper_width],
            [0, paper_height / height, (0.5 / height - 0.5) * paper_height],
            [0, 0, 1],
        ]
    )
    turn = np.eye(3)
    for axis, angle in enumerate(np.radians(rotation_deg)):
        turn = cv2.Rodrigues(np.eye(3)[axis] * angle)[0] @ turn
    camera = np.array([[FOCAL, 0, CENTRE[0]], [0, FOCAL, CENTRE[1]], [0, 0, 1]])
    pose = np.column_stack([turn[:, 0], turn[:, 1], place])
    fine = np.diag([4.0, 4.0, 1.0])
    fine[:2, 2] = 1.5  # pixel centres of a picture four times as fine
    large = cv2.warpPerspective(
        sheet,
        fine @ camera @ pose @ metres,
        (4 * SIZE[0], 4 * SIZE[1]),
        borderValue=(120, 120, 120),
    )
    cv2.imwrite(str(path), cv2.resize(large, SIZE, interpolation=cv2.INTER_AREA))


@pytest.fixture(scope="module")
def album(tmp_path_factory):
    folder = tmp_path_factory.mktemp("album")
    rng = np.random.default_rng(4)
    tilts = [(40, 0), (-40, 0), (0, 40), (0, -40), (30, 30), (-30, 30), (30, -30), (0, 0)]
    for number, (about_x, about_y) in enumerate(tilts):
        turn = 90.0 if number % 2 else 0.0
        place = (*rng.uniform(-0.08, 0.08, 2), rng.uniform(0.6, 0.8))
        photograph(folder / f"{number}.png", (about_x, about_y, turn), place)
    return folder


def test_focal_length_and_centre_come_out_within_their_intervals(album):
    calibration, remarks = calibrate_camera(album, CODE)
    assert remarks == ()
    assert abs(calibration.focal - FOCAL) < 3 * max(calibration.focal_sd, 0.1)
    assert abs(calibration.focal - FOCAL) < 0.003 * FOCAL
    for found, true, sd in zip(calibration.centre, CENTRE, calibration.centre_sd, strict=True):
        assert abs(found - true) < 3 * max(sd, 0.1)


def test_command_writes_a_file_that_reads_back(album, tmp_path):
    out = tmp_path / "phone.camera.json"
    result = run("calibrate", album, "--sheet", CODE, "-o", out)
    assert result.exit_code == 0, result.stderr
    assert abs(read_calibration(out).focal - FOCAL) < 0.003 * FOCAL


def test_photos_without_the_sheet_are_refused_by_name(album, tmp_path):
    with pytest.raises(NotEnoughObserved, match="letter-2"):
        calibrate_camera(album, "letter-2")
    with pytest.raises(InputError, match="napkin"):
        calibrate_camera(album, "napkin-1")
    with pytest.raises(InputError, match="no folder"):
        calibrate_camera(tmp_path / "nowhere", CODE)


def test_folder_of_notes_alone_and_no_folder_are_told_apart(tmp_path):
    (tmp_path / "README.md").write_text("take a dozen photos")
    with pytest.raises(NotEnoughObserved, match="none of the 0 photos shows sheet"):
        calibrate_camera(tmp_path, CODE)
    (tmp_path / "a.jpg").write_bytes(b"")
    with pytest.raises(NotEnoughObserved, match=r"1 photos .*a\.jpg: the file is empty"):
        calibrate_camera(tmp_path, CODE)
    with pytest.raises(InputError, match="a file, not a folder"):
        calibrate_camera(tmp_path / "a.jpg", CODE)
    with pytest.raises(InputError, match="there is no folder"):
        calibrate_camera(tmp_path / "nowhere", CODE)
