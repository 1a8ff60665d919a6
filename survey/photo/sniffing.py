"""Tells what a file is by its first bytes, never by its name, and opens the kinds that are read."""

from __future__ import annotations

from survey.errors import InputError
from survey.photo.container import Container, not_taken
from survey.photo.heic import SEQUENCE_BRANDS, STILL_BRANDS, read_heic_container
from survey.photo.jpeg import read_jpeg_container
from survey.photo.limits import Limits
from survey.photo.png import SIGNATURE, read_png_container

# First bytes of what people put into a photo folder by mistake.
OTHERS = (
    (b"GIF8", "this is a GIF picture"),
    (b"II*\x00", "this is a TIFF or raw camera file"),
    (b"MM\x00*", "this is a TIFF or raw camera file"),
    (b"BM", "this is a bitmap (BMP) picture"),
    (b"%PDF", "this is a PDF document"),
    (b"PK\x03\x04", "this is a zip archive"),
    (b"\x00\x00\x00\x0cJXL ", "this is a JPEG XL picture"),
    (b"\xff\x0a", "this is a JPEG XL picture"),
    (b"\x00\x00\x00\x0cjP  ", "this is a JPEG 2000 picture"),
)


def sniff(data: bytes) -> str:
    """Format of a file by its content: "JPEG", "PNG" or "HEIC".

    Raises
    ------
    InputError
        If it is anything else; the sentence says what it looks like.
    """
    if not data:
        raise InputError("the file is empty", cure="copy the original again from the phone")
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(SIGNATURE):
        return "PNG"
    if data[4:8] == b"ftyp":
        return _sniff_boxes(data)
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        raise not_taken("this is a WebP picture")
    for start, what in OTHERS:
        if data.startswith(start):
            raise not_taken(what)
    raise not_taken("this is not a photo (by its content, whatever its name)")


def _sniff_boxes(data: bytes) -> str:
    """Tell HEIC from the other formats made of boxes by the brands it names."""
    length = min(int.from_bytes(data[:4], "big"), 1024)
    brands = [data[8:12]] + [data[at : at + 4] for at in range(16, length - 3, 4)]
    if brands[0] in (b"avif", b"avis"):
        raise not_taken("this is an AVIF picture")
    if brands[0] in SEQUENCE_BRANDS:
        raise not_taken("this is a sequence of pictures")
    if any(brand in STILL_BRANDS for brand in brands):
        return "HEIC"
    raise not_taken("this is a film clip or another file made of boxes")


def open_container(data: bytes, limits: Limits) -> Container:
    """Read the structure of a photo and hold it against the limits, decoding nothing.

    Raises
    ------
    InputError
        If the file is not a still JPEG, PNG or HEIC, is incomplete or damaged, or is too large,
        too small or too long and narrow.
    """
    readers = {"JPEG": read_jpeg_container, "PNG": read_png_container, "HEIC": read_heic_container}
    container = readers[sniff(data)](data, limits)
    width, height = container.size_px
    if width * height > limits.pixels:
        raise InputError(
            f"the picture has {width} x {height} pixels, the limit is {limits.pixels / 1e6:g} "
            "megapixels",
            cure="take it at the phone's normal resolution",
        )
    if min(width, height) < limits.shortest_side_px:
        raise InputError(
            f"the picture is only {width} x {height} pixels, too coarse to measure on",
            cure="use the original instead of a thumbnail",
        )
    if max(width, height) > limits.longest_aspect * min(width, height):
        raise InputError(
            f"the picture of {width} x {height} pixels is a panorama, which no single lens "
            "position explains",
            cure="take ordinary photos",
        )
    return container
