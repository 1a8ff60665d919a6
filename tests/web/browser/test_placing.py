"""A press goes where it points: at every zoom, device ratio and turn of the photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.web.browser import hands

pytestmark = pytest.mark.slow

TURNS = {  # Exif orientation -> how stored pixels are made from upright ones; Exif 2.32, table 6
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
    8: lambda a: np.rot90(a, -1),
}


def visit_with_speck(folder: Path, turn: int = 1, name: str = "speck.jpg") -> Path:
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    (folder / "visit.toml").write_text('name = "speck"\n', encoding="utf-8")
    hands.write_speck_photo(folder / "speck.png")
    upright = cv2.cvtColor(cv2.imread(str(folder / "speck.png")), cv2.COLOR_BGR2RGB)
    (folder / "speck.png").unlink()
    exif = Image.Exif()
    exif[0x0112] = turn
    stored = np.ascontiguousarray(TURNS[turn](upright))
    Image.fromarray(stored).save(folder / "photos" / name, quality=100, subsampling=0, exif=exif)
    return folder


def bring_to_largest(page: Any) -> tuple[float, float]:
    """Zoom until a photo pixel is 32 screen pixels; return where the speck then is in the window.

    The speck is found by its brightness on the screen alone.
    """
    box = hands.canvas_box(page)
    scale = min(box["width"] / hands.SIZE[0], box["height"] / hands.SIZE[1])
    guess = (
        box["x"] + (box["width"] - hands.SIZE[0] * scale) / 2 + (hands.SPECK[0] + 0.5) * scale,
        box["y"] + (box["height"] - hands.SIZE[1] * scale) / 2 + (hands.SPECK[1] + 0.5) * scale,
    )
    hands.zoom(page, guess, 30, -200)
    hands.wait_sharp(page)
    return speck_on_screen(page)


def speck_on_screen(page: Any) -> tuple[float, float]:
    grey = hands.screen(page)
    ratio = page.evaluate("window.devicePixelRatio")
    count, labels, stats, centres = cv2.connectedComponentsWithStats((grey > 200).astype(np.uint8))  # noqa: RUF059
    side = 32 * ratio
    found = [
        centre
        for centre, stat in zip(centres[1:], stats[1:], strict=True)
        if abs(stat[2] - side) <= 2 and abs(stat[3] - side) <= 2 and stat[4] > 0.9 * side * side
    ]
    assert len(found) == 1, f"{count} bright patches"
    box = hands.canvas_box(page)
    x, y = (found[0] + 0.5) / ratio
    return box["x"] + float(x), box["y"] + float(y)


def press_stored(
    page: Any, folder: Path, place: tuple[float, float], photo: str = "speck.jpg"
) -> np.ndarray:
    """Press in the roof tool without snapping and return the newest mark's coordinates."""
    before = len([mark for mark in hands.marks(folder) if mark["photo"] == photo])
    page.mouse.move(*place)
    page.mouse.down()
    page.mouse.up()
    hands.until(page, f"document.querySelectorAll('#panel-list li').length >= {before + 1}")
    hands.wait_saved(page)
    return np.array(hands.marks(folder)[-1]["px"])


def without_snapping(page: Any) -> None:
    """Snapping answers elsewhere; here the press itself is looked at."""
    page.route(
        "**/api/snap",
        lambda route: route.fulfill(json={"ok": True, "px": [0, 0], "sd_px": 1, "kind": "none"}),
    )


def open_speck(opened: Any, served: Any, folder: Path, ratio: float = 1) -> Any:
    page = opened(served(folder), device_scale_factor=ratio)
    without_snapping(page)
    page.click("#tab-mark")
    hands.wait_sharp(page)
    return page


@pytest.mark.parametrize("ratio", [1, 1.5, 2, 3])
def test_press_is_stored_where_it_points_at_every_zoom(
    tmp_path: Path, opened: Any, served: Any, ratio: float
) -> None:
    """Zoom holds the spot under the cursor: what is hit at 32x is hit at every zoom on the way out.

    The only thing presumed is the speck's place on the screen at 32x, which is seen, not computed.
    """
    folder = visit_with_speck(tmp_path / "visit")
    page = open_speck(opened, served, folder, ratio)
    place = bring_to_largest(page)
    whole = (round(place[0]), round(place[1]))  # a mouse points at whole CSS pixels
    aside = np.subtract(whole, place) / 32
    for _ in range(8):
        stored = press_stored(page, folder, whole)
        assert np.abs(stored - hands.SPECK - aside).max() < 0.02
        page.click("#undo")
        hands.until(page, "document.getElementById('undo').disabled")
        hands.zoom(page, whole, 2, 150)
    assert page.troubles == []


@pytest.mark.parametrize("ratio", [1, 2, 3])
def test_turned_photos_take_the_press_in_their_upright_frame(
    tmp_path: Path, opened: Any, served: Any, ratio: float
) -> None:
    """All eight Exif turns, at three device ratios, at the largest zoom and two on the way out."""
    folder = tmp_path / "visit"
    for turn in TURNS:
        visit_with_speck(folder, turn, f"turn{turn}.jpg")
    page = open_speck(opened, served, folder, ratio)
    for turn in TURNS:
        page.locator(".shot", has_text=f"turn{turn}.jpg").click()
        hands.wait_sharp(page)
        place = bring_to_largest(page)
        whole = (round(place[0]), round(place[1]))
        aside = np.subtract(whole, place) / 32
        for _ in range(3):
            stored = press_stored(page, folder, whole, f"turn{turn}.jpg")
            assert np.abs(stored - hands.SPECK - aside).max() < 0.02, f"turn {turn}"
            page.click("#undo")
            hands.until(page, "document.getElementById('undo').disabled")
            hands.zoom(page, whole, 4, 150)
    assert page.troubles == []
