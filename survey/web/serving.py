"""Starting the page: a visit, a port, a one-time address."""

from __future__ import annotations

import socket
import threading
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from filelock import FileLock, Timeout

from survey.errors import InputError
from survey.storage import write_atomically
from survey.visit.visit_file import VISIT_FILE
from survey.web.app import UPLOAD, make_app, make_phone_app
from survey.web.desk import Desk
from survey.web.guard import App, Guard, Session
from survey.web.journal import FOLDER
from survey.web.phone import Phone, network_address
from survey.web.settings import LOOPBACK


@dataclass(slots=True)
class Page:
    """An open page that waits to be served.

    Attributes
    ----------
    address : str
        What a browser opens, with the one-time key.
    app : ASGI application
    session : Session
    desk : Desk
    listener : socket
        Bound and listening.
    """

    address: str
    app: App
    session: Session
    desk: Desk
    listener: socket.socket
    lock: FileLock
    phone: Phone | None = None
    phone_app: App | None = None
    phone_listener: socket.socket | None = None

    def serve(self) -> None:
        """Serve until interrupted."""
        phone = None
        if self.phone_app is not None and self.phone_listener is not None:
            phone = uvicorn.Server(configured(self.phone_app))
            sockets = [self.phone_listener]
            threading.Thread(target=phone.run, args=(sockets,), daemon=True).start()
        try:
            uvicorn.Server(configured(self.app)).run(sockets=[self.listener])
        finally:
            if phone is not None:
                phone.should_exit = True
            self.close()

    def close(self) -> None:
        """Let go of ports, processes and visit."""
        if self.phone_listener is not None:
            self.phone_listener.close()
        self.listener.close()
        self.desk.close()
        self.lock.release()


def configured(app: App) -> uvicorn.Config:
    """Return how an application of the page is served."""
    return uvicorn.Config(
        app, log_level="warning", access_log=False, ws="none", lifespan="off",
        server_header=False, date_header=False, timeout_keep_alive=30,
        h11_max_incomplete_event_size=32_768,
    )  # fmt: skip


def open_page(folder: str | Path, *, port: int = 0, lan: bool = False) -> Page:
    """Open the page of a visit folder.

    Parameters
    ----------
    folder : str or Path
        Visit folder. One without a visit.toml is begun with an empty one named after it.
    port : int
        On this machine only; 0 takes a free one.
    lan : bool
        Whether a phone in the same network may send photos, at another port.

    Raises
    ------
    InputError
        If the visit does not open, is open in another page already, or the port is taken.
    StorageError
        If the folder can't be written to.
    """
    folder = Path(folder)
    _begin_empty(folder)
    lock = _lock(folder)
    listeners: list[socket.socket] = []
    try:
        listener = _listen(LOOPBACK, port)
        listeners.append(listener)
        phone, phone_listener = _open_door() if lan else (None, None)
        if phone_listener is not None:
            listeners.append(phone_listener)
        desk = Desk(folder)
    except BaseException:
        for one in listeners:
            one.close()
        lock.release()
        raise
    port = listener.getsockname()[1]
    session = Session(
        hosts=frozenset(f"{name}:{port}" for name in (LOOPBACK, "localhost", "[::1]")),
        cookie=f"survey_session_{port}",
    )
    app = Guard(make_app(desk, phone), session, frozenset({UPLOAD}))
    phone_app = None
    if phone is not None:
        phone_app = Guard(make_phone_app(desk), phone.session, frozenset({UPLOAD}))
    address = f"http://{LOOPBACK}:{port}/?key={session.new_key()}"
    return Page(address, app, session, desk, listener, lock, phone, phone_app, phone_listener)


def _open_door() -> tuple[Phone, socket.socket]:
    """Listen on this machine's address in the local network."""
    host = network_address()
    listener = _listen(host, 0)
    port = listener.getsockname()[1]
    session = Session(frozenset({f"{host}:{port}"}), f"survey_phone_{port}")
    return Phone(session, host, port), listener


def _begin_empty(folder: Path) -> None:
    """Write the least visit.toml into a folder that has none."""
    if not folder.is_dir():
        raise InputError(
            f"{folder} is no folder",
            where="visit folder",
            cure="make a folder and put the photos into a folder photos in it",
        )
    path = folder / VISIT_FILE
    if not path.exists() and not path.is_symlink():
        name = "".join(c for c in folder.resolve().name if c.isprintable() and c not in '"\\')
        write_atomically(path, f'format = 1\nname = "{name.strip()[:60] or "visit"}"\n'.encode())


def _lock(folder: Path) -> FileLock:
    own = folder / FOLDER
    if own.is_symlink():
        raise InputError(f"{FOLDER} is a link", where=FOLDER, cure="remove it")
    own.mkdir(exist_ok=True)
    lock = FileLock(own / "lock")
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise InputError(
            f"{folder} is open in another page already",
            where="visit folder",
            cure="go on in that one, or stop it first",
        ) from error
    return lock


def _listen(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if port:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)
    except OSError as error:
        listener.close()
        raise InputError(
            f"port {port} can't be used ({(error.strerror or '').lower()})",
            where="--port",
            cure="leave --port out to take a free one",
        ) from error
    return listener
