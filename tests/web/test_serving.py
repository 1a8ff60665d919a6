"""A page in earnest: its port, its key, its lock, the phone's door."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest
import segno
import uvicorn
from typer.testing import CliRunner

from survey.cli import app
from survey.errors import InputError
from survey.visit import open_visit
from survey.web import serving
from survey.web.serving import Page, configured, open_page
from tests.web.visits import jpeg


class Running:
    """A page served from a thread, with its phone's door."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.servers = [uvicorn.Server(configured(page.app))]
        sockets = [page.listener]
        if page.phone_app is not None and page.phone_listener is not None:
            self.servers.append(uvicorn.Server(configured(page.phone_app)))
            sockets.append(page.phone_listener)
        self.threads = [
            threading.Thread(target=server.run, args=([one.dup()],), daemon=True)
            for server, one in zip(self.servers, sockets, strict=True)
        ]
        for thread in self.threads:
            thread.start()

    def stop(self) -> None:
        for server in self.servers:
            server.should_exit = True
        for thread in self.threads:
            thread.join(timeout=20)
        self.page.close()


@pytest.fixture
def running(folder: Path, monkeypatch) -> Iterator[Running]:
    monkeypatch.setattr(serving, "network_address", lambda: "127.0.0.1")
    one = Running(open_page(folder, lan=True))
    yield one
    one.stop()


def test_the_printed_address_opens_the_page_and_only_once(running):
    address = running.page.address
    origin = address.split("/?")[0]
    with httpx2.Client(base_url=origin) as browser:
        assert browser.get("/api/visit").status_code == 401
        assert browser.get(address).status_code == 303
        visit = browser.get("/api/visit").json()
        assert visit["name"] == "porch"
        done = browser.post(
            "/api/act",
            json={"client": "c", "request_id": "1", "base": 0, "action": {"kind": "put setup",
                  "setup": {}}},
            headers={"origin": origin},
        )  # fmt: skip
        assert done.json()["version"] == 1
    with httpx2.Client(base_url=origin) as another:
        assert another.get(address).status_code == 401


def test_it_listens_on_this_machine_only(running):
    assert running.page.listener.getsockname()[0] == "127.0.0.1"
    port = running.page.listener.getsockname()[1]
    own = socket.gethostbyname(socket.gethostname())
    if own.startswith("127."):
        pytest.skip("this machine has no other address")
    with pytest.raises(OSError), socket.create_connection((own, port), timeout=2):
        pass


def test_the_phones_door_takes_photos_and_nothing_else(running, folder):
    phone = running.page.phone
    assert phone is not None
    address = phone.address()
    origin = address.split("/?")[0]
    sending = {"origin": origin, "content-type": "application/octet-stream", "x-file-name": "p.jpg"}
    data = jpeg((400, 300), seed=70)
    with httpx2.Client(base_url=origin, timeout=60) as browser:
        assert browser.post("/api/photos", content=data, headers=sending).status_code == 401
        assert browser.get(address).status_code == 303
        assert "photos" in browser.get("/").text
        for path in ("/static/phone.js", "/static/phone.css"):
            assert browser.get(path).status_code == 200
        for path in ("/api/visit", "/api/result", "/api/changes?since=0", "/static/main.js",
                     "/static/index.html", "/tiles/front.jpg/0/0_0.jpg", "/api/phone",
                     "/api/photos", "/thumb/front.jpg.jpg"):  # fmt: skip
            assert browser.get(path).status_code in (404, 405), path
        act = {"client": "c", "request_id": "1", "base": 0, "action": {"kind": "undo"}}
        for path in ("/api/act", "/api/snap"):
            answer = browser.post(path, json=act, headers={"origin": origin})
            assert answer.status_code == 404
        answer = browser.post("/api/photos", content=data, headers=sending)
        assert answer.json() == {"ok": True, "name": "p.jpg", "was_there": False}
    assert (folder / "photos" / "p.jpg").read_bytes() == data
    # the phone's session is none at the page, and the other way round
    page_origin = running.page.address.split("/?")[0]
    with httpx2.Client(base_url=page_origin) as browser:
        token = {"authorization": f"Bearer {phone.session.token}"}
        assert browser.get("/api/visit", headers=token).status_code == 401


def test_each_code_has_a_key_of_its_own(running):
    phone = running.page.phone
    assert phone is not None
    keys = {phone.address() for _ in range(4)}
    assert len(keys) == 4 and all(phone.host in key for key in keys)
    assert phone.code().startswith(b"\x89PNG")
    assert len(phone.code_text().splitlines()) >= 15
    assert segno.make(next(iter(keys)), micro=False).version <= 6  # few enough dots to be read


def test_a_visit_is_open_in_one_page_at_a_time(folder):
    first = open_page(folder)
    try:
        with pytest.raises(InputError, match="open in another page"):
            open_page(folder)
    finally:
        first.close()
    open_page(folder).close()


def test_a_folder_without_a_visit_is_begun_empty_and_nothing_else_is(tmp_path):
    folder = tmp_path / 'Elm "3" \\ street'
    folder.mkdir()
    open_page(folder).close()
    assert open_visit(folder).name == "Elm 3  street"
    with pytest.raises(InputError, match="is no folder"):
        open_page(tmp_path / "none")
    assert not (tmp_path / "none").exists()


def test_a_port_that_is_taken_is_said_in_words(folder):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match=f"port {port} can't be used"):
            open_page(folder, port=port)
    open_page(folder).close()  # the lock was let go


def test_the_command_prints_the_address_and_serves(folder, monkeypatch):
    served = []
    monkeypatch.setattr(Page, "serve", lambda page: (served.append(page.address), page.close()))
    result = CliRunner().invoke(app, ["page", str(folder), "--no-browser"])
    assert result.exit_code == 0 and result.output.strip() == served[0]
    assert served[0].startswith("http://127.0.0.1:")
    result = CliRunner().invoke(app, ["page", str(folder / "none"), "--no-browser"])
    assert result.exit_code == 2 and "is no folder" in result.output
