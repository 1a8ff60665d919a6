"""The sample's photos as files: size, Exif, and every target meant to be seen is seen."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from PIL import Image, ImageOps

from survey.photo import read_photos
from survey.target import find_targets, sheet_layout
from survey.visit import open_visit
from tests.sample.made import PORCH, SAMPLE, develop, place

SHOTS = {shot.name: shot for shot in place.SHOTS}
MEANT = {
    "front_left.jpg": {"wall board", "rail board"},
    "front_right.jpg": {"wall board", "rail board"},
    "left_side.jpg": {"wall board"},
    "right_corner.jpg": {"rail board"},
    "lawn_far.jpg": {"wall board", "rail board"},
    "ladder_left.jpg": {"roof board"},
    "ladder_right.jpg": {"roof board"},
    "ladder_middle.jpg": {"roof board"},
}


@cache
def seen():
    visit = open_visit(PORCH)
    photos = read_photos(visit)
    return photos, *find_targets(visit, photos)


def test_the_whole_sample_is_under_25_megabytes():
    assert sum(path.stat().st_size for path in SAMPLE.rglob("*") if path.is_file()) < 25e6


@pytest.mark.parametrize("name", SHOTS)
def test_a_photo_is_full_size_and_upright_after_its_exif_orientation(name):
    with Image.open(PORCH / "photos" / name) as stored:
        assert stored.size == place.SENSOR
        exif = stored.getexif()
        assert exif[0x010F] == develop.MAKE
        assert exif[0x0112] == (6 if SHOTS[name].portrait else 1)
        details = exif.get_ifd(0x8769)
        assert details[0xA405] == (place.MAIN_F35 if SHOTS[name].lens == "main" else 52)
        assert 0x8825 not in exif  # no place on earth
        assert ImageOps.exif_transpose(stored).size == SHOTS[name].size


def test_exif_gives_the_true_lens_within_its_sds():
    photos, _, _ = seen()
    assert [photo.name for photo in photos if photo.refused] == []
    for photo in photos:
        shot = SHOTS[photo.name]
        assert photo.camera.size_px == shot.size
        assert abs(photo.camera.focal - shot.focal) < 2 * photo.camera.focal_sd
        off = np.array(photo.camera.centre) - np.array(shot.principal_point)
        assert np.abs(off).max() < 2 * photo.camera.centre_sd


@pytest.mark.parametrize("name", SHOTS)
def test_every_target_meant_to_be_seen_is_seen(name):
    _, sightings, _ = seen()
    assert MEANT[name] <= {one.target for one in sightings if one.photo == name}


def test_corners_lie_where_the_true_camera_puts_them():
    """0.2 px root mean square a board, and no shift: a wrong pixel frame or lens would be 0.5."""
    _, sightings, problems = seen()
    hung = {target.name: target for target in place.targets()}
    for one in sightings:
        true_px = SHOTS[one.photo].project(hung[one.target].to_site(one.corners_target))
        off = one.corners_px - true_px
        assert np.sqrt((off**2).mean()) < 0.2, (one.photo, one.target)
        assert np.abs(off.mean(axis=0)).max() < 0.1, (one.photo, one.target)
    assert [problem for problem in problems if problem.code in ("mirrored", "duplicate")] == []


def test_the_boards_corners_are_those_of_the_printed_sheets():
    _, sightings, _ = seen()
    hung = {target.name: target for target in place.targets()}
    for one in sightings:
        known = sheet_layout(hung[one.target].code).points
        gaps = np.linalg.norm(known[None] - one.corners_target[:, None], axis=2).min(axis=1)
        assert gaps.max() < 1e-9
