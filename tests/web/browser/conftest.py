"""A page served from a thread of the test, and headless Chromium to look at it."""

from __future__ import annotations

import asyncio
import shutil
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.web.browser import hands

sync_api = pytest.importorskip("playwright.sync_api")
uvicorn = pytest.importorskip("uvicorn")

FLAGS = (
    "--no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
).split()


@dataclass
class Served:
    """A page that a browser can open, and the visit behind it."""

    page: Any
    folder: Path
    server: Any
    thread: threading.Thread

    @property
    def origin(self) -> str:
        host, port = self.page.listener.getsockname()[:2]
        return f"http://{host}:{port}"

    def address(self) -> str:
        """An address that opens the page once."""
        return f"{self.origin}/?key={self.page.session.new_key()}"

    def stop(self) -> None:
        self.server.should_exit = True
        self.server.force_exit = True
        self.thread.join(timeout=30)
        self.page.close()


def serve(folder: Path, port: int = 0) -> Served:
    from survey.web.serving import open_page

    page = open_page(folder, port=port)
    config = uvicorn.Config(
        page.app, log_level="critical", access_log=False, ws="none", lifespan="off"
    )
    server = uvicorn.Server(config)
    listener = page.listener.dup()
    thread = threading.Thread(
        target=lambda: asyncio.run(server.serve(sockets=[listener])), daemon=True
    )
    thread.start()
    return Served(page, folder, server, thread)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no chromium on this machine")
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def served() -> Iterator[Callable[[Path], Served]]:
    """Serve visits; all are stopped at the end."""
    running: list[Served] = []

    def start(folder: Path, port: int = 0) -> Served:
        running.append(serve(folder, port))
        return running[-1]

    yield start
    for one in running:
        one.stop()


@pytest.fixture
def opened(chromium: Any) -> Iterator[Callable[..., Any]]:
    """Open a served page in a context of its own; its troubles are kept in `page.troubles`."""
    contexts: list[Any] = []

    def open_it(served: Served, **settings: Any) -> Any:
        context = chromium.new_context(**{"viewport": {"width": 1280, "height": 800}, **settings})
        contexts.append(context)
        return show(context, served)

    yield open_it
    for context in contexts:
        context.close()


def show(context: Any, served: Served) -> Any:
    page = context.new_page()
    page.set_default_timeout(20_000)
    page.troubles = []
    page.asked = []
    page.on("pageerror", lambda error: page.troubles.append(str(error)))
    page.on(
        "console",
        lambda message: (
            page.troubles.append(message.text)
            if "Content Security Policy" in message.text
            else None
        ),
    )
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(served.address())
    hands.until(page, "document.getElementById('visit-name').textContent !== 'Roof survey'")
    return page
