"""Snapping finds corners and edges of known place, and its sd is as large as its errors."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from survey.errors import InputError
from survey.web.snapping import CORNER_SD_PX, EDGE_SD_PX, snap_line, snap_point

SIZE = 121
FINE = 5  # samples a pixel and axis when a shape is drawn


def drawn(inside, *, blur: float, noise: float, jpeg: int | None, rng) -> np.ndarray:
    """Photo of a shape given by a function of (x, y) in the pixel frame."""
    at = (np.arange(SIZE * FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(at, at)
    share = inside(x, y).astype(np.float32)
    share = share.reshape(SIZE, FINE, SIZE, FINE).mean(axis=(1, 3))
    low, step = rng.uniform(40, 120), rng.uniform(30, 110)
    image = cv2.GaussianBlur(low + step * share, (0, 0), blur)
    image = np.clip(np.rint(image + rng.normal(0, noise, image.shape)), 0, 255).astype(np.uint8)
    if jpeg:
        _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        image = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    return image


def wedge(apex, start: float, opening: float):
    return lambda x, y: (np.arctan2(y - apex[1], x - apex[0]) - start) % (2 * np.pi) < opening


def half_plane(place, angle: float):
    nx, ny = -np.sin(angle), np.cos(angle)
    return lambda x, y: (x - place[0]) * nx + (y - place[1]) * ny > 0


MIXTURES = [(0.7, 1.0, None), (0.8, 2.0, 92), (1.2, 3.0, 90), (1.5, 5.0, 85), (2.0, 3.0, 90)]


@pytest.mark.parametrize(("blur", "noise", "jpeg"), MIXTURES)
def test_corners_are_found_and_two_sds_hold_nine_of_ten_errors(blur, noise, jpeg):
    rng = np.random.default_rng(11)
    errors, sds = [], []
    for _ in range(24):
        apex = 60 + rng.uniform(-0.5, 0.5, 2)
        opening = np.radians(rng.uniform(50, 130))
        shape = wedge(apex, rng.uniform(0, 2 * np.pi), opening)
        image = drawn(shape, blur=blur, noise=noise, jpeg=jpeg, rng=rng)
        found = snap_point(image, list(apex + rng.uniform(-5, 5, 2)), 12)
        assert found.kind == "corner"
        errors.append(np.array(found.px) - apex)
        sds.append(found.sd_px)
    within = np.abs(np.array(errors)) < 2 * np.array(sds)[:, None]
    assert within.mean() >= 0.9
    assert min(sds) >= CORNER_SD_PX
    assert np.median(sds) < 1.0  # of use: a press by eye has 1.5


def test_a_clean_corner_is_found_to_a_tenth_of_a_pixel_in_every_direction():
    rng = np.random.default_rng(12)
    for number in range(24):
        apex = 60 + rng.uniform(-0.5, 0.5, 2)
        shape = wedge(apex, number * np.pi / 12, np.radians(90))
        image = drawn(shape, blur=0.8, noise=0.5, jpeg=None, rng=rng)
        found = snap_point(image, [apex[0] + 3, apex[1] - 2], 12)
        assert np.linalg.norm(np.array(found.px) - apex) < 0.15


@pytest.mark.parametrize(("blur", "noise", "jpeg"), MIXTURES)
def test_an_edge_moves_the_press_square_to_it_only(blur, noise, jpeg):
    rng = np.random.default_rng(13)
    errors, sds = [], []
    for _ in range(20):
        place, angle = 60 + rng.uniform(-0.5, 0.5, 2), rng.uniform(0, np.pi)
        image = drawn(half_plane(place, angle), blur=blur, noise=noise, jpeg=jpeg, rng=rng)
        press = place + rng.uniform(-5, 5, 2)
        found = snap_point(image, list(press), 12)
        assert found.kind == "edge"
        normal = np.array([-np.sin(angle), np.cos(angle)])
        along = np.array([np.cos(angle), np.sin(angle)])
        errors.append(float((np.array(found.px) - place) @ normal))
        assert abs(float((np.array(found.px) - press) @ along)) < 0.5
        assert abs(np.sin(found.angle - angle)) < 0.05
        sds.append(found.sd_px)
    assert np.mean(np.abs(errors) < 2 * np.array(sds)) >= 0.95
    assert min(sds) >= EDGE_SD_PX


def test_both_ends_of_a_stretch_are_moved_onto_its_edge():
    rng = np.random.default_rng(14)
    for _ in range(20):
        place, angle = 60 + rng.uniform(-0.5, 0.5, 2), rng.uniform(0, np.pi)
        image = drawn(half_plane(place, angle), blur=1.0, noise=2.0, jpeg=90, rng=rng)
        normal = np.array([-np.sin(angle), np.cos(angle)])
        along = np.array([np.cos(angle), np.sin(angle)])
        ends = [list(place + s * 45 * along + rng.uniform(-4, 4) * normal) for s in (-1, 1)]
        found = snap_line(image, *ends, 8)
        assert found["kind"] == "edge"
        for end in found["px"]:
            assert abs(float((np.array(end) - place) @ normal)) < 2.5 * found["sd_px"]


def test_a_curved_edge_has_a_larger_sd_than_a_straight_one():
    rng = np.random.default_rng(15)
    sds = []
    for radius in (60.0, 1e5):
        centre = np.array([60.0, 60.0 + radius])

        def disc(x, y, centre=centre, radius=radius):
            return np.hypot(x - centre[0], y - centre[1]) < radius

        image = drawn(disc, blur=0.8, noise=1.0, jpeg=None, rng=rng)
        found = snap_line(image, [40, 62], [80, 62], 10)
        sds.append(found["sd_px"] if found["kind"] == "edge" else np.inf)
    assert sds[0] > 2 * sds[1]


def test_the_nearer_of_two_parallel_edges_is_taken():
    rng = np.random.default_rng(16)
    image = drawn(lambda x, y: (y > 50.3) & (y < 62.3), blur=0.8, noise=1.0, jpeg=None, rng=rng)
    for press, truth in ((52.0, 50.3), (60.0, 62.3)):
        found = snap_point(image, [60, press], 6)
        assert found.kind == "edge" and abs(found.px[1] - truth) < 0.2


def test_noise_and_flat_walls_leave_the_press_where_it_was():
    rng = np.random.default_rng(17)
    for noise in (0.0, 4.0, 8.0):
        flat = np.clip(rng.normal(120, noise, (SIZE, SIZE)), 0, 255).astype(np.uint8)
        found = snap_point(flat, [60.25, 59.5], 12)
        assert found.kind == "none" and found.px == (60.25, 59.5)
        assert snap_line(flat, [20, 60], [100, 61], 10)["kind"] == "none"


def test_presses_at_the_very_border_do_no_harm():
    rng = np.random.default_rng(18)
    image = drawn(wedge((60, 60), 0.3, 1.6), blur=1, noise=2, jpeg=None, rng=rng)
    for press in ([0, 0], [120, 120], [-0.5, 60], [60, 120.4], [-100, 60], [500, 500]):
        found = snap_point(image, press, 20)
        assert np.linalg.norm(np.array(found.px) - press) <= 20
        snap_line(image, press, [60, 60], 10)


@pytest.mark.parametrize("px", [None, [], [1], [1, "a"], [1, 2, 3], [True, 2], [1e9, 2], "ab"])
def test_a_press_that_is_no_place_is_refused(px):
    image = np.zeros((20, 20), np.uint8)
    with pytest.raises(InputError, match="no place"):
        snap_point(image, px, 10)
    for radius in (None, 0, 1e3, "x", True):
        with pytest.raises(InputError, match="radius"):
            snap_point(image, [5, 5], radius)
