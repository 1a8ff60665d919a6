"""A file is the old version or the new one, whatever step of the write fails."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from survey.errors import StorageError
from survey.storage import LEFTOVER_AGE, write_atomically

OLD, NEW = b"old content", b"new content, longer than the old"


def _others(path: Path) -> list[str]:
    return sorted(p.name for p in path.parent.iterdir() if p.name != path.name)


def test_new_file_holds_exactly_the_bytes(tmp_path: Path) -> None:
    path = tmp_path / "marks.json"
    write_atomically(path, NEW)
    assert path.read_bytes() == NEW
    assert _others(path) == []


def test_replacing_keeps_the_mode_bits(tmp_path: Path) -> None:
    path = tmp_path / "marks.json"
    path.write_bytes(OLD)
    path.chmod(0o640)
    write_atomically(path, NEW)
    assert path.read_bytes() == NEW
    assert path.stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize("step", ["open", "fsync", "chmod", "replace"])
def test_failing_step_leaves_the_old_file_and_no_leftover(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    path = tmp_path / "marks.json"
    path.write_bytes(OLD)

    def fail(*args: object, **kwargs: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(StorageError, match=r"marks\.json could not be written \(no space left"):
        write_atomically(path, NEW)
    monkeypatch.undo()
    assert path.read_bytes() == OLD
    assert _others(path) == []


def test_failing_folder_sync_is_reported_with_the_new_file_in_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "marks.json"
    path.write_bytes(OLD)
    real_fsync, calls = os.fsync, []

    def fail_second(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 2:
            raise OSError(5, "Input/output error")
        real_fsync(descriptor)

    monkeypatch.setattr(os, "fsync", fail_second)
    with pytest.raises(StorageError, match="did not confirm"):
        write_atomically(path, NEW)
    assert path.read_bytes() == NEW


def test_steps_come_in_the_durable_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """File sync, replace, folder sync."""
    steps: list[str] = []
    real_fsync, real_replace = os.fsync, os.replace

    def fsync(descriptor: int) -> None:
        is_folder = os.path.isdir(f"/proc/self/fd/{descriptor}")
        steps.append("folder sync" if is_folder else "file sync")
        real_fsync(descriptor)

    def replace(source: Path, target: Path) -> None:
        steps.append("replace")
        real_replace(source, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", replace)
    write_atomically(tmp_path / "marks.json", NEW)
    if os.path.isdir("/proc/self/fd"):
        assert steps == ["file sync", "replace", "folder sync"]


def test_missing_folder_is_a_storage_error(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="could not be written"):
        write_atomically(tmp_path / "nowhere" / "marks.json", NEW)


def test_symbolic_link_is_refused(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere.txt"
    elsewhere.write_bytes(OLD)
    link = tmp_path / "marks.json"
    link.symlink_to(elsewhere)
    with pytest.raises(StorageError, match="symbolic link"):
        write_atomically(link, NEW)
    assert elsewhere.read_bytes() == OLD


def test_folder_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "marks.json").mkdir()
    with pytest.raises(StorageError, match="is a folder"):
        write_atomically(tmp_path / "marks.json", NEW)


def test_leftover_of_a_crash_is_swept_after_a_day_and_not_before(tmp_path: Path) -> None:
    path = tmp_path / "marks.json"
    stale = tmp_path / ".marks.json.1-aaaa.partial"
    fresh = tmp_path / ".marks.json.2-bbbb.partial"
    for leftover in (stale, fresh):
        leftover.write_bytes(b"half")
    then = time.time() - LEFTOVER_AGE - 60
    os.utime(stale, (then, then))
    write_atomically(path, NEW)
    assert _others(path) == [fresh.name]
