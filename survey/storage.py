"""Writing a file so that what stands there is always the old version or the new one, never a mix.

Order of steps: a temporary file beside the target, filled, synced to disk, closed; then it takes
the target's name; then the folder is synced, since a rename may otherwise be lost in a power cut
(PostgreSQL developers' report "silent data loss with ext4", 2015). A sync that fails is a failure
and is not tried again: the system may already have dropped the data (PostgreSQL 11.2 notes, 2019).
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
import time
from pathlib import Path

from survey.errors import StorageError

REPLACE_WAITS = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 1.9)  # seconds, 5 in all: a scanner or indexer
#                                                      may hold the target open on Windows
LEFTOVER_AGE = 86_400.0  # seconds; a temporary file older than a day belongs to nobody
SUFFIX = ".partial"


def write_atomically(path: Path, data: bytes) -> None:
    """Write `data` to `path`, replacing what stands there in one step.

    Parameters
    ----------
    path : Path
        File to write. Its folder must exist. A symbolic link is refused, so that a foreign visit
        folder can't lead the write elsewhere.
    data : bytes
        The whole content.

    Raises
    ------
    StorageError
        If any step fails; what stood there before still stands. If only the last step failed
        because another program holds the file, the finished temporary file is kept and named.
    """
    path = Path(path)
    if path.is_symlink():
        raise StorageError(
            f"{path} is a symbolic link, so it is not written to",
            where=path.name,
            cure="replace the link by the file itself",
        )
    if path.is_dir():
        raise StorageError(
            f"{path} is a folder, so no file can be written there",
            where=path.name,
            cure="move or rename the folder",
        )
    temporary = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}{SUFFIX}")
    try:
        _fill(temporary, data, _mode_for(path))
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise _failure(path, error) from error
    _replace(temporary, path)
    _sync_folder(path)
    _sweep_leftovers(path)


def _mode_for(path: Path) -> int | None:
    """Mode bits the new file keeps from the old one; None: there is no old one."""
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except OSError:
        return None


def _fill(temporary: Path, data: bytes, mode: int | None) -> None:
    """Write and sync the temporary file."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(temporary, flags, 0o666), "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    if mode is not None:
        os.chmod(temporary, mode)


def _replace(temporary: Path, path: Path) -> None:
    """Give the temporary file the target's name, waiting for a program that holds the target."""
    for wait in (*REPLACE_WAITS, None):
        try:
            os.replace(temporary, path)
            return
        except PermissionError as error:
            if os.name == "nt" and wait is not None:
                time.sleep(wait)
                continue
            if os.name == "nt":
                raise StorageError(
                    f"{path.name} is held open by another program, so it could not be replaced",
                    where=str(path),
                    cure=f"close that program; the new content waits in {temporary.name}",
                ) from error
            _give_up(temporary)
            raise _failure(path, error) from error
        except OSError as error:
            _give_up(temporary)
            raise _failure(path, error) from error


def _give_up(temporary: Path) -> None:
    """Remove the temporary file after a failure; the failure itself is what is reported."""
    with contextlib.suppress(OSError):
        temporary.unlink()


def _sync_folder(path: Path) -> None:
    """Sync the folder so that the new name survives a power cut; Windows has no such step."""
    if os.name == "nt":
        return
    try:
        descriptor = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise StorageError(
            f"{path.name} was written, but the disk did not confirm it ({_reason(error)})",
            where=str(path),
            cure="check the disk, then write again",
        ) from error


def _sweep_leftovers(path: Path) -> None:
    """Remove temporary files of this target that a crash left behind more than a day ago."""
    for leftover in path.parent.glob(f".{_escaped(path.name)}.*{SUFFIX}"):
        with contextlib.suppress(OSError):
            if time.time() - leftover.stat().st_mtime > LEFTOVER_AGE:
                leftover.unlink()


def _escaped(name: str) -> str:
    """Return the name with the pattern characters of `glob` made literal."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _reason(error: OSError) -> str:
    """Return the system's own words for what failed, without the path."""
    return (error.strerror or type(error).__name__).lower()


def _failure(path: Path, error: OSError) -> StorageError:
    """Make the sentence for a write that changed nothing."""
    return StorageError(
        f"{path.name} could not be written ({_reason(error)}); what stood there before still "
        "stands",
        where=str(path),
        cure="check that the folder exists, may be written to and has space left",
    )
