"""What can't be used comes back with one sentence and a cure; nothing a stranger sends raises."""

from __future__ import annotations

import io
import os
import struct
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from survey.errors import InputError, StorageError
from survey.photo import Limits, read_grey, read_photo, read_pixels
from survey.photo.png import SIGNATURE
from tests.photo import crafting

PICTURE = crafting.photo_like(400, 300)


def refusal(path: Path, **options: object) -> str:
    photo = read_photo(path, **options)
    assert photo.camera is None
    assert photo.refused is not None
    assert "; " in photo.refused, "a cure is given"
    assert "\n" not in photo.refused
    with pytest.raises(InputError) as caught:
        read_pixels(photo)
    assert str(caught.value).startswith(path.name)
    return photo.refused


def saved(kind: str, mode: str = "RGB") -> bytes:
    stream = io.BytesIO()
    Image.fromarray(PICTURE).convert(mode).save(stream, kind)
    return stream.getvalue()


def png_chunk(kind: bytes, payload: bytes) -> bytes:
    body = kind + payload
    return struct.pack(">I", len(payload)) + body + struct.pack(">I", zlib.crc32(body))


def one_bit_png(width: int, height: int) -> bytes:
    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    row = b"\0" * (1 + (width + 7) // 8)
    packer = zlib.compressobj(9)
    packed = b"".join(packer.compress(row * 100) for _ in range(height // 100)) + packer.flush()
    return (
        SIGNATURE
        + png_chunk(b"IHDR", header)
        + png_chunk(b"IDAT", packed)
        + png_chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"Dear customer, the photos follow tomorrow.", "not a photo"),
        (saved("GIF"), "GIF"),
        (saved("TIFF"), "TIFF"),
        (saved("WEBP"), "WebP"),
        (saved("BMP"), "BMP"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"PK\x03\x04" + bytes(60), "zip"),
        (b"\x00\x00\x00\x18ftypavif\x00\x00\x00\x00mif1avif" + bytes(20), "AVIF"),
        (b"\x00\x00\x00\x14ftypqt  \x00\x00\x00\x00qt  " + bytes(20), "film"),
        (b"\x00\x00\x00\x18ftyphevc\x00\x00\x00\x00mif1hevc" + bytes(20), "sequence"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_other_files_named_jpg_are_told_by_their_content(tmp_path, content, said):
    assert said in refusal(crafting.write(tmp_path / "x.jpg", content))


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (crafting.jpeg_bytes, "JPEG"),
        (crafting.png_bytes, "PNG"),
        (crafting.heic_bytes, "HEIC"),
    ],
)
def test_the_name_does_not_matter(tmp_path, make, kind):
    photo = read_photo(crafting.write(tmp_path / "photo.txt", make(PICTURE)))
    assert photo.format == kind
    assert photo.refused is None
    assert read_pixels(photo).shape == (300, 400, 3)


def test_folder_broken_link_and_pipe_are_refused_without_waiting(tmp_path):
    folder = tmp_path / "x.jpg"
    folder.mkdir()
    assert "folder" in refusal(folder)
    assert "can't be read" in refusal(tmp_path / "missing.jpg")
    link = tmp_path / "link.jpg"
    link.symlink_to(tmp_path / "nowhere.jpg")
    assert "can't be read" in refusal(link)
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    assert "not an ordinary file" in refusal(pipe)


def test_a_link_to_a_photo_is_read_as_the_photo(tmp_path):
    original = crafting.write(tmp_path / "a.jpg", crafting.jpeg_bytes(PICTURE))
    link = tmp_path / "b.jpg"
    link.symlink_to(original)
    photo = read_photo(link)
    assert photo.name == "b.jpg"
    assert photo.sha256 == read_photo(original).sha256
    assert read_pixels(photo).shape == (300, 400, 3)


def test_unreadable_file_is_refused(tmp_path, monkeypatch):
    path = crafting.write(tmp_path / "a.jpg", crafting.jpeg_bytes(PICTURE))

    def forbid(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", forbid)
    assert "permission denied" in refusal(path)


@pytest.mark.parametrize("make", [crafting.jpeg_bytes, crafting.png_bytes, crafting.heic_bytes])
def test_a_file_cut_anywhere_is_refused(tmp_path, make):
    whole = make(PICTURE, crafting.exif_block(crafting.phone_fields(400, 300)))
    path = tmp_path / "cut"
    rng = np.random.default_rng(11)
    cuts = {1, 2, 3, 7, 8, 11, 12, 20, len(whole) // 2, len(whole) - 1, len(whole) - 2}
    cuts |= set(rng.integers(1, len(whole), 150).tolist()) | set(range(len(whole) - 20, len(whole)))
    accepted = []
    for cut in sorted(cuts):
        photo = read_photo(crafting.write(path, whole[:cut]))
        if photo.refused is None:
            accepted.append(cut)
    assert accepted == []
    assert read_photo(crafting.write(path, whole)).refused is None


def test_a_tiled_heic_cut_anywhere_is_refused(tmp_path):
    whole = crafting.heic_bytes(crafting.photo_like(800, 600), tile=256)
    for cut in np.random.default_rng(12).integers(1, len(whole), 100).tolist():
        assert read_photo(crafting.write(tmp_path / "cut", whole[:cut])).refused is not None


def test_a_file_filled_up_with_zeros_is_refused(tmp_path):
    """Interrupted copies often have the full length but end in zeros."""
    rng = np.random.default_rng(13)
    for make in (crafting.jpeg_bytes, crafting.png_bytes, crafting.heic_bytes):
        whole = make(PICTURE)
        for kept in rng.integers(1, len(whole) - 2, 40).tolist():
            path = crafting.write(tmp_path / "a", whole[:kept] + bytes(len(whole) - kept))
            assert read_photo(path).refused is not None, (make.__name__, kept, len(whole))


def test_bytes_behind_the_picture_do_not_matter(tmp_path):
    """Phones append film clips and second pictures to their JPEGs."""
    data = crafting.jpeg_bytes(PICTURE) + crafting.jpeg_bytes(PICTURE)[:5000] + b"clip"
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data))
    assert photo.refused is None
    assert read_pixels(photo).shape == (300, 400, 3)


def test_a_changed_byte_in_a_png_is_noticed(tmp_path):
    data = bytearray(crafting.png_bytes(PICTURE))
    data[len(data) // 2] ^= 1
    assert "checksum" in refusal(crafting.write(tmp_path / "a.png", bytes(data)))


@pytest.mark.parametrize("side", [16_000, 40_000])
def test_a_huge_picture_in_a_small_file_is_refused_before_decoding(tmp_path, side):
    path = crafting.write(tmp_path / "bomb.png", one_bit_png(side, side))
    start = time.process_time()
    assert "megapixels" in refusal(path)
    assert time.process_time() - start < 0.2


def test_a_144_megapixel_one_bit_picture_is_within_the_limit(tmp_path):
    """The limit is on pixels alone: 144 of the 220 allowed megapixels, whatever their depth."""
    photo = read_photo(crafting.write(tmp_path / "a.png", one_bit_png(12_000, 12_000)))
    assert photo.refused is None
    lower = Limits(pixels=100_000_000)
    assert "100 megapixels" in refusal(photo.path, limits=lower)


@pytest.mark.parametrize("make", [crafting.jpeg_bytes, crafting.png_bytes, crafting.heic_bytes])
@pytest.mark.parametrize(("limit", "fits"), [(119_999, False), (120_000, True), (120_001, True)])
def test_the_pixel_limit_is_one_for_all_formats(tmp_path, make, limit, fits):
    path = crafting.write(tmp_path / "a", make(PICTURE))
    assert (read_photo(path, limits=Limits(pixels=limit)).refused is None) == fits


def test_a_size_that_lies_in_a_jpeg_or_heic_is_refused(tmp_path):
    jpeg = crafting.jpeg_bytes(PICTURE)
    size = struct.pack(">HH", 300, 400)
    lying = jpeg.replace(b"\x08" + size, b"\x08" + struct.pack(">HH", 65_000, 65_000), 1)
    assert "megapixels" in refusal(crafting.write(tmp_path / "a.jpg", lying))
    heic = crafting.heic_bytes(PICTURE)
    size = struct.pack(">II", 400, 300)
    lying = heic.replace(size, struct.pack(">II", 60_000, 60_000), 1)
    assert "megapixels" in refusal(crafting.write(tmp_path / "a.heic", lying))


@pytest.mark.parametrize(("limit", "fits"), [(-1, False), (0, True), (1, True)])
def test_the_file_size_limit(tmp_path, limit, fits):
    data = crafting.jpeg_bytes(PICTURE)
    path = crafting.write(tmp_path / "a.jpg", data)
    photo = read_photo(path, limits=Limits(file_bytes=len(data) + limit))
    assert (photo.refused is None) == fits


@pytest.mark.parametrize(("side", "fits"), [(239, False), (240, True), (241, True)])
def test_thumbnails_are_refused(tmp_path, side, fits):
    data = crafting.jpeg_bytes(crafting.photo_like(320, side))
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data))
    assert (photo.refused is None) == fits


@pytest.mark.parametrize(("width", "fits"), [(750, True), (751, False), (1500, False)])
def test_panoramas_are_refused_by_shape(tmp_path, width, fits):
    data = crafting.jpeg_bytes(crafting.photo_like(width, 300))
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data))
    assert (photo.refused is None) == fits
    if fits:
        assert [code for code, _ in photo.warnings if code == "panorama"] == ["panorama"]
        assert photo.camera.focal_sd == pytest.approx(0.3 * photo.camera.focal)


def test_panoramas_are_refused_by_their_metadata(tmp_path):
    block = crafting.exif_block(crafting.phone_fields(400, 300, custom_rendered=6))
    path = crafting.write(tmp_path / "a.jpg", crafting.jpeg_bytes(PICTURE, block))
    assert "panorama" in refusal(path)
    packet = b'<x:xmpmeta><rdf:Description GPano:ProjectionType="cylindrical"/></x:xmpmeta>'
    data = crafting.jpeg_bytes(PICTURE, xmp=packet)
    assert "panorama" in refusal(crafting.write(tmp_path / "b.jpg", data))


def progressive_with_scans(scans: int) -> bytes:
    """Grey progressive JPEG of that many scans: coefficient bits that come one at a time."""
    stream = io.BytesIO()
    Image.fromarray(PICTURE).convert("L").save(stream, "JPEG", progressive=True, quality=90)
    data = stream.getvalue()
    last = data.rindex(b"\xff\xda")
    scan = data[last:-2]
    return data[:-2] + scan * (scans - data.count(b"\xff\xda")) + data[-2:]


@pytest.mark.parametrize(("scans", "fits"), [(99, True), (100, True), (101, False), (2000, False)])
def test_the_limit_on_scans(tmp_path, scans, fits):
    data = progressive_with_scans(scans)
    assert data.count(b"\xff\xda") == scans
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data))
    assert (photo.refused is None) == fits


def test_rare_kinds_of_jpeg_are_refused(tmp_path):
    assert "4 colours" in refusal(crafting.write(tmp_path / "a.jpg", saved("JPEG", "CMYK")))
    data = crafting.jpeg_bytes(PICTURE)
    at = data.index(b"\xff\xc0")
    for change, said in (
        (data[: at + 1] + b"\xc9" + data[at + 2 :], "type 9"),
        (data[: at + 1] + b"\xc3" + data[at + 2 :], "type 3"),
        (data[: at + 4] + b"\x0c" + data[at + 5 :], "12 bit"),
    ):
        assert said in refusal(crafting.write(tmp_path / "b.jpg", change))


def test_an_animated_png_is_refused(tmp_path):
    data = crafting.png_bytes(PICTURE)
    control = png_chunk(b"acTL", struct.pack(">II", 2, 0))
    path = crafting.write(tmp_path / "a.png", data[:33] + control + data[33:])
    assert "animation" in refusal(path)


@pytest.mark.parametrize("mode", ["L", "RGB", "RGBA", "P", "1", "I;16", "LA"])
def test_every_kind_of_png_gives_three_channels(tmp_path, mode):
    stream = io.BytesIO()
    if mode == "I;16":
        grey = crafting.photo_like(400, 300)[..., 0].astype(np.uint16) * 256
        Image.fromarray(grey).save(stream, "PNG")
    else:
        Image.fromarray(PICTURE).convert(mode).save(stream, "PNG")
    photo = read_photo(crafting.write(tmp_path / "a.png", stream.getvalue()))
    assert read_pixels(photo).shape == (300, 400, 3)
    assert read_pixels(photo).dtype == np.uint8
    assert read_grey(photo).shape == (300, 400)


def test_a_grey_jpeg_and_a_grey_heic_give_three_channels(tmp_path):
    import pillow_heif

    jpeg = crafting.write(tmp_path / "a.jpg", saved("JPEG", "L"))
    stream = io.BytesIO()
    grey = np.ascontiguousarray(PICTURE[..., 0])
    pillow_heif.encode("L", (400, 300), grey.tobytes(), stream, quality=90)
    heic = crafting.write(tmp_path / "a.heic", stream.getvalue())
    for path in (jpeg, heic):
        photo = read_photo(path)
        assert read_pixels(photo).shape == (300, 400, 3)
        assert read_grey(photo).shape == (300, 400)


def test_damaged_picture_data_are_told_when_decoding(tmp_path):
    """The structure of this JPEG is whole, but its tables were lost: only decoding can tell."""
    data = crafting.jpeg_bytes(PICTURE)
    at = data.index(b"\xff\xdb")
    length = int.from_bytes(data[at + 2 : at + 4], "big")
    broken = data[: at + 4] + b"\xff" * (length - 2) + data[at + 2 + length :]
    photo = read_photo(crafting.write(tmp_path / "a.jpg", broken))
    assert photo.refused is None
    with pytest.raises(InputError, match=r"a\.jpg: its picture data are damaged; copy"):
        read_pixels(photo)


def test_a_photo_that_changed_or_went_since_it_was_checked_is_not_decoded(tmp_path):
    path = crafting.write(tmp_path / "a.jpg", crafting.jpeg_bytes(PICTURE))
    photo = read_photo(path)
    crafting.write(path, crafting.jpeg_bytes(crafting.photo_like(400, 300, seed=8)))
    with pytest.raises(StorageError, match="changed since it was checked"):
        read_pixels(photo)
    path.unlink()
    with pytest.raises(StorageError, match="can't be read any more"):
        read_pixels(photo)


def test_photos_are_never_written_to(tmp_path):
    path = crafting.write(tmp_path / "a.heic", crafting.heic_bytes(PICTURE))
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    read_pixels(read_photo(path))
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.heic"]


def test_stray_bytes_between_segments_are_passed_over_as_decoders_do(tmp_path):
    data = crafting.jpeg_bytes(PICTURE)
    at = data.index(b"\xff\xdb")
    photo = read_photo(crafting.write(tmp_path / "a.jpg", data[:at] + b"\x00\x07" + data[at:]))
    assert photo.refused is None
    assert read_pixels(photo).shape == (300, 400, 3)
