"""Which way is up: every format, all eight orientations, applied once."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from PIL import Image, ImageOps

from survey.photo import read_grey, read_photo, read_pixels
from survey.photo.orientation import (
    TURNS,
    compose_turns,
    turn_pixels,
    turn_point,
    turn_size,
)
from tests.photo import crafting

EVERY = range(1, 9)
# What Pillow does for each Exif orientation is the reference (ImageOps.exif_transpose).
RED, GREEN, BLUE, BLACK = (255, 0, 0), (0, 255, 0), (0, 0, 255), (0, 0, 0)


def upright_by_pillow(image: np.ndarray, orientation: int) -> np.ndarray:
    picture = Image.fromarray(image)
    picture.getexif()[0x0112] = orientation
    return np.asarray(ImageOps.exif_transpose(picture))


def corners(pixels: np.ndarray) -> np.ndarray:
    """RGB of the four corner fields of a BGR picture, reading order."""
    h, w = pixels.shape[0] // 8, pixels.shape[1] // 8
    return np.stack([pixels[h, w], pixels[h, -w], pixels[-h, w], pixels[-h, -w]])[:, ::-1]


def assert_same_corners(pixels: np.ndarray, expected_rgb: np.ndarray) -> None:
    assert pixels.shape == expected_rgb.shape
    difference = corners(pixels).astype(int) - corners(expected_rgb[..., ::-1])
    assert np.abs(difference).max() < 40


@pytest.mark.parametrize("orientation", EVERY)
def test_turning_agrees_with_pillow(orientation):
    image = np.random.default_rng(3).integers(0, 256, (5, 7, 3), dtype=np.uint8)
    assert np.array_equal(turn_pixels(image, orientation), upright_by_pillow(image, orientation))


@pytest.mark.parametrize("orientation", EVERY)
def test_a_point_lands_where_its_pixel_lands(orientation):
    image = np.zeros((5, 7, 3), np.uint8)
    image[1, 4] = 255
    x, y = turn_point((4, 1), (7, 5), orientation)
    turned = turn_pixels(image, orientation)
    assert turned[int(y), int(x)].tolist() == [255, 255, 255]
    assert (turned.shape[1], turned.shape[0]) == turn_size((7, 5), orientation)


def test_composing_two_turns_is_turning_twice():
    image = np.random.default_rng(4).integers(0, 256, (3, 4), dtype=np.uint8)
    for first, second in itertools.product(TURNS, TURNS):
        twice = turn_pixels(turn_pixels(image, first), second)
        assert np.array_equal(twice, turn_pixels(image, compose_turns(first, second)))


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("orientation", EVERY)
@pytest.mark.parametrize("make", [crafting.jpeg_bytes, crafting.png_bytes])
def test_exif_orientation_is_applied_once(tmp_path, make, orientation, order):
    stored = crafting.corner_picture()
    block = crafting.exif_block({crafting.ORIENTATION: orientation}, order=order)
    photo = read_photo(crafting.write(tmp_path / "a.jpg", make(stored, block)))
    assert photo.refused is None
    assert photo.orientation == orientation
    expected = upright_by_pillow(stored, orientation)
    assert photo.camera.size_px == (expected.shape[1], expected.shape[0])
    assert_same_corners(read_pixels(photo), expected)
    assert read_grey(photo).shape == expected.shape[:2]


@pytest.mark.parametrize("tile", [0, 256])
@pytest.mark.parametrize("orientation", EVERY)
@pytest.mark.parametrize("said_by", ["box", "exif", "both"])
def test_heic_is_turned_once_whoever_says_so(tmp_path, said_by, orientation, tile):
    stored = crafting.corner_picture(400, 300)
    exif_says = orientation if said_by != "box" else 1
    block = crafting.exif_block({crafting.ORIENTATION: exif_says, crafting.MODEL: "Halden P7"})
    if said_by == "box":
        block = None
    data = crafting.heic_bytes(
        stored, block, turned=1 if said_by == "exif" else orientation, tile=tile
    )
    photo = read_photo(crafting.write(tmp_path / "a.heic", data))
    assert photo.refused is None, photo.refused
    assert photo.format == "HEIC"
    assert photo.orientation == orientation
    expected = upright_by_pillow(stored, orientation)
    assert photo.camera.size_px == (expected.shape[1], expected.shape[0])
    assert_same_corners(read_pixels(photo), expected)
    assert read_grey(photo).shape == expected.shape[:2]


def test_heic_box_overrules_exif_and_says_so(tmp_path):
    stored = crafting.corner_picture()
    block = crafting.exif_block({crafting.ORIENTATION: 3})
    data = crafting.heic_bytes(stored, block, turned=6)
    photo = read_photo(crafting.write(tmp_path / "a.heic", data))
    assert photo.orientation == 6
    assert [code for code, _ in photo.warnings if code == "orientation"] == ["orientation"]
    assert_same_corners(read_pixels(photo), upright_by_pillow(stored, 6))


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_impossible_orientation_counts_as_upright_and_is_told(tmp_path, orientation):
    block = crafting.exif_block({crafting.ORIENTATION: orientation})
    data = crafting.jpeg_bytes(crafting.corner_picture(), block)
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data))
    assert photo.orientation == 1
    assert any(f"Orientation {orientation}" in sentence for _, sentence in photo.warnings)
    assert_same_corners(read_pixels(photo), crafting.corner_picture())
