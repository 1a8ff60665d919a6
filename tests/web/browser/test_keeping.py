"""Nothing that was done is lost: reloads, two windows, a server that goes away."""

from __future__ import annotations

import random
import socket
from pathlib import Path
from typing import Any

import pytest

from tests.web.browser import hands
from tests.web.browser.conftest import serve, show
from tests.web.browser.test_gestures import middle, ready
from tests.web.browser.test_placing import visit_with_speck, without_snapping

pytestmark = pytest.mark.slow


def press(page: Any, dx: float, dy: float) -> None:
    x, y = middle(page)
    page.mouse.click(x + dx, y + dy)
    page.wait_for_timeout(60)


def test_undo_reaches_back_before_a_reload(tmp_path: Path, opened: Any, served: Any) -> None:
    folder = tmp_path / "visit"
    page = ready(opened, served, folder)
    before = (folder / "visit.toml").read_bytes()
    for place in ((-90, 0), (0, 60), (120, -80)):
        press(page, *place)
    hands.wait_saved(page)
    assert [mark["point"] for mark in hands.marks(folder)] == ["A", "B", "C"]
    page.reload()
    hands.until(page, "document.querySelectorAll('#panel-list .marks li').length === 3")
    for left in (2, 1, 0):
        page.click("#undo")
        hands.until(page, f"document.querySelectorAll('#panel-list .marks li').length === {left}")
    hands.wait_saved(page)
    assert hands.marks(folder) == []
    assert (folder / "visit.toml").read_bytes() == before
    page.click("#redo")
    hands.until(page, "document.querySelectorAll('#panel-list .marks li').length === 1")


def test_two_windows_lose_no_action(tmp_path: Path, opened: Any, served: Any) -> None:
    """60 actions from two windows by turns; each shows the other's, and none is missing."""
    folder = visit_with_speck(tmp_path / "visit")
    one = served(folder)
    pages = [opened(one), opened(one)]
    rng = random.Random(3)
    for page in pages:
        page.evaluate("""() => { window.acts = import('/static/queue.js'); }""")
    made = set()
    for number in range(60):
        page = pages[rng.randrange(2)]
        ident = f"t{number}"
        made.add(ident)
        mark = {"id": ident, "kind": "point", "photo": "speck.jpg", "point": f"P{number}",
                "px": [rng.uniform(0, 600), rng.uniform(0, 400)], "sd_px": 1.5}  # fmt: skip
        page.evaluate("mark => { window.acts.then(q => q.act({kind: 'put mark', mark})); }", mark)
    for page in pages:
        hands.wait_saved(page)
        hands.until(page, "document.querySelectorAll('#panel-list .marks li').length === 60")
    assert {mark["id"] for mark in hands.marks(folder)} == made


def test_action_waits_in_the_browser_while_the_server_is_away(
    tmp_path: Path, chromium: Any
) -> None:
    folder = visit_with_speck(tmp_path / "visit")
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    first = serve(folder, port)
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    try:
        page = show(context, first)
        without_snapping(page)
        hands.wait_sharp(page)
        press(page, -50, 0)
        hands.wait_saved(page)
        first.stop()
        press(page, 80, 30)
        hands.until(page, "document.querySelector('#sync .away') !== null")
        assert len(hands.marks(folder)) == 1
        assert "1 kept in this browser" in page.inner_text("#sync")
        page.close()  # the tab is gone too

        second = serve(folder, port)
        try:
            again = show(context, second)
            hands.wait_saved(again)
            hands.until(again, "document.querySelectorAll('#panel-list .marks li').length === 2")
            assert [mark["point"] for mark in hands.marks(folder)] == ["A", "B"]
            again.click("#undo")
            hands.until(again, "document.querySelectorAll('#panel-list .marks li').length === 1")
        finally:
            second.stop()
    finally:
        context.close()
