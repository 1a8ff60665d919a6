"""Nothing that was done is lost: reloads, two windows, a server that goes away."""

from __future__ import annotations

import random
import socket
import subprocess
import sys
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


SAVED = "document.querySelector('#sync .safe') !== null"
ACT = """mark => { window.replies ??= []; window.sent = (window.sent ?? 0) + 1;
import('/static/queue.js').then(q => q.act({kind: 'put mark', mark})).then(reply => {
  window.replies.push({id: mark.id, px: mark.px, version: reply?.version ?? null,
    kept: reply?.conflict?.kept?.mark ?? null, refused: reply === null}); }); }"""


def test_two_windows_lose_no_action_silently(tmp_path: Path, opened: Any, served: Any) -> None:
    """300 actions from two windows by turns, a third of them moving the same five marks.

    Each stands in the file, was followed by a later one of the same mark, or was told of as a
    conflict with both kept; and each window shows what the other did.
    """
    folder = visit_with_speck(tmp_path / "visit")
    one = served(folder)
    pages = [opened(one), opened(one)]
    rng = random.Random(3)
    own: dict[str, list[float]] = {}
    for number in range(300):
        page = pages[rng.randrange(2)]
        shared = rng.random() < 0.33
        ident = f"shared{rng.randrange(5)}" if shared else f"t{number}"
        px = [round(rng.uniform(0, 600), 2), round(rng.uniform(0, 400), 2)]
        if not shared:
            own[ident] = px
        mark = {"id": ident, "kind": "point", "photo": "speck.jpg", "px": px, "sd_px": 1.5,
                "point": f"S{ident[6:]}" if shared else f"P{number}"}  # fmt: skip
        page.evaluate(ACT, mark)
    replies = []
    for page in pages:
        hands.until(page, "window.replies.length === window.sent", 60)
        hands.wait_saved(page)
        replies += page.evaluate("window.replies")
    assert len(replies) == 300
    there = {mark["id"]: mark["px"] for mark in hands.marks(folder)}
    assert {ident: there[ident] for ident in own} == own
    last: dict[str, tuple[int, list[float]]] = {}
    for reply in replies:
        if reply["refused"]:
            continue  # it was told of, in a sentence
        ident = reply["kept"] or reply["id"]
        assert ident in there
        if ident not in last or reply["version"] > last[ident][0]:
            last[ident] = (reply["version"], reply["px"])
    assert {ident: px for ident, (_, px) in last.items()} == there
    for page in pages:
        hands.until(
            page, f"document.querySelectorAll('#panel-list .marks li').length === {len(there)}"
        )


def test_tab_killed_at_random_moments_loses_nothing_it_was_given(
    tmp_path: Path, chromium: Any
) -> None:
    """What was handed to the queue before the tab died is on disk once the visit is open again."""
    folder = visit_with_speck(tmp_path / "visit")
    one = serve(folder)
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    rng = random.Random(12)
    act = """round => { const next = number => {
      const mark = {id: `k${round}-${number}`, kind: 'point', photo: 'speck.jpg',
                    point: `K${round}-${number}`, px: [number, round], sd_px: 1.5};
      import('/static/queue.js').then(q => { q.act({kind: 'put mark', mark});
        localStorage.setItem('given', [localStorage.getItem('given') ?? '', mark.id].join(' '));
        setTimeout(() => next(number + 1), 12); }); }; next(0); }"""
    try:
        for number in range(10):
            page = show(context, one)
            hands.until(page, SAVED, 90)
            page.evaluate(act, number)
            page.wait_for_timeout(rng.uniform(20, 400))
            page.close()
        page = show(context, one)
        hands.until(page, SAVED, 90)
        given = page.evaluate("localStorage.getItem('given')").split()
        assert len(given) > 20
        assert set(given) <= {mark["id"] for mark in hands.marks(folder)}
    finally:
        context.close()
        one.stop()


def test_server_killed_at_random_moments_loses_no_action_of_an_open_page(
    tmp_path: Path, chromium: Any
) -> None:
    """The program is killed and started again: the open page goes on where it was."""
    folder = visit_with_speck(tmp_path / "visit")
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    rng = random.Random(4)
    server, address = start_program(folder, port)
    try:
        page = context.new_page()
        page.goto(address)
        hands.until(page, "document.getElementById('visit-name').textContent === 'speck'")
        sent = []
        for number in range(4):
            for part in range(8):
                ident = f"k{number}-{part}"
                mark = {"id": ident, "kind": "point", "photo": "speck.jpg", "point": ident,
                        "px": [part, number], "sd_px": 1.5}  # fmt: skip
                page.evaluate(ACT, mark)
                sent.append(ident)
                page.wait_for_timeout(rng.uniform(0, 12))
            page.wait_for_timeout(rng.uniform(0, 30))
            end(server)
            told = page.evaluate("(window.replies ?? []).map(one => one.id)")
            assert set(told) <= {mark["id"] for mark in hands.marks(folder)}
            server, address = start_program(folder, port)
            door = context.new_page()  # the address opened once more gives the browser its session
            door.goto(address)
            hands.until(page, SAVED, 60)
            door.close()
        assert [mark["id"] for mark in hands.marks(folder)] == sent
    finally:
        end(server)
        context.close()


def end(server: subprocess.Popen[str]) -> None:
    server.kill()
    server.wait()
    if server.stdout is not None:
        server.stdout.close()


def start_program(folder: Path, port: int) -> tuple[subprocess.Popen[str], str]:
    """Start `survey page` as a process of its own; return it with the address it prints."""
    command = [sys.executable, "-c", "from survey.cli import main; main()", "page", str(folder)]
    server = subprocess.Popen(
        [*command, "--no-browser", "--port", str(port)], stdout=subprocess.PIPE, text=True
    )
    assert server.stdout is not None
    return server, server.stdout.readline().strip()


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
