"""A visit behind a page, asked through a test client."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from survey.web.app import UPLOAD, make_app
from survey.web.desk import Desk
from survey.web.guard import Guard, Session
from tests.web.visits import write_empty_visit

HOST = "127.0.0.1:8765"
ORIGIN = f"http://{HOST}"


class Asker:
    """One browser tab: sends actions one after another."""

    def __init__(self, http: TestClient, session: Session, name: str = "tab") -> None:
        self.http = http
        self.session = session
        self.name = name
        self.count = 0
        self.version = 0

    @property
    def headers(self) -> dict[str, str]:
        return {"authorization": f"Bearer {self.session.token}", "origin": ORIGIN}

    def get(self, path: str, **more: Any) -> Any:
        return self.http.get(path, headers=self.headers, **more)

    def post(self, path: str, body: Any) -> Any:
        return self.http.post(path, json=body, headers=self.headers)

    def act(self, kind: str, **more: Any) -> Any:
        self.count += 1
        answer = self.post(
            "/api/act",
            {
                "client": self.name,
                "request_id": f"{self.count}",
                "base": self.version,
                "action": {"kind": kind, **more},
            },
        )
        if answer.status_code == 200:
            self.version = answer.json()["version"]
        return answer

    def send_photo(self, data: bytes, name: str, **headers: str) -> Any:
        return self.http.post(
            UPLOAD,
            content=data,
            headers={
                **self.headers,
                "content-type": "application/octet-stream",
                "x-file-name": name,
                **headers,
            },
        )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_empty_visit(tmp_path / "visit")


@pytest.fixture
def desk(folder: Path) -> Iterator[Desk]:
    made = Desk(folder)
    yield made
    made.close()


@pytest.fixture
def session() -> Session:
    return Session(frozenset({HOST, "localhost:8765", "[::1]:8765"}), "survey_session_8765")


@pytest.fixture
def asker(desk: Desk, session: Session) -> Iterator[Asker]:
    guarded = Guard(make_app(desk), session, frozenset({UPLOAD}))
    with TestClient(guarded, base_url=ORIGIN, follow_redirects=False) as http:
        yield Asker(http, session)
