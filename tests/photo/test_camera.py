"""Camera prior from Exif: 35 mm equivalent by the diagonal, crops, zoom, what is not known."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import pytest

from survey.photo import read_photo
from survey.photo.camera import derive_camera_prior
from survey.photo.exif import ExifFacts
from tests.photo import crafting
from tests.photo.crafting import exif_block, phone_fields

PHONE = ExifFacts(
    make="Halden",
    model="P7",
    lens="main",
    focal=0.0056,
    focal_35=0.026,
    declared_size_px=(4032, 3024),
)


def prior_of(facts, size_px=(4032, 3024), orientation=1, **options):
    return derive_camera_prior(facts, size_px, orientation, "a.jpg", **options)


def codes(warnings):
    return [code for code, _ in warnings]


def test_focal_length_by_the_diagonal():
    """4032 x 3024 at 26 mm: the diagonal is 5040 px, that of 36 x 24 mm is 43.2666 mm.

    f = 26 / 43.2666 x 5040 = 3028.66 px; counted by width it would be 26 / 36 x 4032 = 2912.0.
    CIPA DCG-001 as reported in open camera code; recomputed.
    """
    prior, warnings = prior_of(PHONE)
    assert prior.focal == pytest.approx(3028.6, abs=0.1)
    assert warnings == ()
    assert prior.source == "exif 35 mm equivalent"
    assert prior.size_px == (4032, 3024)
    assert prior.centre == (2015.5, 1511.5)


def test_sd_of_a_coherent_photo_holds_its_named_parts():
    """26 mm, 4:3. Maker 1 %, rounding 1/sqrt(12)/26 = 1.110 %, definition sqrt(0.1) x 3.85 %.

    In quadrature 1.93 %: 95 % of it is 3.8 %, just the 3.85 % to the definition by width.
    """
    prior, _ = prior_of(PHONE)
    by_width = 2912.0 / 3028.66
    expected = math.sqrt(0.01**2 + (1 / math.sqrt(12) / 26) ** 2 + 0.1 * (1 - by_width) ** 2)
    assert prior.focal_sd / prior.focal == pytest.approx(expected, rel=1e-4)
    assert prior.focal_sd / prior.focal == pytest.approx(0.0193, abs=0.0001)
    assert 1.96 * prior.focal_sd == pytest.approx(prior.focal - 2912.0, rel=0.03)


def test_definitions_agree_on_a_3_to_2_frame():
    """On 36 x 24 mm width and diagonal are one; a 50 mm lens on 6000 x 4000: 8333 px."""
    large = replace(PHONE, focal=0.050, focal_35=0.050, declared_size_px=(6000, 4000))
    prior, warnings = prior_of(large, (6000, 4000))
    assert prior.focal == pytest.approx(6000 * 50 / 36)
    assert prior.focal_sd / prior.focal == pytest.approx(math.hypot(0.01, 0.00577), abs=1e-4)
    assert warnings == ()


def test_rounding_weighs_more_on_a_wide_lens():
    wide, _ = prior_of(replace(PHONE, focal=0.0022, focal_35=0.013))
    tele, _ = prior_of(replace(PHONE, focal=0.009, focal_35=0.077))
    assert wide.focal_sd / wide.focal == pytest.approx(0.0273, abs=0.0005)
    assert tele.focal_sd / tele.focal == pytest.approx(0.0162, abs=0.0005)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_the_prior_is_for_the_upright_picture(orientation):
    prior, _ = prior_of(PHONE, orientation=orientation)
    assert prior.size_px == ((3024, 4032) if orientation in (6, 8) else (4032, 3024))
    assert prior.centre == ((prior.size_px[0] - 1) / 2, (prior.size_px[1] - 1) / 2)
    assert prior.focal == pytest.approx(3028.66, abs=0.01)


def test_a_public_sample_that_was_cropped_does_not_keep_a_tight_prior():
    """2566 x 3313 px whose Exif says 4032 x 3024, 4.25 mm, 26 mm (a public edited phone photo).

    Taken at face value its focal length would be 26 / 43.2666 x 4190.5 = 2518 px, 17 % short.
    """
    facts = replace(PHONE, focal=0.00425)
    prior, warnings = prior_of(facts, (2566, 3313))
    assert codes(warnings) == ["cropped"]
    assert prior.focal == pytest.approx(3028.66, abs=0.01)
    assert prior.focal_sd / prior.focal == pytest.approx(0.30, abs=1e-9)
    assert prior.centre_sd == pytest.approx(331.3)
    assert "2566 x 3313" in warnings[0][1]
    assert "4032 x 3024" in warnings[0][1]


def test_a_crop_that_keeps_the_shape_is_a_crop():
    _, warnings = prior_of(PHONE, (3000, 2250))
    # 3000 of 4032 is no size that programs shrink to.
    assert codes(warnings) == ["cropped"]


@pytest.mark.parametrize("size_px", [(2016, 1512), (1600, 1200), (1024, 768), (3024, 2268)])
def test_a_resized_photo_keeps_the_ratio(size_px):
    prior, warnings = prior_of(PHONE, size_px)
    assert codes(warnings) == ["resized"]
    assert prior.focal / size_px[0] == pytest.approx(3028.66 / 4032, rel=1e-4)
    assert 0.02 < prior.focal_sd / prior.focal < 0.03


def test_a_photo_turned_by_a_program_is_whole():
    prior, warnings = prior_of(PHONE, (3024, 4032))
    assert warnings == ()
    assert prior.focal == pytest.approx(3028.66, abs=0.01)


def test_an_editing_program_is_not_trusted():
    prior, warnings = prior_of(replace(PHONE, software="PhotoMender 3.1"))
    assert codes(warnings) == ["edited"]
    assert prior.focal_sd / prior.focal == pytest.approx(0.3)
    for own_software in ("17.4.1", "HL7-9.0.114", "P7XXU2BWH1"):
        assert prior_of(replace(PHONE, software=own_software))[1] == ()


@pytest.mark.parametrize("size_px", [(4032, 2268), (3024, 3024)])
def test_a_shape_cut_by_the_camera_holds_both_readings(size_px):
    """16:9 or square from a 4:3 sensor: the equivalent counts either what is left or the sensor."""
    prior, warnings = prior_of(replace(PHONE, declared_size_px=size_px), size_px)
    assert codes(warnings) == ["shape"]
    of_whole = 3028.66
    of_rest = 26 / 43.2666 * math.hypot(*size_px)
    assert prior.focal == pytest.approx((of_whole + of_rest) / 2, rel=1e-4)
    assert abs(prior.focal - of_whole) < 1.1 * prior.focal_sd
    assert abs(prior.focal - of_rest) < 1.1 * prior.focal_sd


def test_digital_zoom_that_the_equivalent_includes():
    """A public sample: 4.15 mm, 57 mm equivalent, zoom 1.97, full pixel size.

    Were zoom not included, its sensor would have a diagonal of 43.27 x 4.15 / 57 = 3.2 mm, smaller
    than any phone's; included it is 6.2 mm (29 mm equivalent without zoom).
    """
    facts = replace(PHONE, focal=0.00415, focal_35=0.057, zoom=1.97)
    prior, warnings = prior_of(facts)
    assert codes(warnings) == ["zoomed"]
    assert prior.focal == pytest.approx(57 / 43.2666 * 5040, rel=1e-4)
    assert 0.03 < prior.focal_sd / prior.focal < 0.05


def test_digital_zoom_that_the_equivalent_leaves_out():
    """6.86 mm at 24 mm is a sensor of 12.4 mm; with zoom 2 included it would be 24.7 mm."""
    prior, _ = prior_of(replace(PHONE, focal=0.00686, focal_35=0.024, zoom=2.0))
    assert prior.focal == pytest.approx(48 / 43.2666 * 5040, rel=1e-4)


def test_digital_zoom_that_nothing_settles_covers_both():
    prior, _ = prior_of(replace(PHONE, zoom=1.3))
    assert prior.focal == pytest.approx(3028.66 * 1.15, rel=1e-4)
    for candidate in (3028.66, 3028.66 * 1.3):
        assert abs(prior.focal - candidate) < 1.1 * prior.focal_sd
    whole, _ = prior_of(PHONE)
    assert prior.centre_sd == pytest.approx(1.3 * whole.centre_sd)


def test_nothing_known_is_a_usual_phone_and_says_so():
    prior, warnings = prior_of(ExifFacts(), (1600, 1200))
    assert codes(warnings) == ["no-focal-length"]
    assert prior.source == "none"
    assert prior.focal_sd == pytest.approx(0.3 * prior.focal)
    # 24 to 28 mm main lenses lie within one sd, wide and long lenses within about two.
    for equivalent in (24, 28):
        assert abs(equivalent / 43.2666 * 2000 - prior.focal) < prior.focal_sd
    for equivalent in (13, 40):
        assert abs(equivalent / 43.2666 * 2000 - prior.focal) < 2 * prior.focal_sd
    assert prior.centre_sd == pytest.approx(64)


def test_nothing_known_and_no_camera_has_that_shape():
    prior, warnings = prior_of(ExifFacts(), (1600, 1391))
    assert codes(warnings) == ["no-focal-length", "cropped"]
    assert prior.centre_sd == pytest.approx(160)


def test_a_known_ratio_is_the_last_resort():
    facts = replace(PHONE, focal_35=None)
    prior, warnings = prior_of(facts, focal_ratio=26 / 5.6)
    assert prior.focal == pytest.approx(3028.66, abs=0.01)
    assert prior.source == "exif focal length"
    assert warnings == ()
    coherent, _ = prior_of(PHONE)
    assert prior.focal_sd > coherent.focal_sd
    without, warnings = prior_of(facts)
    assert without.source == "none"
    assert codes(warnings) == ["no-focal-length"]


@pytest.mark.parametrize("focal", [0.0400, 0.0010])
def test_two_focal_lengths_no_camera_has_together(focal):
    """26 mm equivalent of a 40 mm lens (larger than any), or of a 1.0 mm lens as one model states.

    35 mm equivalent over focal length lies between 1 (36 x 24 mm) and some 12 (phones' smallest).
    """
    prior, warnings = prior_of(replace(PHONE, focal=focal))
    assert codes(warnings) == ["focal-lengths-disagree"]
    assert prior.focal_sd / prior.focal == pytest.approx(0.3)


def test_photos_share_a_camera_only_when_they_are_known_to():
    def key(facts=PHONE, size_px=(4032, 3024), orientation=1, name="a.jpg"):
        return derive_camera_prior(facts, size_px, orientation, name)[0].key

    assert key() == key(name="b.jpg")
    assert key() != key(replace(PHONE, lens="wide", focal=0.0022, focal_35=0.013))
    assert key() != key(replace(PHONE, model="P8"))
    assert key() != key(orientation=6)
    assert key() != key(replace(PHONE, zoom=2.0))
    for facts, size_px in ((ExifFacts(), (4032, 3024)), (PHONE, (2566, 3313))):
        assert key(facts, size_px, name="a.jpg") != key(facts, size_px, name="b.jpg")


def test_distortion_prior_lets_the_corner_move_by_a_usual_amount():
    """1.5 % of the corner's radius by k1 at any focal length; more for a lens nobody knows."""
    for focal_35 in (0.013, 0.026, 0.077):
        prior, _ = prior_of(replace(PHONE, focal_35=focal_35, focal=focal_35 / 4.6))
        radius = 2520 / prior.focal
        assert prior.k1_sd * radius**2 == pytest.approx(0.015)
        assert prior.k2_sd * radius**4 == pytest.approx(0.0075)
    unknown, _ = prior_of(ExifFacts())
    assert unknown.k1_sd >= 0.05


@pytest.mark.parametrize("make", [crafting.jpeg_bytes, crafting.png_bytes, crafting.heic_bytes])
def test_every_format_carries_its_camera(tmp_path, make):
    block = exif_block(phone_fields(400, 300, orientation=6))
    options = {"turned": 6} if make is crafting.heic_bytes else {}
    data = make(crafting.photo_like(400, 300), block, **options)
    photo = read_photo(crafting.write(tmp_path / "a", data))
    assert photo.make_model == "Halden P7"
    assert photo.lens == "P7 main 5.6 mm"
    assert photo.taken_at == "2025-03-09T08:15:30-05:00"
    assert photo.camera.focal == pytest.approx(26 / 43.2666 * 500, rel=1e-4)
    assert photo.camera.size_px == (300, 400)
    assert photo.warnings == ()


def test_a_zoomed_photo_says_so_in_its_warnings(tmp_path):
    block = exif_block(phone_fields(400, 300, zoom=Fraction(2)))
    data = crafting.jpeg_bytes(crafting.photo_like(400, 300), block)
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data))
    assert codes(photo.warnings) == ["zoomed"]
    assert "2 x" in photo.warnings[0][1]


def test_a_processing_program_is_seen_behind_the_cameras_own_software(tmp_path):
    fields = phone_fields(400, 300, software="17.4.1", processing_software="Crop and Go 2")
    data = crafting.jpeg_bytes(crafting.photo_like(400, 300), exif_block(fields))
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data))
    assert codes(photo.warnings) == ["edited"]
    assert '"Crop and Go 2"' in photo.warnings[0][1]
