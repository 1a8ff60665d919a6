"""The append-only journal of what was done to a visit on the page.

One JSON object a line in ``.survey/journal.jsonl``. A line is on the disk before anything else
happens; a line cut short by a crash was never acknowledged and is dropped. Nothing is ever taken
out: undoing is a line too.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from survey.errors import InputError, StorageError
from survey.web.changes import Change
from survey.web.texts import FILES

FOLDER = ".survey"
JOURNAL = "journal.jsonl"
JOURNAL_FORMAT = 1
DO, UNDO, REDO, NOTE, VOID, WRITTEN = "do", "undo", "redo", "note", "void", "written"
Thing = tuple[str, str]  # kind and name of what an entry touches: ("mark", "m3")


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal.

    Attributes
    ----------
    number : int
        Version of the visit after it.
    kind : str
        "do", "undo", "redo"; "note" for what can't be undone (a photo added, a file edited by
        hand); "void" takes back what was noted but could not be written.
    label : str
        What was done, in words.
    client, request : str
        Who asked, and the asker's own id of the request.
    touches : tuple of (kind, name)
    hashes : mapping
        SHA-256 of each changed file before and after; None: it was not, or is not, there.
    changes : tuple of Change
        Of a "do".
    of : int
        Number of the entry that an "undo", "redo" or "void" is about; 0 otherwise.
    applied : tuple
        JSON-ready values for the answer to the asker.
    """

    number: int
    kind: str
    label: str
    client: str = ""
    request: str = ""
    touches: tuple[Thing, ...] = ()
    hashes: Mapping[str, tuple[str | None, str | None]] = field(default_factory=dict)
    changes: tuple[Change, ...] = ()
    of: int = 0
    applied: tuple[Any, ...] = ()

    def as_line(self) -> bytes:
        """Return the entry as one line of JSON."""
        document: dict[str, Any] = {
            "n": self.number, "kind": self.kind, "label": self.label, "client": self.client,
            "request": self.request, "touches": [list(thing) for thing in self.touches],
            "files": {name: list(pair) for name, pair in self.hashes.items()},
        }  # fmt: skip
        if self.changes:
            document["changes"] = [change.as_document() for change in self.changes]
        if self.of:
            document["of"] = self.of
        if self.applied:
            document["applied"] = list(self.applied)
        return (json.dumps(document, ensure_ascii=False) + "\n").encode("utf-8")


class Journal:
    """The journal file of one visit folder; one process at a time writes to it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FOLDER / JOURNAL
        self.entries: list[Entry] = []
        self.written = 0  # number of the last entry whose files are known to be written
        self._read()

    def append(self, entry: Entry) -> None:
        """Put an entry on the disk.

        Raises
        ------
        StorageError
            If the disk does not take it; nothing was done then.
        """
        self._write(entry.as_line(), sync=True)
        self.entries.append(entry)

    def note_written(self, number: int) -> None:
        """Note that the files of an entry are written. Its loss in a crash does no harm."""
        self._write((json.dumps({"kind": WRITTEN, "n": number}) + "\n").encode(), sync=False)
        self.written = number

    def _write(self, line: bytes, *, sync: bool) -> None:
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
        try:
            is_new = not self.path.exists()
            descriptor = os.open(self.path, flags, 0o600)
            try:
                length = os.fstat(descriptor).st_size
                try:
                    if os.write(descriptor, line) != len(line):
                        raise OSError("the disk is full")
                    if sync:
                        os.fsync(descriptor)
                except OSError:
                    os.ftruncate(descriptor, length)
                    raise
            finally:
                os.close(descriptor)
            if is_new:
                _sync_folder(self.path.parent)
        except OSError as error:
            raise StorageError(
                f"the action could not be noted ({(error.strerror or str(error)).lower()}), so "
                "nothing was changed",
                where=f"{FOLDER}/{JOURNAL}",
                cure="check that the disk has space and may be written to",
            ) from error

    def _read(self) -> None:
        """Read the journal; make it with its first line if it is not there."""
        _make_folder(self.path.parent)
        if self.path.is_symlink():
            raise StorageError("it is a link", where=f"{FOLDER}/{JOURNAL}", cure="remove it")
        data = self.path.read_bytes() if self.path.exists() else b""
        whole = data[: data.rfind(b"\n") + 1]
        if len(whole) < len(data):
            os.truncate(self.path, len(whole))
        if not whole:
            head = {"kind": "head", "format": JOURNAL_FORMAT}
            self._write((json.dumps(head) + "\n").encode(), sync=True)
            return
        for number, line in enumerate(whole.splitlines(), start=1):
            self._take(line, number)

    def _take(self, line: bytes, number: int) -> None:
        try:
            document = json.loads(line)
            kind = document["kind"]
            if kind == "head":
                _check_format(document)
            elif kind == WRITTEN:
                self.written = int(document["n"])
            else:
                self.entries.append(_entry(document))
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            if isinstance(error, InputError):
                raise
            raise InputError(
                "the line is damaged",
                where=f"{FOLDER}/{JOURNAL} line {number}",
                cure=f"rename the folder {FOLDER}; marks and readings stay, undo begins anew",
            ) from error


def _entry(document: Mapping[str, Any]) -> Entry:
    changes = tuple(Change(**change) for change in document.get("changes", ()))
    if not {change.file for change in changes} | set(document["files"]) <= set(FILES):
        raise ValueError("it names a file that is none of the visit's")
    return Entry(
        number=int(document["n"]),
        kind=str(document["kind"]),
        label=str(document["label"]),
        client=str(document["client"]),
        request=str(document["request"]),
        touches=tuple((str(kind), str(name)) for kind, name in document["touches"]),
        hashes={name: (before, after) for name, (before, after) in document["files"].items()},
        changes=changes,
        of=int(document.get("of", 0)),
        applied=tuple(document.get("applied", ())),
    )


def _check_format(document: Mapping[str, Any]) -> None:
    if document["format"] > JOURNAL_FORMAT:
        raise InputError(
            f"format {document['format']} is newer than this program reads ({JOURNAL_FORMAT})",
            where=f"{FOLDER}/{JOURNAL}",
            cure="update the program",
        )


def _make_folder(folder: Path) -> None:
    """Make the page's own folder in the visit; a link there could lead elsewhere."""
    try:
        if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
            raise StorageError(
                f"{FOLDER} is no plain folder", where=FOLDER, cure="remove or rename it"
            )
        folder.mkdir(exist_ok=True)
    except OSError as error:
        if isinstance(error, StorageError):
            raise
        raise StorageError(
            f"{FOLDER} can't be made ({(error.strerror or type(error).__name__).lower()})",
            where=str(folder.parent),
            cure="check the permissions of the visit folder",
        ) from error


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
