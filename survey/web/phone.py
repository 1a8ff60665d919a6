"""The door for a phone on the same network: it may send photos and do nothing else."""

from __future__ import annotations

import io
import socket
from dataclasses import dataclass

import segno

from survey.errors import InputError
from survey.web.guard import Session

NOWHERE = ("192.0.2.1", 9)  # reserved for documentation (RFC 5737); nothing is sent there


@dataclass(frozen=True, slots=True)
class Phone:
    """The phone's session and where it listens."""

    session: Session
    host: str
    port: int

    def address(self) -> str:
        """Return an address that opens the door once."""
        return f"http://{self.host}:{self.port}/?key={self.session.new_key()}"

    def code(self) -> bytes:
        """Return a fresh address as a square code, PNG."""
        out = io.BytesIO()
        segno.make(self.address(), micro=False).save(out, kind="png", scale=8, border=4)
        return out.getvalue()

    def code_text(self) -> str:
        """Return a fresh address as a square code of block characters, for a terminal."""
        out = io.StringIO()
        segno.make(self.address(), micro=False).terminal(out, compact=True)
        return out.getvalue()


def network_address() -> str:
    """Return this machine's address in the local network, without sending anything.

    Raises
    ------
    InputError
        If it is in no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(NOWHERE)
            host = str(probe.getsockname()[0])
        except OSError:
            host = "127.0.0.1"
    if host.startswith(("127.", "0.")):
        raise InputError(
            "this machine is in no network",
            where="--lan",
            cure="join the network that the phone is in",
        )
    return host
