"""Boards printed elsewhere: drawn by OpenCV, photographed in numbers; and OpenCV's own photos."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from survey.errors import InputError
from survey.target import detect_targets, layout_of
from survey.visit.model import ForeignBoard, TargetSpec
from tests.target.rendering import develop, homography_of_pose, place_board, project

PX_PER_MM = 4.0


def foreign(kind, **fields):
    fields = {"dictionary": "DICT_6X6_250", "first_id": 0, **fields}
    return ForeignBoard(kind=kind, **fields)


def photo_of(picture, *, distance=2.2, size=(900, 800), seed=1, **pose):
    """A board's picture with paper round it, photographed; and the homography."""
    framed = np.pad(picture, 60, constant_values=255).astype(np.float32)
    middle = (size[0] / 2 + 0.2, size[1] / 2 - 0.3)
    homography = homography_of_pose(3000.0, middle, distance=distance, **pose)
    photo = np.full(size[::-1], 120.0, np.float32)
    place_board(photo, "", homography, picture=framed, px_per_mm=PX_PER_MM)
    return develop(photo, noise=1.5, rng=np.random.default_rng(seed)), homography


def drawn_charuco(columns, rows, *, square, marker, legacy):
    board = cv2.aruco.CharucoBoard(
        (columns, rows),
        square,
        marker,
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250),
    )
    board.setLegacyPattern(legacy)
    size = round(columns * square * 1000 * PX_PER_MM), round(rows * square * 1000 * PX_PER_MM)
    return board.generateImage(size, marginSize=0)


@pytest.mark.parametrize("number", [0, 41, 249])
def test_single_marker_gives_its_four_corners(number):
    board = foreign("marker", marker=0.096, first_id=number)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    picture = dictionary.generateImageMarker(number, round(96 * PX_PER_MM))
    photo, homography = photo_of(picture, yaw_deg=25, roll_deg=8)
    (seen,), problems = detect_targets(photo, [TargetSpec("m", board)])
    assert problems == ()
    assert np.allclose(
        seen.corners_target, [[-0.048, 0.048], [0.048, 0.048], [0.048, -0.048], [-0.048, -0.048]]
    )
    assert np.abs(seen.corners_px - project(homography, seen.corners_target)).max() < 0.1
    assert seen.module_px == pytest.approx(
        3000 * 0.012 / 2.2 * np.cos(np.radians(25)) ** 0.5, rel=0.02
    )


def test_marker_grid_gives_all_its_corners():
    grid = cv2.aruco.GridBoard(
        (4, 3), 0.05, 0.0125, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    )
    size = round(237.5 * PX_PER_MM), round(175 * PX_PER_MM)
    picture = grid.generateImage(size, marginSize=0)
    board = foreign("marker grid", marker=0.05, gap=0.0125, columns=4, rows=3)
    photo, homography = photo_of(picture, yaw_deg=-20, pitch_deg=10)
    (seen,), problems = detect_targets(photo, [TargetSpec("g", board)])
    assert problems == ()
    assert (len(seen.corners_px), seen.coverage) == (48, 1.0)
    # OpenCV draws this grid to whole pixels of its own, 0.06 mm each at most.
    assert np.abs(seen.corners_px - project(homography, seen.corners_target)).max() < 0.5


def test_marker_grid_declared_wrong_is_named():
    grid = cv2.aruco.GridBoard(
        (4, 3), 0.05, 0.0125, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    )
    picture = grid.generateImage((950, 700), marginSize=0)
    photo, _ = photo_of(picture, yaw_deg=-20)
    wrong = foreign("marker grid", marker=0.05, gap=0.0125, columns=3, rows=4)
    sightings, (problem,) = detect_targets(photo, [TargetSpec("g", wrong)])
    assert sightings == ()
    assert problem.code == "wrong layout"
    assert "gap" in problem.sentence


@pytest.mark.parametrize(("columns", "rows"), [(5, 7), (6, 4)])
@pytest.mark.parametrize("legacy", [False, True])
def test_charuco_board_gives_all_chess_corners(columns, rows, legacy):
    picture = drawn_charuco(columns, rows, square=0.04, marker=0.03, legacy=legacy)
    board = foreign(
        "charuco", columns=columns, rows=rows, square=0.04, marker=0.03, legacy_layout=legacy
    )
    photo, homography = photo_of(picture, yaw_deg=20, roll_deg=-5)
    (seen,), problems = detect_targets(photo, [TargetSpec("c", board)])
    assert problems == ()
    assert len(seen.corners_px) == (columns - 1) * (rows - 1)
    assert np.abs(seen.corners_px - project(homography, seen.corners_target)).max() < 0.1


@pytest.mark.parametrize(("columns", "rows"), [(5, 6), (6, 4)])
@pytest.mark.parametrize("legacy", [False, True])
def test_charuco_board_in_the_other_layout_is_read_and_named(columns, rows, legacy):
    """They differ for even numbers of rows; of 5 x 6 the wrong one fits all but a row."""
    picture = drawn_charuco(columns, rows, square=0.04, marker=0.03, legacy=legacy)
    board = foreign(
        "charuco", columns=columns, rows=rows, square=0.04, marker=0.03, legacy_layout=not legacy
    )
    photo, homography = photo_of(picture, yaw_deg=20)
    (seen,), (problem,) = detect_targets(photo, [TargetSpec("c", board)])
    assert problem.code == "wrong layout"
    assert f"legacy_layout = {str(legacy).lower()}" in problem.sentence
    assert np.abs(seen.corners_px - project(homography, seen.corners_target)).max() < 0.1


def test_half_hidden_charuco_board_gives_the_rest():
    picture = drawn_charuco(5, 7, square=0.04, marker=0.03, legacy=False)
    picture[: picture.shape[0] * 3 // 7] = 128
    board = foreign("charuco", columns=5, rows=7, square=0.04, marker=0.03)
    photo, homography = photo_of(picture, yaw_deg=20)
    (seen,), problems = detect_targets(photo, [TargetSpec("c", board)])
    assert problems == ()
    assert 0.4 < seen.coverage < 0.75
    assert np.abs(seen.corners_px - project(homography, seen.corners_target)).max() < 0.15


@pytest.mark.parametrize("name", ["DICT_9X9_50", "dict_6x6_250", "", "6X6"])
def test_unknown_dictionary_is_refused_with_the_known_ones(name):
    board = foreign("marker", dictionary=name, marker=0.1)
    with pytest.raises(InputError, match="no marker dictionary") as told:
        layout_of(board)
    assert "DICT_6X6_250" in str(told.value)


def test_number_outside_the_dictionary_is_refused_with_its_range():
    board = foreign("marker", dictionary="DICT_4X4_50", marker=0.1, first_id=50)
    with pytest.raises(InputError, match=r"marker 50 is not in DICT_4X4_50.*0 to 49"):
        layout_of(board)


@pytest.mark.parametrize(
    ("board", "told"),
    [
        (foreign("chessboard", marker=0.1), "no kind of board 'chessboard'"),
        (foreign("marker", marker=0.0), "side can't be 0.0 m"),
        (foreign("marker grid", marker=0.1, columns=2, rows=2), "gap between its markers"),
        (foreign("charuco", marker=0.04, square=0.03, columns=5, rows=7), "square larger"),
    ],
)
def test_board_that_cannot_be_is_refused(board, told):
    with pytest.raises(InputError, match=told):
        layout_of(board)


@pytest.fixture
def tutorial(opencv_photos):
    """Folder of OpenCV's ArUco tutorial photos (Debian package opencv-doc)."""
    folder = opencv_photos.parents[1] / "opencv4" / "html"
    if not (folder / "singlemarkersoriginal.jpg").is_file():
        pytest.skip("needs the tutorial photographs of Debian's opencv-doc")
    return folder


def grey_of(path):
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)


def test_markers_of_the_tutorial_photo_are_those_the_tutorial_names(tutorial):
    """OpenCV tutorial "Detection of ArUco Markers": ids 23, 40, 62, 98, 124, 203.

    Its detector gives whole-pixel corners here; ours must agree within a pixel.
    """
    photo = grey_of(tutorial / "singlemarkersoriginal.jpg")
    specs = [TargetSpec(str(n), foreign("marker", marker=0.05, first_id=n)) for n in range(0, 250)]
    sightings, _ = detect_targets(photo, specs)
    assert [int(seen.target) for seen in sightings] == [23, 40, 62, 98, 124, 203]
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(photo)
    theirs = dict(zip(ids.ravel().tolist(), (c[0] for c in corners), strict=True))
    for seen in sightings:
        assert np.abs(seen.corners_px - theirs[int(seen.target)]).max() < 1.5


TUTORIAL_CHARUCO = foreign("charuco", columns=5, rows=7, square=0.04, marker=0.02)


def test_charuco_board_of_the_tutorial_photo_gives_24_corners(tutorial):
    """OpenCV tutorial "Detection of ChArUco Boards": 5 x 7 squares, 24 inner corners."""
    photo = grey_of(tutorial / "choriginal.jpg")
    (seen,), problems = detect_targets(photo, [TargetSpec("c", TUTORIAL_CHARUCO)])
    assert problems == ()
    assert (len(seen.corners_px), seen.coverage) == (24, 1.0)
    board = cv2.aruco.CharucoBoard(
        (5, 7), 0.04, 0.02, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    )
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(photo)
    assert len(ids) == 24
    theirs = np.array(corners).reshape(-1, 2)[np.argsort(np.ravel(ids))]
    assert np.abs(seen.corners_px - theirs).max() < 1.0


def test_charuco_board_behind_things_is_refused_or_partly_used(tutorial):
    photo = grey_of(tutorial / "chocclusion.jpg")
    sightings, problems = detect_targets(photo, [TargetSpec("c", TUTORIAL_CHARUCO)])
    assert problems or all(seen.coverage < 1 for seen in sightings)
    assert len(sightings) + len(problems) >= 1
