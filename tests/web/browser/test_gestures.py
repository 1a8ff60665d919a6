"""Press, pan and pinch are told apart; nothing is marked that was not meant."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.web.browser import hands
from tests.web.browser.test_placing import visit_with_speck, without_snapping

pytestmark = pytest.mark.slow


def middle(page: Any) -> tuple[float, float]:
    box = hands.canvas_box(page)
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def ready(opened: Any, served: Any, folder: Path, **settings: Any) -> Any:
    page = opened(served(visit_with_speck(folder)), **settings)
    without_snapping(page)
    hands.wait_sharp(page)
    return page


@pytest.mark.parametrize(("far", "made"), [(0, 1), (7, 1), (9, 0), (40, 0)])
def test_mouse_press_that_moves_more_than_8_px_is_no_mark(
    tmp_path: Path, opened: Any, served: Any, far: float, made: int
) -> None:
    page = ready(opened, served, tmp_path / "visit")
    x, y = middle(page)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + far, y)
    page.mouse.up()
    page.wait_for_timeout(400)
    hands.wait_saved(page)
    assert len(hands.marks(tmp_path / "visit")) == made


def test_two_fingers_never_make_or_move_a_mark(tmp_path: Path, opened: Any, served: Any) -> None:
    page = ready(opened, served, tmp_path / "visit", has_touch=True)
    devices = page.context.new_cdp_session(page)
    x, y = middle(page)
    rng = random.Random(11)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        at = [{"x": px, "y": py, "id": i} for i, (px, py) in enumerate(points)]
        devices.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

    for _ in range(100):
        one, other = [(x + rng.uniform(-150, 150), y + rng.uniform(-150, 150)) for _ in range(2)]
        touch("touchStart", one)
        if rng.random() < 0.3:
            page.wait_for_timeout(rng.choice([5, 60, 150]))
        touch("touchStart", one, other)
        for _ in range(rng.randint(1, 4)):
            one, other = [
                (px + rng.uniform(-40, 40), py + rng.uniform(-40, 40)) for px, py in (one, other)
            ]
            touch("touchMove", one, other)
        if rng.random() < 0.5:
            touch("touchEnd", one)
            touch("touchMove", (one[0] + 3, one[1]))
        touch("touchEnd")
    page.wait_for_timeout(500)
    hands.wait_saved(page)
    assert hands.marks(tmp_path / "visit") == []
    assert page.locator("#nudge-pad").is_hidden()


def test_finger_off_by_4_mm_steers_to_half_a_photo_pixel(
    tmp_path: Path, opened: Any, served: Any
) -> None:
    """A finger lands 4 mm off (15 CSS px) and steers in steps of 0.17 mm (0.64 CSS px).

    Holz and Baudisch 2011; Berard and Rochet-Capellan 2012. What the steering does is read off the
    place that the page shows.
    """
    folder = tmp_path / "visit"
    page = ready(opened, served, folder, has_touch=True)
    devices = page.context.new_cdp_session(page)
    box = hands.canvas_box(page)
    scale = min(box["width"] / hands.SIZE[0], box["height"] / hands.SIZE[1])
    left = box["x"] + (box["width"] - hands.SIZE[0] * scale) / 2
    top = box["y"] + (box["height"] - hands.SIZE[1] * scale) / 2
    at = np.array(
        [left + (hands.SPECK[0] + 0.5) * scale + 10, top + (hands.SPECK[1] + 0.5) * scale + 11]
    )

    def touch(kind: str) -> None:
        points = [] if kind == "touchEnd" else [{"x": float(at[0]), "y": float(at[1])}]
        devices.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart")
    hands.until(page, "!document.getElementById('magnifier').hidden")
    for _ in range(400):
        words = page.locator("#hold-place").evaluate("node => node.value").split()
        away = np.array(hands.SPECK) - [float(words[-2].rstrip(",")), float(words[-1])]
        if np.abs(away).max() < 0.3:
            break
        at = at + np.sign(away) * np.where(
            np.abs(away) > 0.2, 0.64 if np.abs(away).max() < 2 else 3, 0
        )
        touch("touchMove")
        page.wait_for_timeout(16)
    touch("touchEnd")
    page.wait_for_timeout(300)
    hands.wait_saved(page)
    (mark,) = hands.marks(folder)
    assert np.abs(np.subtract(mark["px"], hands.SPECK)).max() <= 0.5


def test_touch_tap_waits_to_be_set_by_single_taps(tmp_path: Path, opened: Any, served: Any) -> None:
    folder = tmp_path / "visit"
    page = ready(opened, served, folder, has_touch=True)
    page.touchscreen.tap(*middle(page))
    page.wait_for_timeout(300)
    assert hands.marks(folder) == []
    before = page.locator("#hold-place").evaluate("node => node.value").split()
    page.select_option("#nudge-step", "0.1")
    for button in ("#nudge-right", "#nudge-right", "#nudge-up"):
        page.locator(button).tap()
    page.locator("#hold-set").tap()
    page.wait_for_timeout(300)
    hands.wait_saved(page)
    (mark,) = hands.marks(folder)
    x, y = float(before[-2].rstrip(",")), float(before[-1])
    assert mark["px"] == pytest.approx([x + 0.2, y - 0.1], abs=0.06)


@pytest.mark.parametrize(("keys", "moved"), [
    (["ArrowRight"], (1, 0)), (["Shift+ArrowDown"], (0, 10)), (["Alt+ArrowLeft"] * 3, (-0.3, 0)),
])  # fmt: skip
def test_arrows_move_the_chosen_mark(
    tmp_path: Path, opened: Any, served: Any, keys: list[str], moved: tuple[float, float]
) -> None:
    folder = tmp_path / "visit"
    page = ready(opened, served, folder)
    x, y = middle(page)
    page.mouse.click(x, y)
    page.wait_for_timeout(300)
    hands.wait_saved(page)
    (before,) = hands.marks(folder)
    page.mouse.click(x + 11, y)  # within 12 px of it: taken, not made anew
    for key in keys:
        page.keyboard.press(key)
    page.wait_for_timeout(1000)
    hands.wait_saved(page)
    (after,) = hands.marks(folder)
    assert np.subtract(after["px"], before["px"]) == pytest.approx(moved, abs=0.011)
    assert after["id"] == before["id"]


def test_zoom_holds_the_spot_and_ends_at_32(tmp_path: Path, opened: Any, served: Any) -> None:
    """Judged by what the magnifier says of the place under one and the same screen place."""
    page = ready(opened, served, tmp_path / "visit", has_touch=True)
    spot = tuple(round(v) + 40.0 for v in middle(page))
    told = []
    for _ in range(7):
        page.touchscreen.tap(*spot)
        page.wait_for_timeout(100)
        told.append(page.locator("#hold-place").evaluate("node => node.value"))
        page.locator("#photo").press("Escape")
        hands.zoom(page, spot, 3, -200)
    assert len(set(told)) == 1
    assert "," in told[0]
