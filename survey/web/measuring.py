"""The process beside the server that measures: ``python -m survey.web.measuring ROLE``.

It reads one JSON object a line from its standard input and writes one a line to its standard
output, so that nothing it is handed or hands back can be more than data. Three of them run for a
page, each with one role:

- ``search``: looks for targets in photos, one after the other;
- ``quick``: adjusts at every change with what has been seen so far; then predictions and advice;
- ``check``: measures as `survey measure` does, once the quick one is ahead and quiet.

A newer request always overtakes an older one. When the input ends, so does the process.
"""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, TextIO

from survey.errors import SurveyError
from survey.photo import Photo, read_photos
from survey.visit.model import Visit
from survey.web.sightings import Seen, SightingStore, outline_of
from survey.web.texts import open_texts

NICENESS = 5  # the server comes first
ROLES = ("search", "quick", "check")
Json = dict[str, Any]


class Inbox:
    """Requests as they come in; the newest of each kind is the one that counts."""

    def __init__(self, stream: TextIO) -> None:
        self._requests: queue.Queue[Json | None] = queue.Queue()
        threading.Thread(target=self._read, args=(stream,), daemon=True).start()

    def _read(self, stream: TextIO) -> None:
        for line in stream:
            self._requests.put(json.loads(line))
        self._requests.put(None)

    def newest(self, *, wait: bool = True) -> dict[str, Json] | None:
        """Return the newest request of each kind that came in; None at the end of the input.

        Without `wait`, an empty mapping when nothing has come in.
        """
        found: dict[str, Json] = {}
        if wait:
            request = self._requests.get()
            if request is None:
                return None
            found[request["kind"]] = request
        while True:
            try:
                request = self._requests.get_nowait()
            except queue.Empty:
                return found
            if request is None:
                return None
            found[request["kind"]] = request

    def is_empty(self) -> bool:
        """Whether nothing newer waits."""
        return self._requests.empty()


class Worker:
    """One role of the measuring process."""

    def __init__(self, folder: Path, inbox: Inbox, out: TextIO) -> None:
        self.folder = folder
        self.inbox = inbox
        self.out = out
        self.store = SightingStore(folder)
        self.photos: tuple[Any, tuple[Photo, ...]] | None = None

    def tell(self, event: str, **values: Any) -> None:
        """Write one line to the server."""
        self.out.write(json.dumps({"event": event, **values}) + "\n")
        self.out.flush()

    def open(self, request: Mapping[str, Any]) -> tuple[Visit, tuple[Photo, ...]]:
        """Open the visit of a request with its photos; photos are read when they changed only."""
        visit = open_texts(self.folder, request["texts"])
        stamp = _stamp(visit)
        if self.photos is None or self.photos[0] != stamp:
            self.photos = (stamp, read_photos(visit))
        return visit, self.photos[1]

    def seen(self, visit: Visit, photos: tuple[Photo, ...]) -> Iterator[tuple[Photo, Seen | None]]:
        """Return what is known of each photo that can be used."""
        for photo in photos:
            if photo.camera is not None:
                yield photo, self.store.find(photo, visit.targets)


def search(worker: Worker) -> None:
    """Look for targets, the wanted photo first; begin anew when targets or photos change."""
    while (requests := worker.inbox.newest()) is not None:
        request = requests.get("measure")
        if request is None:
            continue
        visit, photos = worker.open(request)
        usable = [photo for photo in photos if photo.camera is not None]
        usable.sort(key=lambda photo: photo.name != request.get("photo"))
        worker.tell("searching", left=len(usable))
        for index, photo in enumerate(usable):
            if not worker.inbox.is_empty():
                break
            seen = worker.store.find(photo, visit.targets)
            fresh = seen is None or not seen.exact
            if fresh:
                seen = worker.store.search(photo, visit.targets)
            assert seen is not None
            left = len(usable) - index - 1
            worker.tell("photo", **describe_seen(photo, seen), fresh=fresh, left=left)


def describe_seen(photo: Photo, seen: Seen) -> Json:
    """Return what the strip shows of a searched photo."""
    targets: list[Json] = [
        {"name": one.target, "outline_px": outline_of(one)} for one in seen.sightings
    ]
    targets += [
        {"name": one.target, "sheet": one.target, "declared": False, "outline_px": outline_of(one)}
        for one in seen.undeclared
    ]
    return {
        "name": photo.name,
        "stamp": photo.sha256[:12],
        "targets": targets,
        "remarks": [problem.sentence for problem in seen.problems],
    }


def _stamp(visit: Visit) -> tuple[Any, ...]:
    """Return what decides how photos are read: files, calibrations, and which copy is marked."""
    files = [*visit.photo_paths, *(visit.folder / one.file for one in visit.calibrations)]
    states = [(path.name, path.stat().st_size, path.stat().st_mtime_ns) for path in files]
    return (tuple(states), visit.calibrations, frozenset(mark.photo for mark in visit.marks))


def figuring_of(role: str) -> Callable[[Worker], None]:
    """Return what a role does; the adjustment is loaded by those processes only that use it."""
    from survey.web.figuring import check, quick

    return {"quick": quick, "check": check}[role]


def main(arguments: list[str]) -> int:
    """Run one role until the input ends."""
    role, folder = arguments[0], Path(arguments[1])
    assert role in ROLES, role
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    worker = Worker(folder, Inbox(sys.stdin), sys.stdout)
    act = search if role == "search" else figuring_of(role)
    while True:
        try:
            act(worker)
            return 0
        except SurveyError as error:
            worker.tell("failed", sentence=str(error))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
