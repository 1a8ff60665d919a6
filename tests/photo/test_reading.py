"""All photos of a visit: order, copies, cameras that help each other, calibrations."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from survey.errors import InputError
from survey.photo import Calibration, read_photos, read_pixels, write_calibration
from survey.visit.model import CalibrationRef, Conditions, PointMark, Visit
from tests.photo import crafting
from tests.photo.crafting import exif_block, phone_fields

CALIBRATION = Calibration(
    size_px=(400, 300),
    focal=302.0,
    focal_sd=0.2,
    centre=(201.0, 148.0),
    centre_sd=(0.5, 0.5),
    distortion=(0.01, 0.0, 0.0, 0.0, 0.0),
    distortion_sd=(0.002, 0.0, 0.0, 0.0, 0.0),
    rms_px=0.2,
    distance=5.0,
    model="Halden P7",
    lens="P7 main 5.6 mm",
    lens_focal=0.0056,
)


def visit_of(folder: Path, paths, *, marks=(), calibrations=()) -> Visit:
    return Visit(
        folder=folder,
        name="porch",
        date=None,
        place=None,
        by=None,
        units="us",
        building="dwelling",
        work="replacement",
        covering=None,
        plies=None,
        conditions=Conditions(),
        targets=(),
        planes=(),
        edges=(),
        outlets=(),
        penetrations=(),
        benchmarks=(),
        setups=(),
        calibrations=tuple(calibrations),
        marks=tuple(marks),
        readings=(),
        photo_paths=tuple(paths),
    )


def phone_photo(path: Path, seed: int = 1, **changes) -> Path:
    block = exif_block(phone_fields(400, 300, **changes))
    return crafting.write(path, crafting.jpeg_bytes(crafting.photo_like(400, 300, seed), block))


def test_photos_come_by_name_with_their_hash(tmp_path):
    paths = [phone_photo(tmp_path / name, seed) for seed, name in enumerate(("c.jpg", "a.jpg"))]
    heic = crafting.heic_bytes(crafting.photo_like(400, 300, 5))
    paths.append(crafting.write(tmp_path / "b.heic", heic))
    photos = read_photos(visit_of(tmp_path, paths))
    assert [photo.name for photo in photos] == ["a.jpg", "b.heic", "c.jpg"]
    assert photos == read_photos(visit_of(tmp_path, reversed(paths)))
    for photo in photos:
        assert photo.sha256 == hashlib.sha256(photo.path.read_bytes()).hexdigest()
        assert read_pixels(photo).shape == (300, 400, 3)


def test_one_bad_photo_never_stops_a_visit(tmp_path):
    good = phone_photo(tmp_path / "good.jpg")
    bad = [
        crafting.write(tmp_path / "cut.jpg", good.read_bytes()[:3000]),
        crafting.write(tmp_path / "empty.jpg", b""),
        crafting.write(tmp_path / "note.jpg", b"call the customer"),
        tmp_path / "gone.jpg",
        tmp_path / "folder.jpg",
    ]
    bad[-1].mkdir()
    photos = read_photos(visit_of(tmp_path, [good, *bad]))
    usable = {photo.name for photo in photos if photo.camera is not None}
    assert usable == {"good.jpg"}
    assert all(photo.refused for photo in photos if photo.name != "good.jpg")
    assert {photo.sha256 == "" for photo in photos if photo.name in ("gone.jpg", "folder.jpg")} == {
        True
    }
    cut = next(photo for photo in photos if photo.name == "cut.jpg")
    assert cut.sha256 == hashlib.sha256(bad[0].read_bytes()).hexdigest()


def test_an_empty_visit_has_no_photos(tmp_path):
    assert read_photos(visit_of(tmp_path, [])) == ()


def test_a_copy_of_a_photo_is_not_a_second_photo(tmp_path):
    first = phone_photo(tmp_path / "IMG_1 (1).jpg")
    second = crafting.write(tmp_path / "IMG_1.jpg", first.read_bytes())
    other = phone_photo(tmp_path / "IMG_2.jpg", seed=2)
    paths = [first, second, other]
    photos = {photo.name: photo for photo in read_photos(visit_of(tmp_path, paths))}
    assert photos["IMG_1 (1).jpg"].refused is None
    assert photos["IMG_1.jpg"].refused == (
        "this is the same picture as IMG_1 (1).jpg; delete one of the two"
    )
    mark = PointMark("P1", "IMG_1.jpg", "A", (10.0, 20.0))
    photos = {photo.name: photo for photo in read_photos(visit_of(tmp_path, paths, marks=[mark]))}
    assert photos["IMG_1.jpg"].refused is None, "the one with marks is kept"
    assert photos["IMG_1 (1).jpg"].refused is not None
    assert photos["IMG_2.jpg"].refused is None


def test_a_photo_without_equivalent_learns_it_from_its_neighbour(tmp_path):
    whole = phone_photo(tmp_path / "a.jpg")
    partial = phone_photo(tmp_path / "b.jpg", seed=2, focal_35=None)
    other_lens = phone_photo(tmp_path / "c.jpg", seed=3, focal_35=None, lens="P7 wide")
    photos = read_photos(visit_of(tmp_path, [whole, partial, other_lens]))
    assert [photo.camera.source for photo in photos] == [
        "exif 35 mm equivalent",
        "exif focal length",
        "none",
    ]
    assert photos[1].camera.focal == pytest.approx(photos[0].camera.focal)
    assert photos[1].camera.focal_sd > photos[0].camera.focal_sd


def test_calibrations_of_the_visit_are_used(tmp_path):
    write_calibration(tmp_path / "p7.camera.json", CALIBRATION)
    mine = phone_photo(tmp_path / "a.jpg")
    other = phone_photo(tmp_path / "b.jpg", seed=2, make="Corvo", model="C1")
    ref = CalibrationRef("p7.camera.json")
    photos = read_photos(visit_of(tmp_path, [mine, other], calibrations=[ref]))
    assert [photo.camera.source for photo in photos] == ["calibration", "exif 35 mm equivalent"]
    assert photos[0].camera.focal == 302.0
    declared = CalibrationRef("p7.camera.json", model="Corvo C1")
    photos = read_photos(visit_of(tmp_path, [mine, other], calibrations=[declared]))
    assert photos[0].camera.source == "exif 35 mm equivalent"
    assert photos[1].camera.source == "calibration"


def test_all_wrong_calibration_files_are_told_at_once(tmp_path):
    (tmp_path / "broken.camera.json").write_text("{")
    refs = [CalibrationRef("broken.camera.json"), CalibrationRef("missing.camera.json")]
    with pytest.raises(InputError) as caught:
        read_photos(visit_of(tmp_path, [], calibrations=refs))
    told = [problem.where for problem in caught.value.problems]
    assert len(told) == 2
    assert told[0].startswith("broken.camera.json")
    assert told[1].startswith("missing.camera.json")
