"""Walks a JPEG file (ISO/IEC 10918-1, Annex B): size, Exif and XMP blocks, scans, end marker."""

from __future__ import annotations

import re

from survey.errors import InputError
from survey.photo.container import EXPORT_JPEG, Container, cut_short, damaged
from survey.photo.limits import Limits

START_OF_IMAGE = 0xD8
STANDALONE = (0x00, 0x01, *range(0xD0, 0xD8))  # no segment follows
START_OF_SCAN = 0xDA
END_OF_IMAGE = 0xD9
APP1 = 0xE1
FRAMES_READ = (0xC0, 0xC1, 0xC2)  # baseline, extended sequential, progressive; Huffman coded
FRAMES = tuple(code for code in range(0xC0, 0xD0) if code not in (0xC4, 0xC8, 0xCC))
# Within entropy-coded data 0xFF00 is a stuffed byte, 0xFFD0 to 0xFFD7 restart, 0xFFFF is fill.
MARKER_IN_SCAN = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")
EXIF_HEADER = b"Exif\x00\x00"
XMP_HEADER = b"http://ns.adobe.com/xap/1.0/\x00"


def read_jpeg_container(data: bytes, limits: Limits) -> Container:
    """Read the structure of a JPEG file up to the end of its first picture.

    Bytes behind the end marker (a second picture, a film clip) are the maker's own business.

    Raises
    ------
    InputError
        If the file is cut short, damaged, of a rare kind (lossless, arithmetic, 12 bit, four
        colours), or has more scans than `limits` allow.
    """
    at = 2
    size_px: tuple[int, int] | None = None
    exif: bytes | None = None
    xmp = b""
    scans = 0
    for _ in range(limits.parts):
        at, code = _next_marker(data, at)
        if code == END_OF_IMAGE:
            break
        if code in STANDALONE:
            continue
        if code == START_OF_IMAGE:
            raise damaged("a second picture begins within the first")
        end = _segment_end(data, at)
        payload = slice(at + 2, end)
        if code in FRAMES:
            if size_px is not None:
                raise damaged("it declares its size twice")
            size_px = _read_frame(code, data[payload])
        elif code == APP1:
            if exif is None and data.startswith(EXIF_HEADER, payload.start):
                exif = data[payload.start + len(EXIF_HEADER) : end]
            elif not xmp and data.startswith(XMP_HEADER, payload.start):
                xmp = data[payload.start + len(XMP_HEADER) : end]
        elif code == START_OF_SCAN:
            if size_px is None:
                raise damaged("picture data come before the size")
            scans += 1
            if scans > limits.scans:
                raise InputError(
                    f"the picture is stored in more than {limits.scans} passes, which no camera "
                    "does",
                    cure=EXPORT_JPEG,
                )
            following = MARKER_IN_SCAN.search(data, end)
            if following is None:
                raise cut_short("its picture data stop before the end marker")
            end = following.start()
        at = end
    else:
        raise damaged(f"it has more than {limits.parts} segments")
    if size_px is None or scans == 0:
        raise damaged("it ends before any picture data")
    return Container("JPEG", size_px, exif, xmp)


def _next_marker(data: bytes, at: int) -> tuple[int, int]:
    """Position behind the next marker from `at` on, and its code.

    Fill bytes, and stray bytes before the marker, are passed over as decoders do.
    """
    at = data.find(b"\xff", at)
    if at < 0:
        raise cut_short("it stops before the end marker")
    while at < len(data) and data[at] == 0xFF:
        at += 1
    if at >= len(data):
        raise cut_short("it stops within a marker")
    return at + 1, data[at]


def _segment_end(data: bytes, at: int) -> int:
    """Position behind the segment whose two length bytes are at `at`."""
    length = int.from_bytes(data[at : at + 2], "big")
    if len(data) < at + 2 or at + length > len(data):
        raise cut_short("it stops within a segment")
    if length < 2:
        raise damaged(f"the segment at byte {at} has no length")
    return at + length


def _read_frame(code: int, frame: bytes) -> tuple[int, int]:
    """Width and height from a frame header, refusing kinds that cameras don't write."""
    if len(frame) < 6:
        raise damaged("its frame header is too short")
    precision, components = frame[0], frame[5]
    height, width = int.from_bytes(frame[1:3], "big"), int.from_bytes(frame[3:5], "big")
    if code not in FRAMES_READ or precision != 8 or components not in (1, 3):
        raise InputError(
            f"this rare kind of JPEG (type {code - 0xC0}, {precision} bit, {components} colours) "
            "is not read",
            cure=EXPORT_JPEG,
        )
    if width == 0 or height == 0:
        raise damaged(f"it declares a size of {width} x {height} pixels")
    return width, height
