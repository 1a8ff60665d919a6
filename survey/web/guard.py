"""What every request must bring before anybody looks at what it asks for.

Binding to loopback does not keep web pages out: a foreign page can send requests to it, and by
re-binding its name to 127.0.0.1 read the answers. So Host must be one of ours, Origin ours where
there is one and always for a change, and the session is a secret that only the cookie holds.
"""

from __future__ import annotations

import hmac
import json
import secrets
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

from survey.web.settings import KEY_BYTES, LONGEST_PATH, MOST_KEYS

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(), payment=(), usb=()"),
)
JSON_TYPE = "application/json"
BYTES_TYPE = "application/octet-stream"


@dataclass(slots=True)
class Session:
    """The secrets of one run: a key that opens it once, and the token that then holds.

    Attributes
    ----------
    hosts : frozenset of str
        Host headers that are ours, with the port.
    cookie : str
        Name of the cookie; it has the port in it, since cookies are shared by all ports.
    """

    hosts: frozenset[str]
    cookie: str
    token: str = field(default_factory=lambda: secrets.token_urlsafe(KEY_BYTES))
    keys: list[str] = field(default_factory=list)

    def new_key(self) -> str:
        """Return a fresh key that opens the session once."""
        key = secrets.token_urlsafe(KEY_BYTES)
        self.keys.append(key)
        del self.keys[:-MOST_KEYS]
        return key

    def burn(self, key: str) -> bool:
        """Whether a key is right; it is of no use afterwards."""
        for known in self.keys:
            if hmac.compare_digest(known.encode(), key.encode("utf-8", "replace")):
                self.keys.remove(known)
                return True
        return False

    def holds(self, token: str) -> bool:
        """Whether a token is the session's."""
        return hmac.compare_digest(self.token.encode(), token.encode("utf-8", "replace"))


class Refusal(Exception):
    """Why a request goes no further: status and one sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status
        self.sentence = sentence


class Guard:
    """Lets through what is ours, and puts the page's headers on every answer.

    Parameters
    ----------
    app : ASGI application
    session : Session
    byte_paths : frozenset of str
        Paths that take raw bytes instead of JSON.
    """

    def __init__(self, app: App, session: Session, byte_paths: frozenset[str]) -> None:
        self.app = app
        self.session = session
        self.byte_paths = byte_paths

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or pass it on."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no web sockets here; the server closes it
        sealed = _sealed(send)
        try:
            opened = self._check(scope)
        except Refusal as refusal:
            await _refuse(sealed, refusal)
            return
        if opened:
            await self._open(sealed)
            return
        await self.app(scope, receive, sealed)

    def _check(self, scope: Scope) -> bool:
        """Raise `Refusal` for what is not ours; True if it is the opening with a right key."""
        headers = _headers(scope)
        check_host(headers, self.session.hosts)
        check_path(scope)
        check_origin(scope["method"], headers, self.session.hosts)
        if self._is_opening(scope):
            return True
        if not self.session.holds(_token(headers, self.session.cookie)):
            raise Refusal(401, "this page belongs to another session; start it from the terminal")
        check_type(scope, headers, self.byte_paths)
        return False

    def _is_opening(self, scope: Scope) -> bool:
        if scope["method"] != "GET" or scope["path"] != "/" or not scope["query_string"]:
            return False
        keys = parse_qs(scope["query_string"].decode("latin-1")).get("key", [])
        return len(keys) == 1 and self.session.burn(keys[0])

    async def _open(self, send: Send) -> None:
        cookie = f"{self.session.cookie}={self.session.token}; HttpOnly; SameSite=Strict; Path=/"
        headers = [(b"location", b"/"), (b"set-cookie", cookie.encode()), (b"content-length", b"0")]
        await send({"type": "http.response.start", "status": 303, "headers": headers})
        await send({"type": "http.response.body", "body": b""})


def check_host(headers: Mapping[str, list[str]], hosts: frozenset[str]) -> None:
    """Refuse a Host that is not ours, before anything else."""
    found = headers.get("host", [])
    if len(found) != 1 or found[0].lower() not in hosts:
        raise Refusal(421, "this address is not the page's; open the one shown in the terminal")


def check_path(scope: Scope) -> None:
    """Refuse paths that mean something else once somebody tidies them."""
    raw = scope.get("raw_path") or scope["path"].encode()
    path: str = scope["path"]
    odd = any(sign in path for sign in ("//", "\\", "\0")) or {".", ".."} & set(path.split("/"))
    coded = any(code in raw.lower() for code in (b"%2f", b"%5c", b"%2e", b"%00"))
    if odd or coded or len(raw) > LONGEST_PATH or not path.startswith("/"):
        raise Refusal(404, "there is nothing here")


def check_origin(method: str, headers: Mapping[str, list[str]], hosts: frozenset[str]) -> None:
    """Refuse a foreign Origin, and a change without one."""
    if method not in ("GET", "HEAD", "POST"):
        raise Refusal(405, f"{method[:10]} is not done here")
    origins = headers.get("origin", [])
    if len(origins) > 1 or (origins and origins[0] not in {f"http://{host}" for host in hosts}):
        raise Refusal(403, "the request comes from another page")
    if origins and origins[0] != f"http://{headers['host'][0].lower()}":
        raise Refusal(403, "the request comes from another page")
    if method == "POST" and not origins:
        raise Refusal(403, "the request does not say where it comes from")
    sites = headers.get("sec-fetch-site", [])
    if method == "POST" and sites and sites != ["same-origin"]:
        raise Refusal(403, "the request comes from another page")


def check_type(scope: Scope, headers: Mapping[str, list[str]], byte_paths: frozenset[str]) -> None:
    """Refuse a POST of any type but the one its path takes; a form needs no permission to post."""
    if scope["method"] != "POST":
        return
    wanted = BYTES_TYPE if scope["path"] in byte_paths else JSON_TYPE
    types = headers.get("content-type", [])
    if len(types) != 1 or types[0].split(";")[0].strip().lower() != wanted:
        raise Refusal(415, f"the request is not {wanted}")


def _headers(scope: Scope) -> dict[str, list[str]]:
    headers: dict[str, list[str]] = {}
    for name, value in scope["headers"]:
        headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
    return headers


def _token(headers: Mapping[str, list[str]], cookie: str) -> str:
    """Return the token of the cookie, or of an Authorization header."""
    bearers = headers.get("authorization", [])
    if len(bearers) == 1 and bearers[0].startswith("Bearer "):
        return bearers[0].removeprefix("Bearer ").strip()
    jar: SimpleCookie = SimpleCookie()
    try:
        for line in headers.get("cookie", []):
            jar.load(line)
    except CookieError:
        return ""
    return jar[cookie].value if cookie in jar else ""


def _sealed(send: Send) -> Send:
    """Return `send` with the page's headers on every answer."""

    async def send_sealed(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = list(message.get("headers", []))
            names = {name.lower() for name, _ in given}
            given += [(name, value) for name, value in HEADERS if name not in names]
            if b"cache-control" not in names:
                given.append((b"cache-control", b"no-store"))
            message = {**message, "headers": given}
        await send(message)

    return send_sealed


async def _refuse(send: Send, refusal: Refusal) -> None:
    body = json.dumps(
        {"ok": False, "error": refusal.sentence, "where": "", "cure": ""}, ensure_ascii=False
    ).encode()
    headers = [
        (b"content-type", b"application/json; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    await send({"type": "http.response.start", "status": refusal.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
