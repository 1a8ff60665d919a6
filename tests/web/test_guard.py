"""Who is let in: everybody else is refused before anybody looks at what is asked."""

from __future__ import annotations

import json

import pytest

from survey.web.guard import POLICY
from tests.web.conftest import HOST, ORIGIN, Asker

ACT = {"client": "c", "request_id": "1", "base": 0, "action": {"kind": "undo"}}


def good(asker: Asker) -> dict[str, str]:
    return {"cookie": f"{asker.session.cookie}={asker.session.token}", "origin": ORIGIN}


BAD_HOSTS = [
    "evil.example", "evil.example:8765", "127.0.0.1", "127.0.0.1:80", "localhost", "0.0.0.0:8765",
    "127.0.0.2:8765", "127.0.0.1:8765.evil.example", "[::ffff:127.0.0.1]:8765", "localhost.:8765",
    "user@127.0.0.1:8765", "2130706433:8765",
]  # fmt: skip
BAD_ORIGINS = [
    "http://evil.example", "null", "https://127.0.0.1:8765", "http://127.0.0.1",
    "http://127.0.0.1:8766", "http://localhost:8765", "http://127.0.0.1:8765.evil.example", "",
    "file://", "http://127.0.0.1:8765/",
]  # fmt: skip
BAD_PATHS = [
    "/../visit.toml", "/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/app.py",
    "/static/app.py", "/static/%2fetc%2fpasswd", "//etc/passwd", "/static//etc/passwd",
    "/static/..\\app.py", "/static/%5c..%5capp.py", "/tiles/..%2f..%2fvisit.toml/0/0_0.jpg",
    "/tiles/visit.toml/0/0_0.jpg", "/thumb/..%2fvisit.toml.jpg", "/crop/%00.png?x=1&y=1",
    "/.survey/journal.jsonl", "/photos/front.jpg", "/visit.toml", "/marks.json", "/static/",
    "/static/.", "/api", "/api/visit/", "/docs", "/openapi.json", "/static/%252e%252e%252fapp.py",
    "/tiles/front.jpg/0/0_99.jpg", "/tiles/front.jpg/99/0_0.jpg", "/tiles/front.jpg/-1/0_0.jpg",
]  # fmt: skip
BAD_TYPES = [
    "text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "",
    "application/json5", "text/json", "application/octet-stream",
]  # fmt: skip


@pytest.mark.parametrize("host", BAD_HOSTS)
def test_a_foreign_host_is_refused_even_with_the_right_cookie(asker, host):
    for path in ("/", "/api/visit", f"/?key={asker.session.new_key()}"):
        answer = asker.http.get(path, headers={**good(asker), "host": host})
        assert answer.status_code == 421
        assert answer.json()["ok"] is False
        assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("origin", BAD_ORIGINS)
def test_a_foreign_origin_is_refused(asker, origin):
    headers = {**good(asker), "origin": origin}
    assert asker.http.post("/api/act", json=ACT, headers=headers).status_code == 403
    assert asker.http.get("/api/visit", headers=headers).status_code == 403


def test_a_change_without_an_origin_is_refused(asker):
    headers = {"cookie": good(asker)["cookie"]}
    assert asker.http.post("/api/act", json=ACT, headers=headers).status_code == 403


def test_a_change_that_the_browser_calls_cross_site_is_refused(asker):
    for site in ("cross-site", "same-site", "none"):
        headers = {**good(asker), "sec-fetch-site": site}
        assert asker.http.post("/api/act", json=ACT, headers=headers).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"cookie": "survey_session_8765=wrong"},
        {"cookie": "survey_session_8765="},
        {"cookie": "other=1"},
        {"cookie": 'survey_session_8765="'},
        {"authorization": "Bearer wrong"},
        {"authorization": "Bearer "},
        {"authorization": "Basic dXNlcjpwYXNz"},
    ],
)
def test_without_the_session_nothing_is_told(asker, headers):
    for path in ("/", "/api/visit", "/static/main.js", "/tiles/front.jpg/0/0_0.jpg", "/nowhere"):
        answer = asker.http.get(path, headers=headers)
        assert answer.status_code == 401
        assert "front" not in answer.text


@pytest.mark.parametrize("path", BAD_PATHS)
def test_paths_lead_to_nothing_but_the_fixed_list(asker, path):
    answer = asker.http.get(path, headers=good(asker))
    assert answer.status_code == 404, answer.text
    assert answer.json()["ok"] is False


@pytest.mark.parametrize("kind", BAD_TYPES)
def test_a_change_of_any_other_type_is_refused(asker, kind):
    headers = {**good(asker), "content-type": kind}
    answer = asker.http.post("/api/act", content=json.dumps(ACT).encode(), headers=headers)
    assert answer.status_code == 415
    assert asker.http.post("/api/photos", json={}, headers=good(asker)).status_code == 415


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"])
def test_other_methods_are_refused_and_nothing_is_shared_across_origins(asker, method):
    answer = asker.http.request(method, "/api/act", headers=good(asker))
    assert answer.status_code == 405
    assert not [name for name in answer.headers if name.startswith("access-control")]


def test_the_key_opens_once_and_sets_a_cookie_scripts_cannot_read(asker):
    key = asker.session.new_key()
    answer = asker.http.get(f"/?key={key}")
    assert answer.status_code == 303 and answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    token = cookie.split(";")[0].split("=", 1)[1]
    assert len(token) >= 43 and token == asker.session.token  # 256 bits in base 64
    asker.http.cookies.clear()
    assert asker.http.get(f"/?key={key}").status_code == 401


def test_only_the_newest_keys_wait(asker):
    keys = [asker.session.new_key() for _ in range(20)]
    assert not asker.session.burn(keys[0])
    assert asker.session.burn(keys[-1])
    assert not asker.session.burn("")


def test_two_hosts_or_two_cookies_are_no_way_round(asker):
    twice = [("host", HOST), ("host", "evil.example"), ("cookie", good(asker)["cookie"])]
    assert asker.http.get("/api/visit", headers=twice).status_code == 421
    origins = [("origin", ORIGIN), ("origin", "http://evil.example")]
    headers = [("cookie", good(asker)["cookie"]), *origins]
    assert asker.http.get("/api/visit", headers=headers).status_code == 403


def test_every_answer_carries_the_policy(asker):
    paths = ("/api/visit", "/nowhere", "/tiles/front.jpg/0/0_0.jpg")
    answers = [asker.get(path) for path in paths]
    answers.append(asker.http.get("/api/visit"))  # refused
    for answer in answers:
        assert answer.headers["content-security-policy"] == POLICY
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
    assert "unsafe" not in POLICY and "*" not in POLICY
    assert answers[0].headers["cache-control"] == "no-store"


def test_a_very_long_path_is_refused(asker):
    assert asker.get("/static/" + "a" * 2000).status_code == 404


def test_the_session_is_compared_whole(asker):
    token = asker.session.token
    for wrong in (token[:-1], token + "x", token.swapcase(), token[::-1]):
        answer = asker.http.get("/api/visit", headers={"authorization": f"Bearer {wrong}"})
        assert answer.status_code == 401
