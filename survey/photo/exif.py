"""Reads the few Exif fields that matter for measuring, from blocks that strangers wrote.

Values out of range are dropped, never repaired. Location fields are not read at all.
"""

from __future__ import annotations

import io
import logging
import math
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import exifread

# The reader logs oddities of damaged blocks; the photo's own warnings speak of what matters.
logging.getLogger("exifread").setLevel(logging.CRITICAL)

MAX_READS = 60_000  # a rich phone block takes some 2 000; a hostile one takes millions
MAX_READ_BYTES = 10_000_000  # in all of those
MAX_BLOCK = 1_000_000  # bytes; JPEG allows 65 533
FOCAL_MM = (1.0, 600.0)  # lens focal length; phones 1.5 to 30 mm
FOCAL_35_MM = (5.0, 1000.0)  # 35 mm equivalent; phones 10 to 300 mm, 0 means unknown
ZOOM = (1.0, 100.0)
SIDE_PX = (1, 100_000)
TEXT_LENGTH = 80
PROCESSING_SOFTWARE = "Image Tag 0x000B"  # the reader has no name for it
PANORAMA = 6  # CustomRendered values 0 and 1 are Exif's; phones write 6 for stitched panoramas


@dataclass(frozen=True, slots=True)
class ExifFacts:
    """What the Exif block says, each field None when absent or absurd.

    Attributes
    ----------
    focal : float or None
        Focal length of the lens, metres.
    focal_35 : float or None
        35 mm equivalent focal length, metres.
    zoom : float
        Digital zoom ratio, 1 when not used.
    declared_size_px : (int, int) or None
        Width and height the camera says it stored (PixelXDimension, PixelYDimension).
    absurd : tuple of str
        Names and values of fields that were dropped, for the photo log.
    damaged : bool
        The block could not be read to its end.
    """

    make: str | None = None
    model: str | None = None
    lens: str | None = None
    software: str | None = None
    orientation: int | None = None
    focal: float | None = None
    focal_35: float | None = None
    zoom: float = 1.0
    declared_size_px: tuple[int, int] | None = None
    taken_at: str | None = None
    panorama: bool = False
    absurd: tuple[str, ...] = ()
    damaged: bool = False

    @property
    def make_model(self) -> str | None:
        """Make and model as one text; many makers repeat their name in the model."""
        if self.make and self.model and not self.model.lower().startswith(self.make.lower()):
            return f"{self.make} {self.model}"
        return self.model or self.make


class _TooManyReads(Exception):
    """The block makes its reader run in circles."""


class _CountedBlock(io.BytesIO):
    """An Exif block that ends the reading after so many reads and bytes, whatever loops it holds.

    The reader asks for what the block claims to hold, again and again if it says so.
    """

    reads = 0
    read_bytes = 0

    def read(self, size: int | None = -1, /) -> bytes:
        data = super().read(size)
        self.reads += 1
        self.read_bytes += len(data)
        if self.reads > MAX_READS or self.read_bytes > MAX_READ_BYTES:
            raise _TooManyReads
        return data


def read_exif(block: bytes | None) -> ExifFacts:
    """Read an Exif block (from its TIFF header on); never raises.

    Maker notes are left alone: they are undocumented, and a damaged one can hold a reader up for
    minutes.
    """
    if block is None:
        return ExifFacts()
    if block[:4] not in (b"II*\x00", b"MM\x00*"):
        return ExifFacts(damaged=True)
    try:
        tags = exifread.process_file(
            _CountedBlock(block[:MAX_BLOCK]),
            details=False,
            extract_thumbnail=False,
            truncate_tags=True,
        )
    except Exception:  # struct.error, IndexError, RecursionError, ...: any stranger's damage
        return ExifFacts(damaged=True)
    return _collect(tags)


def _collect(tags: dict[str, Any]) -> ExifFacts:
    """Turn the reader's tags into facts."""
    absurd: list[str] = []
    focal = _ranged(tags, "EXIF FocalLength", FOCAL_MM, "mm", absurd)
    focal_35 = _ranged(tags, "EXIF FocalLengthIn35mmFilm", FOCAL_35_MM, "mm", absurd)
    zoom = _ranged(tags, "EXIF DigitalZoomRatio", ZOOM, "", absurd)
    orientation = _number(tags, "Image Orientation")
    if orientation is not None and orientation not in range(1, 9):
        absurd.append(f"Orientation {orientation:g}")
        orientation = None
    width = _number(tags, "EXIF ExifImageWidth")
    height = _number(tags, "EXIF ExifImageLength")
    declared = None
    if width and height and all(SIDE_PX[0] <= side <= SIDE_PX[1] for side in (width, height)):
        declared = (int(width), int(height))
    return ExifFacts(
        make=_text(tags, "Image Make"),
        model=_text(tags, "Image Model"),
        lens=_text(tags, "EXIF LensModel"),
        software=_text(tags, PROCESSING_SOFTWARE) or _text(tags, "Image Software"),
        orientation=None if orientation is None else int(orientation),
        focal=None if focal is None else focal / 1000,
        focal_35=None if focal_35 is None else focal_35 / 1000,
        zoom=zoom or 1.0,
        declared_size_px=declared,
        taken_at=_time(tags),
        panorama=_number(tags, "EXIF CustomRendered") == PANORAMA,
        absurd=tuple(absurd),
    )


def _number(tags: dict[str, Any], name: str) -> float | None:
    """First value of a field as a finite number."""
    values = getattr(tags.get(name), "values", None)
    if not isinstance(values, list) or not values:
        return None
    value = values[0]
    try:
        if hasattr(value, "num"):
            number = value.num / value.den if value.den else math.nan
        else:
            number = float(value)
    except (TypeError, ValueError, OverflowError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) else None


def _ranged(
    tags: dict[str, Any], name: str, allowed: tuple[float, float], unit: str, absurd: list[str]
) -> float | None:
    """Give a number within its range; 0 means unknown, anything else outside is noted as absurd."""
    number = _number(tags, name)
    if number is None or number == 0:
        return None
    if not allowed[0] <= number <= allowed[1]:
        absurd.append(f"{name.split()[-1]} {number:g} {unit}".rstrip())
        return None
    return number


def _text(tags: dict[str, Any], name: str) -> str | None:
    """Text of a field: printable characters only, spaces tidied, bounded."""
    values = getattr(tags.get(name), "values", None)
    if isinstance(values, bytes):
        values = values.decode("latin-1")
    if not isinstance(values, str):
        return None
    text = "".join(c if c.isprintable() else " " for c in values[: 4 * TEXT_LENGTH])
    return " ".join(text.split())[:TEXT_LENGTH] or None


def _time(tags: dict[str, Any]) -> str | None:
    """DateTimeOriginal as ISO 8601, with the zone when the camera wrote one."""
    text = _text(tags, "EXIF DateTimeOriginal")
    if text is None:
        return None
    try:
        moment = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    zone = _text(tags, "EXIF OffsetTimeOriginal") or ""
    return moment.isoformat() + (zone if re.fullmatch(r"[+-][01]\d:[0-5]\d", zone) else "")
