"""Decodes a photo into upright pixels. Orientation is decided once, when the photo is read.

OpenCV would turn JPEG and PNG by itself and the HEIC decoder turns by its container's boxes: the
first is switched off, the second is told apart, so that every format goes through one turn.
"""

from __future__ import annotations

import hashlib
import os

import cv2
import numpy as np
import pillow_heif

from survey.errors import InputError, StorageError
from survey.photo.heic import read_heic_container
from survey.photo.limits import DEFAULT_LIMITS
from survey.photo.model import Photo
from survey.photo.orientation import Pixels, turn_pixels, turn_size

COLOUR = cv2.IMREAD_COLOR_BGR | cv2.IMREAD_IGNORE_ORIENTATION
GREY = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION


def read_pixels(photo: Photo) -> Pixels:
    """Decode a photo in colour.

    Parameters
    ----------
    photo : Photo
        As `read_photos` gave it.

    Returns
    -------
    pixels : (h, w, 3) uint8 array
        Blue, green, red; upright; pixel frame of the marks.

    Raises
    ------
    InputError
        If the photo was refused, or its picture data turn out to be damaged.
    StorageError
        If the file can't be read any more, or is not the one that was checked.
    """
    return _decode(photo, COLOUR)


def read_grey(photo: Photo) -> Pixels:
    """Decode a photo in grey, (h, w) uint8, upright; half the cost of colour for a JPEG.

    Raises as `read_pixels` does.
    """
    return _decode(photo, GREY)


def _decode(photo: Photo, flags: int) -> Pixels:
    """Decode the stored rows and turn them upright."""
    if photo.camera is None:
        raise InputError(str(photo.refused), where=photo.name)
    data = _read_unchanged(photo)
    if photo.format == "HEIC":
        stored, orientation = _decode_heic(photo, data, flags)
    else:
        stored, orientation = _decode_plain(photo, data, flags), photo.orientation
    pixels = turn_pixels(stored, orientation)
    if (pixels.shape[1], pixels.shape[0]) != photo.camera.size_px:
        raise _undecodable(photo)
    return pixels


def _read_unchanged(photo: Photo) -> bytes:
    """Bytes of the file, which must be the ones that were checked."""
    try:
        data = photo.path.read_bytes()
    except OSError as error:
        raise StorageError(
            f"the photo can't be read any more ({os.strerror(error.errno or 0).lower()})",
            where=photo.name,
            cure="put it back and start again",
        ) from error
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise StorageError(
            "the photo has changed since it was checked", where=photo.name, cure="start again"
        )
    return data


def _decode_plain(photo: Photo, data: bytes, flags: int) -> Pixels:
    """Decode the stored rows of a JPEG or PNG."""
    try:
        image = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flags)
    except cv2.error as error:
        raise _undecodable(photo) from error
    if image is None:
        raise _undecodable(photo)
    return np.asarray(image, dtype=np.uint8)


def _decode_heic(photo: Photo, data: bytes, flags: int) -> tuple[Pixels, int]:
    """Rows of a HEIC picture, and the turn that is still to be made.

    The decoder has already turned by the container's boxes if there are any.
    """
    turn = read_heic_container(data, DEFAULT_LIMITS).turn
    remaining = photo.orientation if turn is None else 1
    assert photo.camera is not None
    expected = turn_size(photo.camera.size_px, remaining)
    try:
        opened = pillow_heif.open_heif(data, convert_hdr_to_8bit=True, bgr_mode=True)
        if opened.size != expected:  # before anything is decoded
            raise _undecodable(photo)
        image = np.asarray(opened)
    except (ValueError, EOFError, SyntaxError, RuntimeError, OSError, LookupError) as error:
        raise _undecodable(photo) from error
    return _to_channels(image, opened.mode, flags), remaining


def _to_channels(image: Pixels, mode: str, flags: int) -> Pixels:
    """Bring one, two, three or four channels to blue-green-red or grey."""
    if mode in ("L", "LA", "La"):
        grey = image if image.ndim == 2 else image[..., 0]
        converted = grey if flags == GREY else cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    else:
        colour = image[..., :3]
        converted = cv2.cvtColor(colour, cv2.COLOR_BGR2GRAY) if flags == GREY else colour
    return np.ascontiguousarray(converted, dtype=np.uint8)


def _undecodable(photo: Photo) -> InputError:
    """Make the refusal of a photo whose structure is whole but whose picture data are not."""
    return InputError(
        "its picture data are damaged",
        where=photo.name,
        cure="copy the original again from the phone",
    )
