"""Opens a photo file without decoding it: kind by content, size, metadata blocks, completeness.

Every reader here walks the whole structure and compares each declared length with the bytes that
are there, so that a file cut short is refused before a decoder quietly fills in the rest.
"""

from __future__ import annotations

from dataclasses import dataclass

from survey.errors import InputError

SEND_AGAIN = "copy the original again from the phone"
EXPORT_JPEG = "export it as JPEG, or use the phone's original"


@dataclass(frozen=True, slots=True)
class Container:
    """What a photo file says of itself.

    Attributes
    ----------
    format : str
        "JPEG", "PNG" or "HEIC".
    size_px : (int, int)
        Width and height as stored, before any turning.
    exif : bytes or None
        The Exif block, from its TIFF header on.
    xmp : bytes
        The XMP packet, or nothing.
    turn : int or None
        HEIC: what the container's own rotation and mirror boxes do, as an Exif orientation; None
        when the file has no such box (JPEG and PNG never have).
    """

    format: str
    size_px: tuple[int, int]
    exif: bytes | None = None
    xmp: bytes = b""
    turn: int | None = None


def cut_short(what: str) -> InputError:
    """Make the refusal of a file that ends too early."""
    return InputError(f"the file is incomplete: {what}", cure=SEND_AGAIN)


def damaged(what: str) -> InputError:
    """Make the refusal of a file whose structure contradicts itself."""
    return InputError(f"the file is damaged: {what}", cure=SEND_AGAIN)


def not_taken(what: str) -> InputError:
    """Make the refusal of a kind of picture that is not read."""
    return InputError(
        f"{what}, and only still JPEG, PNG and HEIC photos are read", cure=EXPORT_JPEG
    )
