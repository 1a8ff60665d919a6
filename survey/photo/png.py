"""Walks a PNG file (ISO/IEC 15948): size, Exif chunk, every chunk's length and checksum, end."""

from __future__ import annotations

import zlib

from survey.photo.container import Container, cut_short, damaged, not_taken
from survey.photo.limits import Limits

SIGNATURE = b"\x89PNG\r\n\x1a\n"
DEPTHS = {0: (1, 2, 4, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}


def read_png_container(data: bytes, limits: Limits) -> Container:
    """Read the structure of a PNG file.

    Raises
    ------
    InputError
        If the file is cut short, damaged (a checksum disagrees), or an animation.
    """
    view = memoryview(data)
    at = len(SIGNATURE)
    size_px: tuple[int, int] | None = None
    exif: bytes | None = None
    has_pixels = False
    for _ in range(limits.parts):
        if at + 12 > len(data):
            raise cut_short("it stops before its end chunk")
        length = int.from_bytes(data[at : at + 4], "big")
        kind = data[at + 4 : at + 8]
        end = at + 12 + length
        if end > len(data):
            raise cut_short(f"it stops within chunk {_printable(kind)}")
        if zlib.crc32(view[at + 4 : end - 4]) != int.from_bytes(data[end - 4 : end], "big"):
            raise damaged(f"the checksum of chunk {_printable(kind)} is wrong")
        payload = data[at + 8 : end - 4] if kind in (b"IHDR", b"eXIf") else b""
        if (kind == b"IHDR") != (size_px is None):
            raise damaged("its first chunk, and only that, must give the size")
        match kind:
            case b"IHDR":
                size_px = _read_header(payload)
            case b"acTL":
                raise not_taken("this is an animation")
            case b"eXIf":
                exif = payload.removeprefix(b"Exif\x00\x00")
            case b"IDAT":
                has_pixels = True
            case b"IEND":
                break
        at = end
    else:
        raise damaged(f"it has more than {limits.parts} chunks")
    if size_px is None or not has_pixels:
        raise damaged("it ends before any picture data")
    return Container("PNG", size_px, exif)


def _read_header(payload: bytes) -> tuple[int, int]:
    """Width and height from the header chunk, with its other fields checked."""
    if len(payload) != 13:
        raise damaged("its header chunk has the wrong length")
    width, height = int.from_bytes(payload[:4], "big"), int.from_bytes(payload[4:8], "big")
    depth, colour = payload[8], payload[9]
    if width == 0 or height == 0 or depth not in DEPTHS.get(colour, ()):
        raise damaged(
            f"its header says {width} x {height} pixels, colour type {colour}, {depth} bit"
        )
    return width, height


def _printable(kind: bytes) -> str:
    """Chunk type as text that can stand in a message."""
    return "".join(chr(byte) if 32 < byte < 127 else "?" for byte in kind)
