"""A photo that hangs its decoder, or makes it swell or crash, costs that photo and no more."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from survey.cli import app
from survey.errors import InputError, StorageError
from survey.photo import BoundedDecoder, bounded, read_grey, read_photo
from tests.photo import crafting

SAMPLE = Path(__file__).parents[2] / "sample_images" / "porch"

# Stands in for the child: one photo's decoder does something else first.
UNRULY = """
import importlib.util, os, sys, time
spec = importlib.util.spec_from_file_location("decoding", {program!r})
decoding = importlib.util.module_from_spec(spec)
spec.loader.exec_module(decoding)
decoding.load_no_more_than_decoders()
from survey.photo import pixels
decode = pixels._decode_plain
def unruly(photo, data, flags):
    if photo.name == {name!r}:
        {does}
    return decode(photo, data, flags)
pixels._decode_plain = unruly
sys.exit(decoding.main(sys.argv[1:]))
"""
SLEEPS = "time.sleep(600)"
ALLOCATES = "held = [bytearray(os.urandom(1)) * 10_000_000 for _ in range(1000)]; time.sleep(600)"
AT_ONCE = "bytearray(9_000_000_000)"
DIES = "os.kill(os.getpid(), 11)"
CHATTERS = "print('{}'); sys.stdout.flush()"


@pytest.fixture
def unruly(tmp_path, monkeypatch):
    """Put a child in place that does something when it is to decode bad.jpg."""

    def place(does, name="bad.jpg"):
        program = tmp_path / "unruly.py"
        program.write_text(UNRULY.format(program=str(bounded.PROGRAM), name=name, does=does))
        monkeypatch.setattr(bounded, "PROGRAM", program)

    return place


def photo_named(folder, name, seed=1):
    picture = crafting.photo_like(400, 300, seed)
    block = crafting.exif_block(crafting.phone_fields(400, 300))
    return read_photo(crafting.write(folder / name, crafting.jpeg_bytes(picture, block)))


def refusal(decoder, photo):
    with pytest.raises(InputError) as told:
        decoder.read_grey(photo)
    return str(told.value)


@pytest.mark.parametrize("orientation", [1, 6])
def test_a_child_gives_the_same_pixels(tmp_path, orientation):
    picture = crafting.photo_like(400, 300)
    block = crafting.exif_block(crafting.phone_fields(400, 300, orientation=orientation))
    paths = [
        crafting.write(tmp_path / "a.jpg", crafting.jpeg_bytes(picture, block)),
        crafting.write(tmp_path / "b.png", crafting.png_bytes(picture, block)),
        crafting.write(tmp_path / "c.heic", crafting.heic_bytes(picture, block)),
    ]
    with BoundedDecoder() as decoder:
        for path in paths:
            photo = read_photo(path)
            assert photo.refused is None
            assert np.array_equal(decoder.read_grey(photo), read_grey(photo))


@pytest.mark.parametrize(
    ("does", "limits", "told"),
    [
        (SLEEPS, {"deadline": 1.0}, "decoding it took over 1 s"),
        (ALLOCATES, {"memory": 300_000_000}, "decoding it takes over 0.3 GB of memory"),
        (AT_ONCE, {}, "decoding it takes over 2 GB of memory"),
        (DIES, {}, "decoding it failed"),
    ],
)
def test_an_unruly_photo_is_skipped_and_the_next_is_read(tmp_path, unruly, does, limits, told):
    unruly(does)
    bad, good = photo_named(tmp_path, "bad.jpg"), photo_named(tmp_path, "good.jpg", 2)
    with BoundedDecoder(**limits) as decoder:
        start = time.monotonic()
        assert refusal(decoder, bad) == (
            f"bad.jpg: photo skipped: {told}; copy the original again from the phone, or leave "
            "the photo out"
        )
        assert time.monotonic() - start < 30
        assert decoder.read_grey(good).shape == (300, 400)


def test_what_a_library_prints_is_no_answer(tmp_path, unruly):
    unruly(CHATTERS)
    photo = photo_named(tmp_path, "bad.jpg")
    with BoundedDecoder() as decoder:
        assert np.array_equal(decoder.read_grey(photo), read_grey(photo))


def test_damaged_pictures_are_told_as_without_a_child(tmp_path):
    photo = photo_named(tmp_path, "a.jpg")
    data = photo.path.read_bytes()
    at = data.index(b"\xff\xdb")  # the structure stays whole, but the first tables are lost
    length = int.from_bytes(data[at + 2 : at + 4], "big")
    broken = data[: at + 4] + b"\xff" * (length - 2) + data[at + 2 + length :]
    damaged = read_photo(crafting.write(tmp_path / "broken.jpg", broken))
    with pytest.raises(InputError, match="its picture data are damaged") as direct:
        read_grey(damaged)
    with BoundedDecoder() as decoder:
        assert refusal(decoder, damaged) == str(direct.value)
        photo.path.write_bytes(b"something else")
        with pytest.raises(StorageError, match="has changed since it was checked"):
            decoder.read_grey(photo)
        photo.path.unlink()
        with pytest.raises(StorageError, match="can't be read any more"):
            decoder.read_grey(photo)


def test_no_child_is_left_behind(tmp_path, unruly):
    unruly(SLEEPS)
    with BoundedDecoder(deadline=0.3) as decoder:
        first = decoder._child.pid
        refusal(decoder, photo_named(tmp_path, "bad.jpg"))
        with pytest.raises(ProcessLookupError):
            os.kill(first, 0)
        decoder.read_grey(photo_named(tmp_path, "good.jpg", 2))
        second = decoder._child.pid
    assert first != second
    with pytest.raises(ProcessLookupError):
        os.kill(second, 0)


def test_without_an_interpreter_to_start_photos_are_decoded_here(tmp_path, monkeypatch):
    monkeypatch.setattr(bounded.sys, "executable", str(tmp_path / "none"))
    photo = photo_named(tmp_path, "a.jpg")
    with BoundedDecoder() as decoder:
        assert np.array_equal(decoder.read_grey(photo), read_grey(photo))


@pytest.mark.slow
@pytest.mark.parametrize("does", [SLEEPS, ALLOCATES])
def test_survey_check_says_which_photo_was_skipped(tmp_path, unruly, monkeypatch, does):
    folder = tmp_path / "visit"
    shutil.copytree(SAMPLE, folder)
    unruly(does, "lawn_far.jpg")
    monkeypatch.setattr(bounded, "DEADLINE", 5.0)
    monkeypatch.setattr(bounded, "MEMORY", 400_000_000)
    result = CliRunner().invoke(app, ["check", str(folder)])
    assert "lawn_far.jpg: photo skipped: decoding it" in " ".join(result.output.split())
    assert result.output.count("photo skipped") == 1
    assert "front_left.jpg: used; target" in result.output
