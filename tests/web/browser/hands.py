"""What the tests do with a page: look at its photo, press, wait until all is saved."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np

SPECK = (201, 287)  # photo pixel that the tests look for
SIZE = (640, 480)


def write_speck_photo(path: Path, speck: tuple[int, int] = SPECK) -> Path:
    """A grey photo with one white pixel in a black one's surroundings, stored without loss."""
    image = np.full((SIZE[1], SIZE[0], 3), 90, dtype=np.uint8)
    x, y = speck
    image[y - 3 : y + 4, x - 3 : x + 4] = 0
    image[y, x] = 255
    assert cv2.imwrite(str(path), image)
    return path


def until(page: Any, expression: str, seconds: float = 20) -> None:
    """Wait until an expression holds on the page; the page's own policy forbids doing it there."""
    deadline = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < deadline, f"never came true: {expression}"
        page.wait_for_timeout(25)


def wait_sharp(page: Any) -> None:
    page.wait_for_timeout(60)
    until(page, "document.getElementById('photo').dataset.sharp === 'true'")
    page.wait_for_timeout(60)


def wait_saved(page: Any) -> None:
    until(page, "document.querySelector('#sync .safe') !== null")


def screen(page: Any, ratio: float = 1) -> np.ndarray:
    """The canvas as it is seen, grey, in device pixels."""
    data = page.locator("#photo").screenshot(scale="device")
    grey = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    return grey


def canvas_box(page: Any) -> dict[str, float]:
    box = page.locator("#photo").bounding_box()
    assert box is not None
    return dict(box)


def zoom(page: Any, place: tuple[float, float], steps: int, delta: float) -> None:
    """Turn the wheel at a place of the window."""
    page.mouse.move(*place)
    for _ in range(steps):
        page.mouse.wheel(0, delta)
        page.wait_for_timeout(20)


def marks(folder: Path) -> list[dict[str, Any]]:
    path = folder / "marks.json"
    if not path.exists():
        return []
    found: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["marks"]
    return found
