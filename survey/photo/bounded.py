"""Decodes photos in a process of its own, with a deadline and a ceiling of memory.

A decoder written in C can't be stopped from inside. So one child process decodes all photos of a
run, one after the other; its parent ends it when a photo takes too long or too much memory, says
so of that photo, and starts another child for the next.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from survey.errors import InputError, StorageError
from survey.photo.decoding import READY
from survey.photo.model import Photo
from survey.photo.orientation import Pixels
from survey.photo.pixels import read_grey
from survey.photo.process_limits import resident_memory

LOADING = 60.0  # seconds for a child to get ready
DEADLINE = 60.0  # seconds for one photo; a 200 megapixel one takes a tenth of that
MEMORY = 2_000_000_000  # bytes; a 200 megapixel photo takes 1.3 GB
LOOKS = 0.05  # seconds between two looks at the child
LONGEST_ANSWER = 20_000  # bytes
PROGRAM = Path(__file__).with_name("decoding.py")
CURE = "copy the original again from the phone, or leave the photo out"


class BoundedDecoder:
    """One child process at a time that decodes photos; a context manager that ends it.

    Parameters
    ----------
    deadline : float, optional
        Seconds by the wall clock for one photo.
    memory : int, optional
        Bytes that the child may take.
    """

    def __init__(self, *, deadline: float | None = None, memory: int | None = None) -> None:
        self._deadline = DEADLINE if deadline is None else deadline
        self._memory = MEMORY if memory is None else memory
        self._turn = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None
        self._ready = False
        self._start()

    def __enter__(self) -> BoundedDecoder:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._turn:
            self._end()

    def read_grey(self, photo: Photo) -> Pixels:
        """Decode a photo in grey, as `survey.photo.read_grey` does.

        Raises
        ------
        InputError
            Also if decoding exceeds the deadline or the memory, or ends the child.
        StorageError
            If the file can't be read any more, or is not the one that was checked.
        """
        if photo.camera is None:
            raise InputError(str(photo.refused), where=photo.name)
        with self._turn:
            if self._child is None or self._child.poll() is not None:
                self._start()
            if self._child is None or not self._is_ready(self._child):
                return read_grey(photo)
            with _Watch(self._child, self._deadline, self._memory) as watch:
                return self._ask(self._child, photo, watch)

    def _is_ready(self, child: subprocess.Popen[bytes]) -> bool:
        """Whether the child works; loading it counts for no photo."""
        if not self._ready:
            assert child.stdout is not None
            with _Watch(child, LOADING, self._memory):
                self._ready = child.stdout.readline(LONGEST_ANSWER) == READY
        return self._ready

    def _ask(self, child: subprocess.Popen[bytes], photo: Photo, watch: _Watch) -> Pixels:
        assert child.stdin is not None and child.stdout is not None and photo.camera is not None
        asked = {
            "name": photo.name,
            "path": str(photo.path.absolute()),
            "sha256": photo.sha256,
            "format": photo.format,
            "orientation": photo.orientation,
            "size_px": photo.camera.size_px,
        }
        with contextlib.suppress(OSError):  # a child that has died gives no answer
            child.stdin.write(json.dumps(asked).encode() + b"\n")
            child.stdin.flush()
        answer = _parse(child.stdout.readline(LONGEST_ANSWER))
        if answer == {}:
            width, height = photo.camera.size_px
            pixels = np.empty((height, width), dtype=np.uint8)
            if _fill(child, pixels.data.cast("B")):
                return pixels
        if answer and "refused" in answer:
            kind = StorageError if answer["kind"] == StorageError.__name__ else InputError
            raise kind(answer["refused"], where=photo.name, cure=answer["cure"])
        self._end()  # whatever is left of it
        why = watch.why or "decoding it failed"
        if answer and "too large" in answer:
            why = _too_large(self._memory)
        raise InputError(f"photo skipped: {why}", where=photo.name, cure=CURE)

    def _start(self) -> None:
        """Start a child; where none can be started, photos are decoded without one."""
        self._end()
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        command = [sys.executable, "-P", str(PROGRAM), str(self._memory)]
        with contextlib.suppress(OSError):
            self._child = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=environment,
            )

    def _end(self) -> None:
        child, self._child, self._ready = self._child, None, False
        if child is None:
            return
        if child.poll() is None:
            child.kill()
        child.wait()
        for stream in (child.stdin, child.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):  # bytes that nobody will read
                    stream.close()


class _Watch:
    """Looks at a child until stopped, and ends it where it exceeds a limit; `why` says which."""

    def __init__(self, child: subprocess.Popen[bytes], deadline: float, memory: int) -> None:
        self.why = ""
        self._child, self._deadline, self._memory = child, deadline, memory
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def __enter__(self) -> _Watch:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stopped.set()
        self._thread.join()

    def _look(self) -> None:
        until = time.monotonic() + self._deadline
        while not self._stopped.wait(LOOKS):
            if time.monotonic() > until:
                self.why = f"decoding it took over {self._deadline:g} s"
            elif resident_memory(self._child.pid) > self._memory:
                self.why = _too_large(self._memory)
            if self.why:
                self._child.kill()
                return


def _too_large(memory: int) -> str:
    return f"decoding it takes over {memory / 1e9:g} GB of memory"


def _parse(line: bytes) -> dict[str, Any] | None:
    """Read the answer of the child; None if it gave none."""
    try:
        answer = json.loads(line)
    except ValueError:
        return None
    return answer if isinstance(answer, dict) else None


def _fill(child: subprocess.Popen[bytes], buffer: memoryview) -> bool:
    """Read as many bytes as the buffer takes; False if the child stops before."""
    assert child.stdout is not None
    at = 0
    while at < len(buffer):
        count = child.stdout.readinto(buffer[at:])  # type: ignore[attr-defined]
        if not count:
            return False
        at += count
    return True
