"""Photos: what each file is, its camera, its upright pixels. See docs/photos.md."""

from survey.photo.bounded import BoundedDecoder
from survey.photo.calibrated import AssignedCalibration, read_calibrations
from survey.photo.calibrating import calibrate, stored_corners, stored_size
from survey.photo.calibration_file import read_calibration, write_calibration
from survey.photo.limits import DEFAULT_LIMITS, Limits
from survey.photo.model import Calibration, CameraPrior, Photo
from survey.photo.pixels import read_grey, read_pixels
from survey.photo.quality import PhotoQuality, describe_quality, photo_quality
from survey.photo.reading import read_photo, read_photos

__all__ = [
    "DEFAULT_LIMITS",
    "AssignedCalibration",
    "BoundedDecoder",
    "Calibration",
    "CameraPrior",
    "Limits",
    "Photo",
    "PhotoQuality",
    "calibrate",
    "describe_quality",
    "photo_quality",
    "read_calibration",
    "read_calibrations",
    "read_grey",
    "read_photo",
    "read_photos",
    "read_pixels",
    "stored_corners",
    "stored_size",
    "write_calibration",
]
