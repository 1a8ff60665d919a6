"""Photos that are sent to the page: bounded, decoded elsewhere, then kept byte for byte."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import time
from dataclasses import dataclass
from pathlib import Path

from survey.errors import InputError, StorageError
from survey.visit.model import Visit
from survey.visit.reading import MOST_PHOTOS, PHOTOS
from survey.visit.tables import LONGEST_NAME
from survey.web.journal import FOLDER
from survey.web.sandbox import Decoded, decode_in_child
from survey.web.settings import LARGEST_PHOTO

INCOMING = "incoming"
LEFTOVER_AGE = 3600.0  # seconds
ENDINGS = {
    "JPEG": (".jpg", ".jpeg", ".jpe", ".jfif"),
    "PNG": (".png",),
    "HEIC": (".heic", ".heif", ".hif"),
}
PORTS = (f"{port}{number}" for port in ("com", "lpt") for number in range(10))
RESERVED = {"con", "prn", "aux", "nul", *PORTS}  # names that Windows keeps to itself


@dataclass(frozen=True, slots=True)
class Kept:
    """A photo that was kept, or was there already."""

    name: str
    width: int
    height: int
    was_there: bool


class Arrival:
    """One photo on its way in: written into a file of its own while it arrives."""

    def __init__(self, folder: Path, name: str, most: int = LARGEST_PHOTO) -> None:
        self.folder = folder
        self.name = safe_name(name)
        self.most = most
        self.size = 0
        self._hash = hashlib.sha256()
        incoming = folder / FOLDER / INCOMING
        if incoming.is_symlink():
            raise StorageError("it is a link", where=f"{FOLDER}/{INCOMING}", cure="remove it")
        incoming.mkdir(parents=True, exist_ok=True)
        _sweep(incoming)
        self.path = incoming / f"{os.getpid()}-{secrets.token_hex(8)}.partial"
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        self._stream = os.fdopen(os.open(self.path, flags, 0o666), "wb")

    def take(self, part: bytes) -> None:
        """Take in a part of the file.

        Raises
        ------
        InputError
            If it grows larger than a photo may be.
        """
        self.size += len(part)
        if self.size > self.most:
            raise too_large(self.name, self.most)
        self._hash.update(part)
        try:
            self._stream.write(part)
        except OSError as error:
            raise _not_stored(self.name, error) from error

    def keep(self, visit: Visit) -> Kept:
        """Decode the photo in a child process, and keep it under a name that is free.

        Raises
        ------
        InputError
            If it is no photo that can be used, or the visit is full.
        StorageError
            If the disk does not take it.
        """
        try:
            self._stream.flush()
            os.fsync(self._stream.fileno())
            self._stream.close()
        except OSError as error:
            raise _not_stored(self.name, error) from error
        if len(visit.photo_paths) >= MOST_PHOTOS:
            raise InputError(
                f"the visit holds {MOST_PHOTOS} photos already",
                where=self.name,
                cure="begin another",
            )
        decoded = decode_in_child(self.path, self.name)
        if decoded.sha256 != self._hash.hexdigest():
            raise StorageError(
                "it changed while it was looked at", where=self.name, cure="send it again"
            )
        same = find_same(visit, self.size, decoded.sha256)
        if same is not None:
            return Kept(same, decoded.width, decoded.height, True)
        name = self._move(decoded)
        return Kept(name, decoded.width, decoded.height, False)

    def drop(self) -> None:
        """Remove what is left of the arrival."""
        with contextlib.suppress(OSError):
            self._stream.close()
        with contextlib.suppress(OSError):
            self.path.unlink(missing_ok=True)

    def _move(self, decoded: Decoded) -> str:
        """Give the file its name in photos/; a name that is taken is never overwritten."""
        photos = self.folder / PHOTOS
        if photos.is_symlink():
            raise StorageError(
                f"{PHOTOS} is a link", where=PHOTOS, cure="put the folder itself there"
            )
        photos.mkdir(exist_ok=True)
        stem, ending = split_name(self.name, decoded.format)
        for number in range(1, 1000):
            tail = "" if number == 1 else f"-{number}"
            name = stem[: LONGEST_NAME - len(ending) - len(tail)] + tail + ending
            if _claim(self.path, photos / name):
                _sync(photos)
                return name
        raise InputError("a thousand photos have that name", where=self.name, cure="rename it")


def safe_name(name: str) -> str:
    """Return a sent file name as one that is safe to use: no folders, no odd signs.

    Raises
    ------
    InputError
        If nothing of it is left.
    """
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(c if c.isprintable() and c not in '<>:"|?*' else "" for c in last)
    kept = " ".join(kept.split()).strip(". ")
    if not kept:
        raise InputError(
            "the photo has no name", where="photo", cure="send it as a file with a name"
        )
    if kept.split(".")[0].lower() in RESERVED:
        kept = f"photo-{kept}"
    return kept[:200]


def split_name(name: str, kind: str) -> tuple[str, str]:
    """Return stem and ending of a photo's name; an ending of another kind is replaced."""
    stem, dot, ending = name.rpartition(".")
    if dot and f".{ending.lower()}" in ENDINGS[kind]:
        return stem or "photo", f".{ending}"
    if dot and len(ending) <= 5 and ending.isalnum():
        name = stem
    return name.strip(". ") or "photo", ENDINGS[kind][0]


def find_same(visit: Visit, size: int, sha256: str) -> str | None:
    """Return the visit's photo that holds the same bytes, or None."""
    for path in visit.photo_paths:
        try:
            if path.stat().st_size != size:
                continue
            with path.open("rb") as stream:
                if hashlib.file_digest(stream, "sha256").hexdigest() == sha256:
                    return path.name
        except OSError:
            continue
    return None


def too_large(name: str, most: int) -> InputError:
    """Return the refusal of a photo that is too large."""
    return InputError(
        f"the photo is over {most / 1e6:g} MB", where=name, cure="send the phone's original photo"
    )


def _claim(source: Path, target: Path) -> bool:
    """Move a file to a name if that is free; False if it is taken."""
    try:
        os.link(source, target)
    except FileExistsError:
        return False
    except OSError:
        return _copy(source, target)  # a file system without links
    with contextlib.suppress(OSError):
        source.unlink()
    return True


def _copy(source: Path, target: Path) -> bool:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        descriptor = os.open(target, flags, 0o644)
    except FileExistsError:
        return False
    except OSError as error:
        raise _not_stored(target.name, error) from error
    try:
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(source.read_bytes())
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        with contextlib.suppress(OSError):
            target.unlink()
        raise _not_stored(target.name, error) from error
    return True


def _sync(folder: Path) -> None:
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sweep(incoming: Path) -> None:
    """Remove what a crash left behind."""
    for leftover in incoming.glob("*.partial"):
        with contextlib.suppress(OSError):
            if time.time() - leftover.stat().st_mtime > LEFTOVER_AGE:
                leftover.unlink()


def _not_stored(name: str, error: OSError) -> StorageError:
    return StorageError(
        f"the photo could not be stored ({(error.strerror or type(error).__name__).lower()})",
        where=name,
        cure="check that the disk has space",
    )
