"""Keeps the result in step with the visit: three measuring processes, the newest request wins.

Nothing here ever makes an acknowledgement wait. A change goes to the quick process at once; when
it is ahead, all photos are searched and nobody has changed anything for a moment, the checking
process measures in full. A process that dies is started again; one that keeps dying is told of.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import survey
from survey.web.measuring import ROLES
from survey.web.texts import Texts

Json = dict[str, Any]
QUIET = 0.8  # seconds without a change before the full measurement starts
MOST_DEATHS = 3  # of one process within a minute
MOST_RECTIFIED = 200  # maps of rectified images kept
LONGEST_LINE = 200_000_000  # characters of one answer
NOTHING: Json = {
    "result": None, "missing": "", "gaps": [], "worst": None, "plan": {}, "help_most": [],
}  # fmt: skip


class Child:
    """One measuring process and the thread that reads it."""

    def __init__(self, role: str, folder: Path, tell: Callable[[str, Json], None]) -> None:
        self.role = role
        self.folder = folder
        self.tell = tell
        self.process: subprocess.Popen[str] | None = None
        self.deaths: list[float] = []
        self.last: Json | None = None
        self.lock = threading.Lock()

    def send(self, request: Json, *, afresh: bool = False) -> None:
        """Send a request, starting the process if need be; `afresh` ends what it is doing."""
        with self.lock:
            if afresh:
                self._end()
            if self.process is None or self.process.poll() is not None:
                self._start()
            if request["kind"] == "measure":
                self.last = request
            assert self.process is not None and self.process.stdin is not None
            try:
                self.process.stdin.write(json.dumps(request) + "\n")
                self.process.stdin.flush()
            except OSError:
                return  # it died just now; the reader starts it again with the last request

    def close(self) -> None:
        """End the process."""
        with self.lock:
            self.last = None
            self._end()

    def _start(self) -> None:
        environment = {
            **os.environ,
            "PYTHONPATH": str(Path(survey.__file__).parent.parent),
            "OPENBLAS_NUM_THREADS": "1",
            "OMP_NUM_THREADS": "1",
        }
        command = [sys.executable, "-P", "-m", "survey.web.measuring", self.role, str(self.folder)]
        self.process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            encoding="utf-8",
        )
        threading.Thread(target=self._read, args=(self.process,), daemon=True).start()

    def _end(self) -> None:
        process, self.process = self.process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                try:
                    stream.close()
                except OSError:
                    pass

    def _read(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        try:
            for line in process.stdout:
                if process is not self.process:
                    return
                if len(line) <= LONGEST_LINE:
                    self.tell(self.role, json.loads(line))
        except (OSError, ValueError):
            pass
        with self.lock:
            if process is not self.process:
                return
            self._end()
            request = self.last
        if request is not None:
            self._died(request)

    def _died(self, request: Json) -> None:
        """Start again with the last request, unless it keeps dying of it."""
        now = time.monotonic()
        self.deaths = [one for one in self.deaths if now - one < 60.0] + [now]
        if len(self.deaths) >= MOST_DEATHS:
            self.tell(self.role, {"event": "died"})
        else:
            self.send(request)


class Live:
    """What is measured of an open visit, and how far that is behind."""

    def __init__(self, folder: Path, listener: Callable[[], None] = lambda: None) -> None:
        self.lock = threading.RLock()
        self.listener = listener
        self.children = {role: Child(role, folder, self._take) for role in ROLES}
        self.version = -1
        self.round = 0
        self.texts: Texts = {}
        self.quick: Json = {"version": -1, "round": -1, **NOTHING}
        self.checked: Json = {"version": -1, "round": -1, **NOTHING}
        self.advice: Json = {"version": -1, "help_most": []}
        self.predictions: dict[str, Json] = {}
        self.rectified: dict[tuple[str, str | None], Json] = {}
        self.photos: dict[str, Json] = {}
        self.news = 0  # grows when a photo's search is done
        self.left = 0
        self.failure = ""
        self.open_photo: str | None = None
        self._timer: threading.Timer | None = None
        self._closed = False

    def update(self, version: int, texts: Texts) -> None:
        """Take over a version of the visit."""
        with self.lock:
            if version <= self.version or self._closed:
                return
            self.version, self.texts = version, texts
            self.left = max(self.left, 1)
            self._ask("search")
            self._ask_quick()

    def result(self) -> Json:
        """Return the latest result, how fresh it is, and whether it was measured in full."""
        with self.lock:
            checked = self.checked["round"] == self.round
            shown = self.checked if checked else self.quick
            behind = self.quick["round"] != self.round or not checked or self.left > 0
            state = "working" if behind and not self.failure else "fresh"
            if state == "fresh" and shown["result"] is None:
                state = "none"
            answer = {key: shown[key] for key in NOTHING}
            if self.advice["version"] == shown["version"] and self.advice["help_most"]:
                answer["help_most"] = [*answer["help_most"], *self.advice["help_most"]]
            if self.failure:
                answer["missing"] = self.failure
            return {
                "version": shown["version"], "state": state, "checked": checked,
                "searching": self.left, **answer,
            }  # fmt: skip

    def predict(self, photo: str) -> Json:
        """Return where points should be in a photo, as far as that is known yet."""
        with self.lock:
            self.open_photo = photo
            known = self.predictions.get(photo)
            if known is None or known["version"] < self.quick["version"]:
                self.children["quick"].send({"kind": "predict", "photo": photo})
            if known is None:
                return {"version": -1, "points": [], "edges": []}
            return {key: known[key] for key in ("version", "points", "edges")}

    def rectify(self, plane: str, photo: str | None) -> Json:
        """Return the map of a plane's rectified image, as far as it is known; version -1: not yet.

        `photo` None leaves it to the program which photo is used.
        """
        with self.lock:
            known = self.rectified.get((plane, photo))
            if known is None or known["version"] < self.quick["version"]:
                request = {"kind": "rectify", "plane": plane, "photo": photo}
                self.children["quick"].send(request)
            return {"version": -1} if known is None else known

    def close(self) -> None:
        """End all processes."""
        with self.lock:
            self._closed = True
            if self._timer is not None:
                self._timer.cancel()
        for child in self.children.values():
            child.close()

    def _request(self) -> Json:
        return {
            "kind": "measure", "version": self.version, "round": self.round,
            "texts": dict(self.texts), "photo": self.open_photo,
        }  # fmt: skip

    def _ask(self, role: str, *, afresh: bool = False) -> None:
        self.children[role].send(self._request(), afresh=afresh)

    def _ask_quick(self) -> None:
        """Ask for a quick result of what is known now; the full one waits until it is quiet."""
        self.round += 1
        self.failure = ""
        if self._timer is not None:
            self._timer.cancel()
        self._ask("quick")

    def _take(self, role: str, message: Json) -> None:
        """Take in what a process says."""
        with self.lock:
            if self._closed:
                return
            match message["event"]:
                case "result" if role == "quick":
                    self.quick = message
                    self._check_soon()
                case "result":
                    self.checked = message
                case "predictions":
                    self.predictions[message["photo"]] = message
                case "rectified":
                    if len(self.rectified) >= MOST_RECTIFIED:
                        self.rectified.clear()
                    for photo in (message["asked"], message["photo"]):
                        self.rectified[(message["plane"], photo)] = message
                case "advice":
                    self.advice = message
                case "searching":
                    self.left = message["left"]
                    self._check_soon()
                case "photo":
                    self._take_photo(message)
                case "failed":
                    self.failure = message["sentence"]
                case "died":
                    self.failure = (
                        "measuring stopped more than once; what is marked is safe. Look whether a "
                        "photo is damaged, or run survey measure to see why"
                    )
            told = message["event"] in ("photo", "result")
        if told:
            self.listener()

    def _take_photo(self, message: Json) -> None:
        self.left = message["left"]
        before = self.photos.get(message["name"])
        self.photos[message["name"]] = message
        same = before is not None and all(
            before[key] == message[key] for key in ("stamp", "targets", "remarks")
        )
        if not same:
            self.news += 1
            self._ask_quick()
        else:
            self._check_soon()

    def _check_soon(self) -> None:
        """Measure in full once all is searched, the quick result is ahead, and it is quiet."""
        if self._timer is not None:
            self._timer.cancel()
        ready = self.left == 0 and self.quick["round"] == self.round
        if ready and self.checked["round"] != self.round:
            self._timer = threading.Timer(QUIET, self._check, (self.round,))
            self._timer.daemon = True
            self._timer.start()

    def _check(self, round_number: int) -> None:
        with self.lock:
            if self._closed or round_number != self.round:
                return
            self._ask("check", afresh=self._is_checking())

    def _is_checking(self) -> bool:
        """Whether the checking process is still at an older request."""
        last = self.children["check"].last
        return last is not None and last["round"] != self.checked["round"]


def describe_targets(photos: Mapping[str, Json], name: str, stamp: str) -> Json:
    """Return what a search said of a photo, for the strip."""
    known = photos.get(name)
    if known is None or known["stamp"] != stamp:
        return {"searched": False, "targets": [], "remarks": []}
    return {"searched": True, "targets": known["targets"], "remarks": known["remarks"]}
