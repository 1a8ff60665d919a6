"""Decoding and checking a 12 megapixel photo, as ratios to OpenCV's bare decode of the same file.

CPU time of one thread, best of several turns taken alternately, so that other work on the machine
strikes both alike.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import cv2
import numpy as np
import pytest

from survey.photo import Photo, photo_quality, read_grey, read_photo, read_pixels
from tests.photo import crafting

pytestmark = pytest.mark.benchmark_ratio

TURNS = 9


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(threads)


@pytest.fixture(scope="module")
def image() -> np.ndarray:
    return crafting.photo_like(4032, 3024)


def phone_photo(folder, image: np.ndarray, **fields: int) -> tuple[Photo, np.ndarray]:
    """A 12 megapixel JPEG, and its bytes for the bare decoder."""
    block = crafting.exif_block(crafting.phone_fields(4032, 3024, **fields))
    data = crafting.jpeg_bytes(image, block)
    photo = read_photo(crafting.write(folder / "a.jpg", data))
    return photo, np.frombuffer(data, np.uint8)


def cost_ratio(work: Callable[[], object], bare: Callable[[], object]) -> float:
    """CPU time of `work` over that of `bare`."""
    best = {work: float("inf"), bare: float("inf")}
    for _ in range(TURNS):
        for function in (bare, work):
            start = time.process_time()
            function()
            best[function] = min(best[function], time.process_time() - start)
    return best[work] / best[bare]


def test_upright_pixels_cost_a_bare_decode(benchmark, tell, tmp_path, image):
    photo, data = phone_photo(tmp_path, image)
    ratio = cost_ratio(lambda: read_pixels(photo), lambda: cv2.imdecode(data, cv2.IMREAD_COLOR_BGR))
    np.testing.assert_array_equal(read_pixels(photo), cv2.imdecode(data, cv2.IMREAD_COLOR_BGR))
    benchmark.extra_info["ratio to bare colour decode"] = round(ratio, 3)
    benchmark.pedantic(read_pixels, (photo,), rounds=3)
    tell("upright colour pixels over bare colour decode", ratio, 1.2)


def test_a_turned_photo_costs_what_the_decoders_own_turn_costs(benchmark, tell, tmp_path, image):
    photo, data = phone_photo(tmp_path, image, orientation=6)
    ratio = cost_ratio(lambda: read_pixels(photo), lambda: cv2.imdecode(data, cv2.IMREAD_COLOR_BGR))
    np.testing.assert_array_equal(read_pixels(photo), cv2.imdecode(data, cv2.IMREAD_COLOR_BGR))
    benchmark.extra_info["ratio to bare colour decode, turned"] = round(ratio, 3)
    benchmark.pedantic(read_pixels, (photo,), rounds=3)
    tell("turned pixels over the decoder's own turn", ratio, 1.25)


def test_grey_pixels_cost_less_than_colour(benchmark, tell, tmp_path, image):
    photo, data = phone_photo(tmp_path, image)
    ratio = cost_ratio(lambda: read_grey(photo), lambda: cv2.imdecode(data, cv2.IMREAD_COLOR_BGR))
    assert read_grey(photo).shape == image.shape[:2]
    benchmark.extra_info["ratio to bare colour decode"] = round(ratio, 3)
    benchmark.pedantic(read_grey, (photo,), rounds=3)
    tell("grey pixels over bare colour decode", ratio, 0.95)


def test_checking_a_photo_costs_a_small_part_of_decoding_it(benchmark, tell, tmp_path, image):
    """Hash, structure and Exif: what `read_photos` does for each file."""
    photo, data = phone_photo(tmp_path, image)
    ratio = cost_ratio(
        lambda: read_photo(photo.path), lambda: cv2.imdecode(data, cv2.IMREAD_COLOR_BGR)
    )
    assert photo.refused is None
    benchmark.extra_info["ratio to bare colour decode"] = round(ratio, 3)
    benchmark.pedantic(read_photo, (photo.path,), rounds=3)
    tell("hash, structure and Exif over bare colour decode", ratio, 0.25)


def test_judging_sharpness_costs_less_than_half_a_decode(benchmark, tell, tmp_path, image):
    photo, data = phone_photo(tmp_path, image)
    grey = read_grey(photo)
    ratio = cost_ratio(
        lambda: photo_quality(grey), lambda: cv2.imdecode(data, cv2.IMREAD_COLOR_BGR)
    )
    assert photo_quality(grey).edge_across_px is not None
    benchmark.extra_info["ratio to bare colour decode"] = round(ratio, 3)
    benchmark.pedantic(photo_quality, (grey,), rounds=3)
    tell("sharpness and exposure over bare colour decode", ratio, 0.6)
