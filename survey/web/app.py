"""The page's routes. A handler parses, asks the desk, answers; nothing more."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable, Sequence
from importlib.resources import files
from typing import Any
from urllib.parse import quote, unquote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from survey.errors import InputError, StorageError, SurveyError
from survey.visit.json_text import parse_strict_json
from survey.web.arrivals import Arrival, too_large
from survey.web.conflicts import ConflictError
from survey.web.desk import Desk
from survey.web.phone import Phone
from survey.web.settings import LARGEST_JSON, LONGEST_POLL, MOST_POLLS
from survey.web.tiles import NotHere

STATIC = {".html": "text/html", ".js": "text/javascript", ".css": "text/css",
          ".svg": "image/svg+xml", ".png": "image/png", ".webmanifest": "application/manifest+json",
          }  # fmt: skip
UPLOAD = "/api/photos"
PHONE_FILES = ("phone.js", "phone.css", "icon.svg")
FOR_EVER = {"cache-control": "private, max-age=31536000, immutable"}
Handler = Callable[[Request], Awaitable[Response]]


class Announcer:
    """Wakes the requests that wait for a new version."""

    def __init__(self) -> None:
        self.version = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._news: asyncio.Event | None = None
        self._lock = threading.Lock()
        self.waiting = 0

    def tell(self, version: int) -> None:
        """Note a version; may be called from any thread."""
        with self._lock:
            self.version = max(self.version, version)
            loop, news = self._loop, self._news
        if loop is not None and news is not None and not loop.is_closed():
            loop.call_soon_threadsafe(news.set)

    def wake(self) -> None:
        """Let those who wait look whether what they wait for has come."""
        self.tell(self.version)

    async def wait(self, since: int, timeout: float, or_else: Callable[[], bool]) -> int:
        """Return the version once it is past `since`, `or_else` holds, or time is up."""
        if self.waiting >= MOST_POLLS:
            return self.version
        self.waiting += 1
        try:
            loop = asyncio.get_running_loop()
            until = loop.time() + timeout
            while self.version <= since and loop.time() < until and not or_else():
                with self._lock:
                    if self._loop is not loop or self._news is None or self._news.is_set():
                        self._loop, self._news = loop, asyncio.Event()
                    news = self._news
                if self.version > since or or_else():
                    break
                try:
                    await asyncio.wait_for(news.wait(), until - loop.time())
                except TimeoutError:
                    break
            return self.version
        finally:
            self.waiting -= 1


def make_app(desk: Desk, phone: Phone | None = None) -> Starlette:
    """Return the application of one visit, to be wrapped in a `Guard`."""
    news = Announcer()
    news.tell(desk.book.version)
    desk.book.listeners.append(news.tell)
    desk.listeners.append(news.wake)
    pages = Pages(desk, news, phone)
    routes = [
        Route("/", pages.index, methods=["GET"]),
        Route("/static/{name}", pages.static, methods=["GET"]),
        Route("/api/visit", pages.visit, methods=["GET"]),
        Route("/api/act", pages.act, methods=["POST"]),
        Route("/api/changes", pages.changes, methods=["GET"]),
        Route("/api/snap", pages.snap, methods=["POST"]),
        Route("/api/result", pages.result, methods=["GET"]),
        Route("/api/predictions", pages.predictions, methods=["GET"]),
        Route("/api/rectified", pages.rectified, methods=["GET"]),
        Route("/rectified.jpg", pages.rectified_image, methods=["GET"]),
        Route("/api/plane-file", pages.plane_file, methods=["GET"]),
        Route(UPLOAD, pages.photos, methods=["POST"]),
        Route("/api/phone", pages.phone, methods=["GET"]),
        Route("/api/phone.png", pages.phone_code, methods=["GET"]),
        Route("/tiles/{photo}/{level:int}/{column:int}_{row:int}.jpg", pages.tile, methods=["GET"]),
        Route("/thumb/{photo}.jpg", pages.thumbnail, methods=["GET"]),
        Route("/crop/{photo}.png", pages.crop, methods=["GET"]),
    ]
    return plain_app(routes)


def plain_app(routes: Sequence[Route]) -> Starlette:
    """Return an application whose every failure has the one shape, and that redirects nowhere."""
    handlers: Any = {
        SurveyError: answer_error,
        HTTPException: answer_http,
        Exception: answer_fault,
    }
    app = Starlette(routes=routes, exception_handlers=handlers)
    app.router.redirect_slashes = False
    return app


class Pages:
    """The handlers of one desk."""

    def __init__(self, desk: Desk, news: Announcer, phone: Phone | None) -> None:
        self.desk = desk
        self.news = news
        self.phone_door = phone

    async def index(self, request: Request) -> Response:
        """Send the page."""
        return static_file("index.html")

    async def static(self, request: Request) -> Response:
        """Send one of the page's own files."""
        return static_file(request.path_params["name"])

    async def visit(self, request: Request) -> Response:
        """Send the whole visit."""
        return answer(await run_in_threadpool(self.desk.describe))

    async def act(self, request: Request) -> Response:
        """Do an action."""
        body = await json_body(request)
        client, ident = text_of(body, "client"), text_of(body, "request_id")
        base, action = body.get("base"), body.get("action")
        if not isinstance(base, int) or isinstance(base, bool) or not isinstance(action, dict):
            raise InputError("the request has no base version or no action", where="request")
        return answer(await run_in_threadpool(self.desk.act, client, ident, base, action))

    async def changes(self, request: Request) -> Response:
        """Wait until the visit is past a version, or more photos have been searched."""
        since = int_of(request, "since", 0)
        seen = int_of(request, "seen", self.desk.live.news)
        await run_in_threadpool(self.desk.book.look_again)
        wait = min(float(int_of(request, "wait", int(LONGEST_POLL))), LONGEST_POLL)
        version = await self.news.wait(since, wait, lambda: self.desk.live.news != seen)
        return answer({"version": version, "seen": self.desk.live.news})

    async def snap(self, request: Request) -> Response:
        """Move a press to the corner or edge beside it."""
        body = await json_body(request)
        return answer(await run_in_threadpool(
            self.desk.snap, text_of(body, "photo"), body.get("px"), body.get("radius_px", 12),
        ))  # fmt: skip

    async def result(self, request: Request) -> Response:
        """Send what is measured so far."""
        return answer(await run_in_threadpool(self.desk.result))

    async def predictions(self, request: Request) -> Response:
        """Send where points should be in a photo."""
        photo = request.query_params.get("photo", "")
        return answer(await run_in_threadpool(self.desk.predictions, photo))

    async def rectified(self, request: Request) -> Response:
        """Send how a plane's rectified image lies and how surely it measures."""
        plane, photo = request.query_params.get("plane", ""), request.query_params.get("photo")
        return answer(await run_in_threadpool(self.desk.rectified, plane, photo))

    async def rectified_image(self, request: Request) -> Response:
        """Send the rectified image of a plane."""
        plane, photo = (request.query_params.get(key, "") for key in ("plane", "photo"))
        data = await run_in_threadpool(self.desk.rectified_image, plane, photo)
        return Response(data, media_type="image/jpeg")

    async def plane_file(self, request: Request) -> Response:
        """Send the plane file as `survey measure` would write it."""
        name, data = await run_in_threadpool(self.desk.plane_file)
        headers = {"x-file-name": quote(name), "content-disposition": "attachment"}
        return Response(data, media_type="application/json", headers=headers)

    async def photos(self, request: Request) -> Response:
        """Take in a photo."""
        return answer(await take_photo(self.desk, request))

    async def phone(self, request: Request) -> Response:
        """Say whether a phone may send photos, and where."""
        if self.phone_door is None:
            return answer({"on": False, "address": None})
        return answer({"on": True, "address": self.phone_door.address()})

    async def phone_code(self, request: Request) -> Response:
        """Send the square code that a phone reads, with a key of its own."""
        if self.phone_door is None:
            raise HTTPException(404)
        return Response(self.phone_door.code(), media_type="image/png")

    async def tile(self, request: Request) -> Response:
        """Send one tile."""
        params = request.path_params
        photo = self.desk.photo(params["photo"])
        data = await run_in_threadpool(
            self.desk.cutter.tile, photo, params["level"], params["column"], params["row"]
        )
        return Response(data, media_type="image/jpeg", headers=caching(request))

    async def thumbnail(self, request: Request) -> Response:
        """Send the coarsest level of a photo."""
        photo = self.desk.photo(request.path_params["photo"])
        data = await run_in_threadpool(self.desk.cutter.thumbnail, photo)
        return Response(data, media_type="image/jpeg", headers=caching(request))

    async def crop(self, request: Request) -> Response:
        """Send unsmoothed pixels around a place."""
        photo = self.desk.photo(request.path_params["photo"])
        x, y = float_of(request, "x"), float_of(request, "y")
        size = int_of(request, "size", 64)
        data = await run_in_threadpool(self.desk.cutter.crop, photo, x, y, size)
        return Response(data, media_type="image/png", headers=caching(request))


def make_phone_app(desk: Desk) -> Starlette:
    """Return what a phone on the same network sees: a page that sends photos, and nothing else."""

    async def index(request: Request) -> Response:
        return static_file("phone.html")

    async def static(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in PHONE_FILES:
            raise HTTPException(404)
        return static_file(name)

    async def photos(request: Request) -> Response:
        kept = await take_photo(desk, request)
        return answer({key: kept[key] for key in ("name", "was_there")})

    routes = [
        Route("/", index, methods=["GET"]),
        Route("/static/{name}", static, methods=["GET"]),
        Route(UPLOAD, photos, methods=["POST"]),
    ]
    return plain_app(routes)


async def take_photo(desk: Desk, request: Request) -> dict[str, Any]:
    """Write a photo down as it arrives, then have it decoded and kept."""
    name = unquote(request.headers.get("x-file-name", ""))
    length = request.headers.get("content-length", "")
    if length.isdigit() and int(length) > desk.largest_photo:
        raise HTTPException(413, too_large(name[:80], desk.largest_photo).what)
    arrival = await run_in_threadpool(Arrival, desk.book.folder, name, desk.largest_photo)
    try:
        async for part in request.stream():
            arrival.take(part)
        return await run_in_threadpool(desk.keep_photo, arrival)
    except ClientDisconnect as error:
        raise HTTPException(400, "the photo was cut short") from error
    finally:
        await run_in_threadpool(arrival.drop)


def static_file(name: str) -> Response:
    """Return one of the package's own page files; the folder's listing is the list of names."""
    folder = files("survey.web").joinpath("static")
    kind = STATIC.get(name[name.rfind(".") :]) if "." in name else None
    if kind is None or name not in {entry.name for entry in _entries(folder)}:
        raise HTTPException(404)
    return Response(folder.joinpath(name).read_bytes(), media_type=kind)


def _entries(folder: Any) -> list[Any]:
    return [entry for entry in folder.iterdir() if entry.is_file()] if folder.is_dir() else []


def caching(request: Request) -> dict[str, str]:
    """Let the browser keep what is asked for by the photo's own stamp."""
    return FOR_EVER if request.query_params.get("v") else {}


def answer(values: dict[str, Any]) -> Response:
    """Answer with what was asked for."""
    return JSONResponse({"ok": True, **values})


def answer_problem(
    status: int, error: str, where: str = "", cure: str = "", **more: Any
) -> Response:
    """Answer with what went wrong: one shape everywhere."""
    body = {"ok": False, "error": error, "where": where, "cure": cure, **more}
    return JSONResponse(body, status_code=status)


async def answer_error(request: Request, error: SurveyError) -> Response:
    """Turn a user's mistake into its sentence and status."""
    problems = [{"what": p.what, "where": p.where, "cure": p.cure} for p in error.problems]
    more: dict[str, Any] = {"problems": problems} if len(problems) > 1 else {}
    status = 422
    if isinstance(error, ConflictError):
        status = 409
        more["conflict"] = error.conflict.as_document()
    elif isinstance(error, StorageError):
        status = 507
    elif isinstance(error, NotHere):
        status = 404
    return answer_problem(status, error.what, error.where, error.cure, **more)


async def answer_http(request: Request, error: HTTPException) -> Response:
    """Answer what no handler took."""
    sentence = {404: "there is nothing here", 405: "that is not done here"}
    return answer_problem(error.status_code, sentence.get(error.status_code, str(error.detail)))


async def answer_fault(request: Request, error: Exception) -> Response:
    """Answer a fault of the program itself; the server prints its traceback in the terminal."""
    return answer_problem(
        500,
        f"the program failed here ({type(error).__name__}); what was saved before is safe",
        request.url.path,
        "try again; the terminal shows what to report",
    )


async def json_body(request: Request) -> dict[str, Any]:
    """Return a request's JSON object, bounded while it arrives."""
    data = bytearray()
    try:
        async for part in request.stream():
            data += part
            if len(data) > LARGEST_JSON:
                raise HTTPException(413, f"the request is over {LARGEST_JSON // 1000} kB")
    except ClientDisconnect as error:
        raise HTTPException(400, "the request was cut short") from error
    try:
        body = parse_strict_json(bytes(data).decode("utf-8"), "request")
    except UnicodeDecodeError as error:
        raise InputError("the request is not UTF-8 text", where="request") from error
    if not isinstance(body, dict):
        raise InputError("the request is no JSON object", where="request")
    return body


def text_of(body: dict[str, Any], key: str) -> str:
    """Return a short text of a request."""
    value = body.get(key)
    if not isinstance(value, str) or not 0 < len(value) <= 200 or not value.isprintable():
        raise InputError(f"the request has no {key}", where="request")
    return value


def int_of(request: Request, key: str, default: int) -> int:
    """Return a whole number of the query."""
    text = request.query_params.get(key, str(default))
    if len(text) > 12 or not text.lstrip("-").isascii() or not text.lstrip("-").isdigit():
        raise InputError(f"{key} is no whole number", where="request")
    return int(text)


def float_of(request: Request, key: str) -> float:
    """Return a number of the query."""
    text = request.query_params.get(key, "")
    try:
        value = float(text) if text.isascii() and "_" not in text and len(text) < 40 else None
    except ValueError:
        value = None
    if value is None or not abs(value) < 1e7:
        raise InputError(f"{key} is no number", where="request")
    return value
