"""Decoding a stranger's photo in a process of its own, with a deadline and a ceiling of memory.

A decoder written in C can't be stopped from inside. So a child process decodes, bounded by the
system where the system can (Linux: address space and processor time) and by its parent everywhere
(wall clock; resident memory where it can be asked); it says what it found as one line of JSON.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from survey.errors import InputError
from survey.photo.process_limits import resident_memory
from survey.web.settings import DECODING_DEADLINE, DECODING_MEMORY

LOOKS = 0.05  # seconds between two looks at the child
LONGEST_ANSWER = 20_000  # bytes


@dataclass(frozen=True, slots=True)
class Decoded:
    """What decoding a photo showed: its format, upright size and hash."""

    format: str
    width: int
    height: int
    sha256: str


def decode_in_child(
    path: Path,
    name: str,
    *,
    deadline: float = DECODING_DEADLINE,
    memory: int = DECODING_MEMORY,
) -> Decoded:
    """Decode a photo in a child process.

    Parameters
    ----------
    path : Path
        The file; it is only read.
    name : str
        What it is called in sentences.
    deadline : float
        Seconds, by the wall clock.
    memory : int
        Bytes.

    Raises
    ------
    InputError
        If it is no photo that can be used, or decoding it exceeds a limit.
    """
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    command = [
        sys.executable,
        "-P",
        str(Path(__file__).with_name("decoding.py")),
        str(path),
        str(memory),
        str(int(deadline) + 1),
    ]
    child = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment,
    )
    try:
        _watch(child, name, deadline, memory)
        assert child.stdout is not None
        answer = _answer(child.stdout.read(LONGEST_ANSWER), name)
    finally:
        if child.poll() is None:
            child.kill()
        child.wait()
        if child.stdout is not None:
            child.stdout.close()
    if "refused" in answer:
        raise InputError(str(answer["refused"]), where=name)
    return Decoded(
        str(answer["format"]), int(answer["width"]), int(answer["height"]), str(answer["sha256"])
    )


def _watch(child: subprocess.Popen[bytes], name: str, deadline: float, memory: int) -> None:
    """Wait for the child, and end it where it exceeds a limit."""
    until = time.monotonic() + deadline
    while child.poll() is None:
        if time.monotonic() > until:
            raise InputError(
                f"decoding it took over {deadline:g} s",
                where=name,
                cure="send the original photo",
            )
        if resident_memory(child.pid) > memory:
            raise _too_large(name, memory)
        time.sleep(LOOKS)


def _answer(data: bytes, name: str) -> dict[str, Any]:
    try:
        answer = json.loads(data)
        if isinstance(answer, dict):
            return answer
    except ValueError:
        pass
    raise InputError(
        "decoding it failed within the limits of time and memory",
        where=name,
        cure="send the original photo",
    )


def _too_large(name: str, memory: int) -> InputError:
    return InputError(
        f"decoding it takes over {memory / 1e9:g} GB", where=name, cure="send a smaller photo"
    )
