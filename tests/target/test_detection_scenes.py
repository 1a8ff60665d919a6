"""Boards photographed in numbers: every corner's place is known to compare with."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from survey.target import detect_targets, sheet_image
from survey.target.decoding import _unit_square_to
from survey.target.sheets import SADDLES
from survey.visit.model import SheetBoard, TargetSpec
from tests.target.rendering import (
    develop,
    homography_of_size,
    photograph,
    place_board,
    project,
)

CODE = "letter-3"
SPEC = TargetSpec("porch board", SheetBoard(CODE))


def one_board(photo):
    sightings, problems = detect_targets(photo, [SPEC], photo="a.jpg")
    assert problems == ()
    assert len(sightings) == 1
    assert (sightings[0].photo, sightings[0].target) == ("a.jpg", "porch board")
    return sightings[0]


def case(board_px, seed, *, jpeg, most_yaw=45.0):
    """A seeded photo, its homography, and what was seen."""
    rng = np.random.default_rng([7, board_px, seed])
    side = int(board_px * 1.6) + 40
    homography = homography_of_size(
        CODE,
        board_px,
        at_px=side / 2 + rng.uniform(-3, 3, 2),
        yaw_deg=rng.uniform(-most_yaw, most_yaw),
        pitch_deg=rng.uniform(-20, 20),
        roll_deg=rng.uniform(-15, 15),
    )
    photo = photograph(
        CODE,
        homography,
        (side, side),
        blur_px=rng.uniform(0.5, 1.3),
        noise=rng.uniform(1, 4),
        jpeg=jpeg,
        rng=rng,
    )
    return homography, photo


def normalised(homography, seen):
    """Residuals over their stated sd."""
    residual = seen.corners_px - project(homography, seen.corners_target)
    return residual / seen.sd_px[:, None]


def test_pixel_frame_counts_from_the_centre_of_the_top_left_pixel():
    """A board drawn square on, about the corner that four pixels share: its centre reads x.5.

    The pattern is symmetric about its centre, so the mean of its 44 saddles is the centre itself,
    whatever the scale: 120 pixels left of it means 119.5 when the first pixel's centre is 0.
    """
    module = 12
    frame = np.indices((13, 13)).sum(axis=0) % 2 == 0
    frame[2:11, 2:11] = False
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    frame[3:10, 3:10] = dictionary.generateImageMarker(2, 7, borderBits=1) == 0
    photo = np.full((240, 240), 230, np.uint8)
    start = 120 - 13 * module // 2
    photo[start : start + 156, start : start + 156] = np.where(
        np.kron(frame, np.ones((12, 12))), 20, 230
    )
    seen = one_board(cv2.GaussianBlur(photo, (0, 0), 0.7))
    assert len(seen.corners_px) == SADDLES
    assert np.abs(seen.corners_px.mean(axis=0) - 119.5).max() < 0.005
    # The top left saddle is one module in from the corner pixel's outer edge.
    assert np.abs(seen.corners_px[0] - (start + module - 0.5)).max() < 0.02


@pytest.mark.parametrize("board_px", [60, 110, 200, pytest.param(400, marks=pytest.mark.slow)])
@pytest.mark.parametrize("blur_px", [0.5, 0.8, 1.2])
def test_ideal_pictures_leave_no_bias(board_px, blur_px):
    side = board_px * 1.25 + 40
    homography = homography_of_size(
        CODE, board_px, at_px=(side / 2 + 0.3, side / 2 - 0.4), yaw_deg=15, pitch_deg=5, roll_deg=3
    )
    photo = photograph(CODE, homography, (int(side), int(side)), blur_px=blur_px)
    seen = one_board(photo)
    residual = seen.corners_px - project(homography, seen.corners_target)
    assert len(residual) == SADDLES
    assert np.abs(residual.mean(axis=0)).max() < 0.002
    assert np.abs(residual).max() < 0.025


@pytest.mark.parametrize("jpeg", [None, 92])
def test_residuals_are_as_large_as_the_stated_sds(jpeg):
    found = []
    for board_px in (42, 60, 80, 110, 150, 200):
        for seed in range(3):
            homography, photo = case(board_px, seed, jpeg=jpeg)
            found.append(normalised(homography, one_board(photo)).ravel())
    every = np.concatenate(found)
    assert 0.7 < np.sqrt(np.mean(every**2)) < 1.3
    assert abs(every.mean()) < 0.1
    assert (np.abs(every) > 4).mean() < 0.002


@pytest.mark.slow
@pytest.mark.parametrize("board_px", [40, 50, 65, 80, 100, 140, 200, 280, 400])
def test_residuals_are_as_large_as_the_stated_sds_at_every_size(board_px):
    """At 400 px they are 0.6 of it: the worst patch's residual counts for more than it should."""
    found = []
    for seed in range(30):
        homography, photo = case(board_px, seed, jpeg=(None, 92, 80)[seed % 3])
        sightings, _ = detect_targets(photo, [SPEC])
        found += [normalised(homography, seen) for seen in sightings]
    # At 40 px, turned by up to 45 degrees, a module is two to three pixels: not all are read.
    assert len(found) >= (30 if board_px >= 50 else 20)
    spread = np.sqrt(np.mean(np.concatenate(found) ** 2))
    assert (0.7 if board_px < 200 else 0.55) < spread < 1.3


@pytest.mark.parametrize("module_px", [4.0, 4.5, 5.0])
@pytest.mark.parametrize("yaw_deg", [0, 30, 45])
def test_found_at_four_pixels_a_module(module_px, yaw_deg):
    for seed in range(4):
        rng = np.random.default_rng([9, int(module_px * 10), yaw_deg, seed])
        homography = homography_of_size(
            CODE,
            13 * module_px,
            at_px=rng.uniform(95, 105, 2),
            yaw_deg=yaw_deg,
            pitch_deg=rng.uniform(-10, 10),
            roll_deg=rng.uniform(-10, 10),
        )
        photo = photograph(CODE, homography, (200, 200), noise=2, jpeg=90, rng=rng)
        seen = one_board(photo)
        assert np.sqrt(np.mean(normalised(homography, seen) ** 2)) < 2.0


@pytest.mark.parametrize("board_px", [26, 30, 36])
def test_whole_fit_of_a_tiny_board_keeps_to_its_sds(board_px):
    """Two or three pixels a module: four points stand for the whole print."""
    found = []
    for seed in range(12):
        homography, photo = case(board_px, seed, jpeg=None, most_yaw=10.0)
        sightings, _ = detect_targets(photo, [SPEC])
        found += [normalised(homography, seen).ravel() for seen in sightings]
    assert len(found) >= 4
    assert np.sqrt(np.mean(np.concatenate(found) ** 2)) < 1.6


def pasted(code, px_per_mm, photo, left, top):
    """Lay a sheet's picture into a photo, square on; returns pixels of points of the target."""
    picture = sheet_image(code, px_per_mm)
    height, width = picture.shape
    photo[top : top + height, left : left + width] = 25 + picture * (205 / 255)
    middle = np.array([left + (width - 1) / 2, top + (height - 1) / 2])
    return lambda points: points * [1, -1] * px_per_mm * 1000 + middle


def test_a_print_that_fills_the_photo_is_found():
    photo = np.full((3000, 2400), 110.0, np.float32)
    to_px = pasted(CODE, 10.0, photo, 120, 100)  # a module is 140 px
    seen = one_board(develop(photo, noise=2, rng=np.random.default_rng(3)))
    assert len(seen.corners_px) == SADDLES
    assert np.abs(seen.corners_px - to_px(seen.corners_target)).max() < 0.1


def test_two_boards_of_very_different_size_are_both_found():
    photo = np.full((2400, 3000), 110.0, np.float32)
    near = pasted(CODE, 8.0, photo, 100, 50)
    far = pasted("letter-4", 0.4, photo, 2500, 600)
    specs = [SPEC, TargetSpec("far board", SheetBoard("letter-4"))]
    grey = develop(photo, noise=2, rng=np.random.default_rng(4))
    sightings, problems = detect_targets(grey, specs)
    assert problems == ()
    assert [seen.target for seen in sightings] == ["porch board", "far board"]
    for to_px, seen in zip((near, far), sightings, strict=True):
        residual = seen.corners_px - to_px(seen.corners_target)
        assert np.sqrt(np.mean((residual / seen.sd_px[:, None]) ** 2)) < 2.0


def test_colour_and_grey_give_the_same_corners():
    _, photo = case(110, 1, jpeg=None)
    grey = one_board(photo)
    colour = one_board(np.repeat(photo[:, :, None], 3, axis=2))
    assert np.allclose(grey.corners_px, colour.corners_px, atol=1e-9)


def test_searching_twice_gives_the_same_numbers():
    _, photo = case(110, 2, jpeg=92)
    first, second = one_board(photo), one_board(photo)
    assert (first.corners_px == second.corners_px).all()
    assert (first.sd_px == second.sd_px).all()


def test_light_that_falls_off_across_the_board_is_borne():
    homography = homography_of_size(CODE, 160, at_px=(150, 150), yaw_deg=20)
    photo = np.full((300, 300), 110, np.float32)
    place_board(photo, CODE, homography)
    photo *= np.linspace(1.1, 0.35, 300, dtype=np.float32)
    seen = one_board(develop(photo, noise=1.5, rng=np.random.default_rng(2)))
    assert seen.coverage == 1.0
    residual = seen.corners_px - project(homography, seen.corners_target)
    assert np.abs(residual).max() < 0.15


@pytest.mark.parametrize("shade", [0.25, 0.5, 0.75])
def test_hard_half_shade_never_gives_a_wrong_corner(shade):
    homography = homography_of_size(CODE, 160, at_px=(150, 150), yaw_deg=20)
    photo = np.full((300, 300), 110, np.float32)
    place_board(photo, CODE, homography)
    photo[:, 160:] *= shade
    grey = develop(photo, noise=1.5, rng=np.random.default_rng(2))
    for seen in detect_targets(grey, [SPEC])[0]:
        residual = seen.corners_px - project(homography, seen.corners_target)
        assert np.abs(residual).max() < 0.6


def test_unit_square_is_mapped_as_opencv_maps_it():
    """Against cv2.getPerspectiveTransform and cv2.perspectiveTransform."""
    rng = np.random.default_rng(6)
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    points = rng.uniform(0, 1, (20, 2))
    quads = 100 * square + rng.uniform(-20, 20, (10, 4, 2))
    ours = _unit_square_to(quads, points)
    for quad, mapped in zip(quads, ours, strict=True):
        theirs = cv2.getPerspectiveTransform(square, quad.astype(np.float32))
        expected = cv2.perspectiveTransform(points[None], theirs)[0]
        assert np.abs(mapped - expected).max() < 1e-3
