"""Sharpness and exposure of photos that were blurred on purpose by a known amount."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from survey.photo import describe_quality, photo_quality

FINE = 4  # the scene is drawn this many times finer, so that its edges are ideal


def checks(angle_deg: float = 12.0) -> np.ndarray:
    """Turned checker board, 600 x 800 after shrinking, ideal edges."""
    y, x = np.mgrid[0 : 600 * FINE, 0 : 800 * FINE].astype(np.float32) / (60 * FINE)
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    fields = np.floor(x * c + y * s) + np.floor(y * c - x * s)
    return (fields % 2 * 150 + 50).astype(np.float32)


SCENE = checks()


def photographed(blurred: np.ndarray, noise: float = 0.0, seed: int = 1) -> np.ndarray:
    small = cv2.resize(blurred, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA)
    small = small + np.random.default_rng(seed).normal(0, noise, small.shape)
    return np.clip(small, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("noise", [0.0, 3.0, 6.0])
@pytest.mark.parametrize("sd_px", [0.6, 0.8, 1.2, 2.0, 3.0])
def test_edge_width_is_that_of_the_blur(sd_px, noise):
    """10-90 % width of a Gaussian edge is 2.563 sd, here with the pixel's own 1 / sqrt(12)."""
    quality = photo_quality(
        photographed(cv2.GaussianBlur(SCENE, (0, 0), sd_px * FINE), noise=noise)
    )
    expected = 2.5631 * math.hypot(sd_px, 1 / math.sqrt(12))
    assert quality.edge_across_px == pytest.approx(expected, rel=0.3)
    assert quality.edge_down_px == pytest.approx(expected, rel=0.3)


def test_motion_is_told_from_defocus():
    soft = cv2.GaussianBlur(SCENE, (0, 0), 0.6 * FINE)
    moved = photo_quality(photographed(cv2.blur(soft, (8 * FINE, 1))))
    assert moved.edge_across_px > 2 * moved.edge_down_px
    assert "motion" in dict(describe_quality(moved))["blurred"]
    unfocused = photo_quality(photographed(cv2.GaussianBlur(SCENE, (0, 0), 2.0 * FINE)))
    assert "focus" in dict(describe_quality(unfocused))["blurred"]
    assert describe_quality(photo_quality(photographed(soft))) == ()


def test_siding_that_runs_along_the_rows_is_not_taken_for_motion():
    """Sharp stripes that climb by 6 degrees: rows cross them at a flat angle only."""
    y, x = np.mgrid[0 : 600 * FINE, 0 : 800 * FINE].astype(np.float32) / FINE
    stripes = (np.floor((y + 0.105 * x) / 20) % 2 * 150 + 50).astype(np.float32)
    sharp = photo_quality(photographed(cv2.GaussianBlur(stripes, (0, 0), 0.6 * FINE), noise=3.0))
    assert sharp.edge_across_px is None
    assert describe_quality(sharp) == ()


def test_a_direction_with_hardly_any_edge_is_not_judged():
    grey = np.full((480, 640), 120, np.uint8)
    grey[:, 40:44] = 60  # one soft post in one column of tiles
    grey[200:, :] = 200
    assert photo_quality(cv2.GaussianBlur(grey, (0, 0), 0.7)).edge_down_px is not None
    grey[100:, 40:44] = 200
    assert photo_quality(cv2.GaussianBlur(grey, (0, 0), 0.7)).edge_across_px is None


def test_real_photographs_are_sharp_until_they_are_blurred(opencv_photos):
    for name in ("left01.jpg", "right05.jpg", "graf1.png", "building.jpg"):
        grey = cv2.imread(str(opencv_photos / name), cv2.IMREAD_GRAYSCALE)
        assert describe_quality(photo_quality(grey)) == ()
        blurred = describe_quality(photo_quality(cv2.GaussianBlur(grey, (0, 0), 2.5)))
        assert [code for code, _ in blurred] == ["blurred"]


def test_exposure_is_told():
    grey = np.full((480, 640), 120, np.uint8)
    quality = photo_quality(grey)
    assert quality.edge_across_px is None
    assert describe_quality(quality) == ()
    grey[:160] = 255
    assert [code for code, _ in describe_quality(photo_quality(grey))] == ["overexposed"]
    grey[:] = 2
    assert [code for code, _ in describe_quality(photo_quality(grey))] == ["underexposed"]
