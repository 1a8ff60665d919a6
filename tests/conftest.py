"""Fixtures that several parts share."""

from __future__ import annotations

from pathlib import Path

import pytest

OPENCV_DOC = Path("/usr/share/doc/opencv-doc")  # Debian package opencv-doc, 4.6.0+dfsg


@pytest.fixture(scope="session")
def opencv_photos() -> Path:
    """Folder of OpenCV's own sample photographs (left01.jpg, right01.jpg, graf1.png, ...).

    They come with the Debian package `opencv-doc`; without it the test is skipped. The tutorial
    pictures (choriginal.jpg, singlemarkersoriginal.jpg) stand in ../../opencv4/html.
    """
    folder = OPENCV_DOC / "examples" / "data"
    if not (folder / "left01.jpg").is_file() or not (folder / "right14.jpg").is_file():
        pytest.skip("needs the photographs of Debian's opencv-doc")
    return folder
