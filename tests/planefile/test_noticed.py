"""What is odd about photos is said once for all that share it."""

from __future__ import annotations

from pathlib import Path

from survey.photo.model import CameraPrior, Photo
from survey.planefile.noticed import find_photo_findings

PRIOR = CameraPrior(
    size_px=(4032, 3024), focal=3029.0, focal_sd=909.0, centre=(2015.5, 1511.5), centre_sd=80.0,
    source="none",
)  # fmt: skip
STRIPPED = ("no-focal-length", "its metadata give no usable focal length")
BLURRED = ("blurred", "it is blurred")


def photo(name: str, *warnings: tuple[str, str]) -> Photo:
    return Photo(name, Path(name), name, "JPEG", PRIOR, warnings=warnings)


def test_one_warning_about_several_photos_is_one_finding():
    photos = [photo("a.jpg", STRIPPED), photo("b.jpg", STRIPPED, BLURRED), photo("c.jpg")]
    findings = find_photo_findings(photos, [])
    said = [(finding.where, finding.what) for finding in findings]
    assert said == [("a.jpg, b.jpg", STRIPPED[1]), ("b.jpg", BLURRED[1])]
