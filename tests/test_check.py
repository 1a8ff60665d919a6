"""What is said on site of photos that can be taken again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from survey.check import check_visit, format_check
from survey.visit import begin_visit, open_visit
from survey.visit.model import RodReading


def checks(blur_px: float) -> np.ndarray:
    """A checker board turned by 12 degrees, 1200 x 900, blurred by a Gaussian of that sd."""
    y, x = np.mgrid[0:900, 0:1200].astype(np.float32) / 60
    turned = np.floor(0.978 * x + 0.208 * y) + np.floor(0.978 * y - 0.208 * x)
    sharp = (turned % 2 * 150 + 50).astype(np.float32)
    return cv2.GaussianBlur(sharp, (0, 0), blur_px).astype(np.uint8)


@pytest.fixture
def told(tmp_path: Path) -> dict[str, str]:
    """Remarks on a sharp, a soft and a dark photo of a visit that measures without them."""
    begin_visit(tmp_path / "visit")
    pictures = {"dark": checks(0.7) // 50, "sharp": checks(0.7), "soft": checks(4.0)}
    for name, picture in pictures.items():
        assert cv2.imwrite(str(tmp_path / "visit" / "photos" / f"{name}.png"), picture)
    (tmp_path / "visit" / "photos" / "empty.jpg").write_bytes(b"")
    visit = open_visit(tmp_path / "visit")
    kept = (r for r in visit.readings if not (isinstance(r, RodReading) and r.spot))
    state = check_visit(replace(visit, readings=tuple(kept)))
    text = format_check(state)
    assert "1 mark" not in text and "0 marks" in text
    return {photo.photo: " ".join(photo.remarks) for photo in state.photos}


def test_blurred_dark_and_empty_photos_are_told_with_what_to_do(told):
    assert "out of focus" in told["soft.png"] and "tap on the house" in told["soft.png"]
    assert "is black" in told["dark.png"]
    assert "the file is empty" in told["empty.jpg"]
    assert "focus" not in told["sharp.png"] and "blurred" not in told["sharp.png"]
