"""Photos: what each file is, its camera, its upright pixels. See docs/photos.md."""

from survey.photo.limits import DEFAULT_LIMITS, Limits
from survey.photo.model import CameraPrior, Photo
from survey.photo.pixels import read_grey, read_pixels
from survey.photo.reading import read_photo, read_photos

__all__ = [
    "DEFAULT_LIMITS",
    "CameraPrior",
    "Limits",
    "Photo",
    "read_grey",
    "read_photo",
    "read_photos",
    "read_pixels",
]
