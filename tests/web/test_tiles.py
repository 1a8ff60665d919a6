"""Tiles are the photo: every level, every edge, every turn."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import pytest

from survey.photo import read_photo, read_pixels
from survey.web.settings import TILE_PX
from survey.web.shelf import Shelf
from survey.web.tiles import Cutter, Kept, NotHere, cut_crop, cut_tile, level_sizes, make_levels
from tests.web.visits import write_photo

SIZES = [(1, 1), (512, 512), (513, 512), (1300, 1001), (1025, 2049), (4032, 3024), (3, 2000)]


@pytest.mark.parametrize("size", SIZES)
def test_levels_halve_until_one_tile_holds_all(size):
    sizes = level_sizes(size)
    assert sizes[0] == size
    assert max(sizes[-1]) <= TILE_PX
    assert all(max(one) > TILE_PX for one in sizes[:-1])
    for (w, h), (v, g) in pairwise(sizes):
        assert (v, g) == (-(-w // 2), -(-h // 2))


@pytest.mark.parametrize("size", [(513, 512), (1300, 1001), (1025, 2049), (600, 3)])
def test_tiles_of_every_level_put_together_are_that_level(size):
    rng = np.random.default_rng(3)
    pixels = rng.integers(0, 256, (size[1], size[0], 3), dtype=np.uint8)
    levels = make_levels(pixels)
    assert np.array_equal(levels[0], pixels)
    for number, level in enumerate(levels):
        height, width = level.shape[:2]
        assert (width, height) == level_sizes(size)[number]
        rows = []
        for row in range(-(-height // TILE_PX)):
            tiles = [
                cut_tile(levels, number, column, row) for column in range(-(-width // TILE_PX))
            ]
            assert all(max(tile.shape[:2]) <= TILE_PX for tile in tiles)
            rows.append(np.hstack(tiles))
        assert np.array_equal(np.vstack(rows), level)
        for column, row in ((-(-width // TILE_PX), 0), (0, -(-height // TILE_PX)), (-1, 0)):
            with pytest.raises(NotHere):
                cut_tile(levels, number, column, row)
    with pytest.raises(NotHere):
        cut_tile(levels, len(levels), 0, 0)


def test_a_pixel_of_each_level_is_the_mean_of_the_photo_pixels_it_covers():
    rng = np.random.default_rng(4)
    pixels = rng.integers(0, 256, (1024, 2048, 3), dtype=np.uint8)
    for number, level in enumerate(make_levels(pixels)):
        step = 2**number
        exact = pixels.reshape(1024 // step, step, 2048 // step, step, 3).mean(axis=(1, 3))
        # each level rounds once: at most half a grey level for each halving
        assert np.abs(level - exact).max() <= 0.5 * number + 1e-9


def test_a_speck_stays_at_its_place_on_every_level():
    # centre of pixel (i, j) of level L: ((i + 0.5) 2^L - 0.5, (j + 0.5) 2^L - 0.5) of the photo
    width, height = 2001, 1333
    for x, y in ((1000, 700), (2000, 1332), (0, 0), (1999, 1331)):
        pixels = np.zeros((height, width, 3), dtype=np.uint8)
        pixels[max(y - 12, 0) : y + 13, max(x - 12, 0) : x + 13] = 255
        true_x = (max(x - 12, 0) + min(x + 12, width - 1)) / 2
        true_y = (max(y - 12, 0) + min(y + 12, height - 1)) / 2
        for number, level in enumerate(make_levels(pixels)):
            weight = level[..., 0].astype(float)
            rows, columns = np.nonzero(weight)
            at = weight[rows, columns]
            i, j = (columns @ at) / at.sum(), (rows @ at) / at.sum()
            # the repeated last column or row of an odd size weighs twice at the very border
            border = 2.0**number if x > width - 14 or y > height - 14 else 0.3
            assert abs((i + 0.5) * 2**number - 0.5 - true_x) < border
            assert abs((j + 0.5) * 2**number - 0.5 - true_y) < border


@pytest.mark.parametrize("at", [(0, 0), (650.4, 500.6), (1299, 1000), (5.5, 990.2), (-0.6, 1001.4)])
@pytest.mark.parametrize("size", [1, 2, 63, 64, 200])
def test_a_crop_holds_the_photo_pixels_that_it_says(at, size):
    rng = np.random.default_rng(5)
    pixels = rng.integers(0, 256, (1001, 1300, 3), dtype=np.uint8)
    crop = cut_crop(pixels, *at, size)
    assert crop.shape == (size, size, 4)
    left, top = int(np.floor(at[0] + 0.5)) - size // 2, int(np.floor(at[1] + 0.5)) - size // 2
    for i in range(0, size, max(size // 7, 1)):
        for j in range(0, size, max(size // 7, 1)):
            x, y = left + i, top + j
            if 0 <= x < 1300 and 0 <= y < 1001:
                assert tuple(crop[j, i]) == (*pixels[y, x], 255)
            else:
                assert crop[j, i, 3] == 0


def exif_turned(jpeg: bytes, orientation: int) -> bytes:
    tiff = b"II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00"
    tiff += bytes([orientation, 0, 0, 0, 0, 0, 0, 0])
    body = b"Exif\x00\x00" + tiff
    return jpeg[:2] + b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body + jpeg[2:]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_tiles_and_crops_show_the_photo_upright_whatever_its_turn(tmp_path, orientation):
    path = write_photo(tmp_path / "a.jpg")
    path.write_bytes(exif_turned(path.read_bytes(), orientation))
    photo = read_photo(path)
    assert photo.orientation == orientation
    upright = read_pixels(photo)
    cutter = Cutter()
    size = (upright.shape[1], upright.shape[0])
    assert photo.camera is not None and photo.camera.size_px == size
    png = cutter.crop(photo, 321.0, 234.0, 64)
    crop = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(crop[..., :3], upright[202:266, 289:353])
    tile = cv2.imdecode(np.frombuffer(cutter.tile(photo, 0, 1, 0), np.uint8), cv2.IMREAD_COLOR)
    assert np.abs(tile.astype(int) - upright[:512, 512:1024]).mean() < 3.0


def test_little_is_kept_and_each_thing_is_made_once():
    made = []
    kept: Kept[bytes] = Kept(100, len)

    def make(name: str) -> bytes:
        made.append(name)
        return b"x" * 40

    for name in "abacada":
        kept.get((name,), lambda name=name: make(name))
    assert made == ["a", "b", "c", "d"]  # a is used again and again, so it stays
    assert kept.weight <= 100
    kept.get(("b",), lambda: make("b"))
    assert made[-1] == "b"


def test_what_fails_to_be_made_is_not_kept():
    kept: Kept[bytes] = Kept(100, len)
    with pytest.raises(ZeroDivisionError):
        kept.get(("a",), lambda: bytes(1 // 0))
    assert kept.get(("a",), lambda: b"ok") == b"ok"


def test_a_photo_that_changes_on_disk_is_read_again(desk, folder):
    shelf = Shelf()
    first = shelf.photo(desk.book.visit, "front.jpg")
    assert first is shelf.photo(desk.book.visit, "front.jpg")
    write_photo(folder / "photos" / "front.jpg", seed=77)
    second = shelf.photo(desk.book.visit, "front.jpg")
    assert second is not None and first is not None and second.sha256 != first.sha256
    assert shelf.photo(desk.book.visit, "none.jpg") is None


def test_tiles_come_by_http_with_their_stamp_kept_for_ever(asker):
    visit = asker.get("/api/visit").json()
    photo = visit["photos"][0]
    assert photo["levels"] == [[1300, 1001], [650, 501], [325, 251]]
    name = photo["name"]
    answer = asker.get(f"/tiles/{name}/1/1_0.jpg?v={photo['stamp']}")
    assert answer.status_code == 200 and answer.headers["content-type"] == "image/jpeg"
    assert "immutable" in answer.headers["cache-control"]
    image = cv2.imdecode(np.frombuffer(answer.content, np.uint8), cv2.IMREAD_COLOR)
    assert image.shape == (501, 138, 3)
    assert asker.get(f"/tiles/{name}/1/1_0.jpg").headers["cache-control"] == "no-store"
    thumb = asker.get(f"/thumb/{name}.jpg").content
    assert cv2.imdecode(np.frombuffer(thumb, np.uint8), cv2.IMREAD_COLOR).shape == (251, 325, 3)
    spaced = asker.get("/tiles/photo%201.jpg/0/0_0.jpg")
    assert spaced.status_code == 200


@pytest.mark.parametrize(
    "query", ["x=a&y=1", "x=1", "x=1&y=1&size=0", "x=1&y=1&size=513", "x=nan&y=1", "x=1e9&y=1",
              "x=1_0&y=1", "x=inf&y=1", "x=1&y=1&size=1e3", "x=1&y=1&size=99999999999999"],
)  # fmt: skip
def test_odd_crops_are_refused_in_words(asker, query):
    answer = asker.get(f"/crop/front.jpg.png?{query}")
    assert answer.status_code == 422 and answer.json()["error"]
