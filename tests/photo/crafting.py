"""Photo files made in code: Exif blocks byte by byte, HEIC boxes with and without Exif."""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from PIL import Image, PngImagePlugin

SHORT, ASCII, LONG, RATIONAL = 3, 2, 4, 5
IN_EXIF_IFD = 0x8769
MAKE, MODEL, ORIENTATION, SOFTWARE = 0x010F, 0x0110, 0x0112, 0x0131
ORIGINAL_TIME, OFFSET_TIME, FOCAL, WIDTH, HEIGHT = 0x9003, 0x9011, 0x920A, 0xA002, 0xA003
CUSTOM_RENDERED, ZOOM, FOCAL_35, LENS, MAKER_NOTE = 0xA401, 0xA404, 0xA405, 0xA434, 0x927C
PROCESSING_SOFTWARE = 0x000B
FIRST_IFD = {MAKE, MODEL, ORIENTATION, SOFTWARE, PROCESSING_SOFTWARE}

Value = int | str | Fraction | tuple[int, int] | bytes


def exif_block(fields: Mapping[int, Value], *, order: str = "<") -> bytes:
    """TIFF block with the given fields, each in the IFD where Exif puts it."""
    first = {tag: value for tag, value in fields.items() if tag in FIRST_IFD}
    second = {tag: value for tag, value in fields.items() if tag not in FIRST_IFD}
    head = struct.pack(order + "2sHI", b"II" if order == "<" else b"MM", 42, 8)
    first_bytes = _ifd({**first, IN_EXIF_IFD: 0}, 8, order)
    exif_at = 8 + len(first_bytes)
    return head + _ifd({**first, IN_EXIF_IFD: exif_at}, 8, order) + _ifd(second, exif_at, order)


def _ifd(fields: Mapping[int, Value], at: int, order: str) -> bytes:
    entries, extra = b"", b""
    data_at = at + 2 + 12 * len(fields) + 4
    for tag in sorted(fields):
        kind, count, payload = _encode(tag, fields[tag], order)
        if len(payload) <= 4:
            field = payload.ljust(4, b"\0")
        else:
            field = struct.pack(order + "I", data_at + len(extra))
            extra += payload + b"\0" * (len(payload) % 2)
        entries += struct.pack(order + "HHI", tag, kind, count) + field
    return struct.pack(order + "H", len(fields)) + entries + b"\0\0\0\0" + extra


def _encode(tag: int, value: Value, order: str) -> tuple[int, int, bytes]:
    if isinstance(value, str):
        text = value.encode() + b"\0"
        return ASCII, len(text), text
    if isinstance(value, bytes):
        return 7, len(value), value
    if isinstance(value, Fraction):
        value = (value.numerator, value.denominator)
    if isinstance(value, tuple):
        return RATIONAL, 1, struct.pack(order + "II", *value)
    if tag == IN_EXIF_IFD or value > 0xFFFF:
        return LONG, 1, struct.pack(order + "I", value)
    return SHORT, 1, struct.pack(order + "H", value)


def phone_fields(width: int, height: int, **changes: Value | None) -> dict[int, Value]:
    """Fields of an invented phone, 26 mm equivalent; a change of None leaves the field out."""
    fields: dict[str, Value | None] = {
        "make": "Halden",
        "model": "Halden P7",
        "lens": "P7 main 5.6 mm",
        "focal": Fraction(28, 5),
        "focal_35": 26,
        "width": width,
        "height": height,
        "original_time": "2025:03:09 08:15:30",
        "offset_time": "-05:00",
    }
    fields.update(changes)
    names = {
        "make": MAKE,
        "model": MODEL,
        "lens": LENS,
        "focal": FOCAL,
        "focal_35": FOCAL_35,
        "width": WIDTH,
        "height": HEIGHT,
        "original_time": ORIGINAL_TIME,
        "offset_time": OFFSET_TIME,
        "orientation": ORIENTATION,
        "software": SOFTWARE,
        "processing_software": PROCESSING_SOFTWARE,
        "zoom": ZOOM,
        "custom_rendered": CUSTOM_RENDERED,
    }
    return {names[name]: value for name, value in fields.items() if value is not None}


def corner_picture(width: int = 400, height: int = 300) -> np.ndarray:
    """RGB picture whose four corners differ: red, green / blue, black, on grey."""
    image = np.full((height, width, 3), 128, np.uint8)
    h, w = height // 4, width // 4
    image[:h, :w] = (255, 0, 0)
    image[:h, -w:] = (0, 255, 0)
    image[-h:, :w] = (0, 0, 255)
    image[-h:, -w:] = (0, 0, 0)
    return image


def photo_like(width: int, height: int, seed: int = 7) -> np.ndarray:
    """RGB picture with detail at many scales, as compressible as an ordinary photo."""
    rng = np.random.default_rng(seed)
    image = np.zeros((height, width, 3), np.float32)
    for cells, strength in ((8, 90), (40, 50), (200, 30), (width // 3, 18)):
        noise = rng.standard_normal((max(2, cells * height // width), cells, 3)).astype(np.float32)
        image += strength * cv2.resize(noise, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.clip(image + 128, 0, 255).astype(np.uint8)


def jpeg_bytes(image: np.ndarray, exif: bytes | None = None, **options: object) -> bytes:
    stream = io.BytesIO()
    if exif is not None:
        options["exif"] = b"Exif\0\0" + exif
    Image.fromarray(image).save(stream, "JPEG", quality=90, **options)
    return stream.getvalue()


def png_bytes(image: np.ndarray, exif: bytes | None = None) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(image).save(stream, "PNG", compress_level=1)
    data = stream.getvalue()
    if exif is None:
        return data
    chunk = io.BytesIO()
    PngImagePlugin.putchunk(chunk, b"eXIf", exif)
    return data[:33] + chunk.getvalue() + data[33:]  # behind the header chunk


def heic_bytes(
    image: np.ndarray, exif: bytes | None = None, *, turned: int = 1, tile: int = 0
) -> bytes:
    """HEIC whose boxes turn by `turned`, holding `exif` as it is, whatever that says."""
    stream = io.BytesIO()
    # The encoder writes boxes by the orientation in the Exif it is given; that is put back after.
    length = len(exif) if exif is not None else 0
    given = exif_block({ORIENTATION: turned, SOFTWARE: "x" * max(1, length)})[: max(length, 64)]
    pillow_heif.encode(
        "RGB",
        (image.shape[1], image.shape[0]),
        image.tobytes(),
        stream,
        exif=given,
        quality=90,
        tile_size=tile,
    )
    data = stream.getvalue()
    at = data.index(given)
    if exif is None:
        return data[:at] + given.replace(b"\x12\x01", b"\xff\xff", 1) + data[at + len(given) :]
    return data[:at] + exif.ljust(len(given), b"\0") + data[at + len(given) :]


def write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path
