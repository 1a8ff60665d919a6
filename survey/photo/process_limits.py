"""Limits on a process that decodes photos; imports little, so that a child loads fast."""

from __future__ import annotations

import contextlib
import os

BASE_MEMORY = 1_500_000_000  # bytes of address space that the libraries map without using them


def limit_process(memory: int, seconds: int | None = None) -> None:
    """Limit this process; a system without such limits leaves it to the parent.

    Parameters
    ----------
    memory : int
        Bytes it may use beyond what loading its libraries maps.
    seconds : int, optional
        Processor time from its start.
    """
    try:
        import resource
    except ImportError:
        return
    limits = [(resource.RLIMIT_AS, memory + BASE_MEMORY), (resource.RLIMIT_CORE, 0)]
    if seconds is not None:
        limits.append((resource.RLIMIT_CPU, seconds))
    for limit, most in limits:
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(limit, (most, most))


def resident_memory(pid: int) -> int:
    """Resident memory of a process in bytes; 0 where the system does not tell it in /proc."""
    try:
        with open(f"/proc/{pid}/statm", "rb") as stream:
            return int(stream.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, IndexError, ValueError):
        return 0
