"""A server killed at a random moment loses at most the action nobody was told of."""

from __future__ import annotations

import os
import random
import signal
import time
from pathlib import Path

import pytest

from survey.visit import open_visit
from survey.web.fieldbook import FieldBook
from survey.web.journal import FOLDER

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def act_until_killed(folder: Path, pipe: int, seed: int) -> None:
    """Child: actions of several files each, told of in the pipe once they are acknowledged."""
    rng = random.Random(seed)
    book = FieldBook(folder)
    number = len(book.journal.entries)
    while True:
        number += 1
        name = f"s{number}"
        actions = [
            {"kind": "put setup", "setup": {"name": name}},
            {"kind": "put mark", "mark": {"kind": "point", "photo": "front.jpg", "id": name,
             "point": "A", "px": [rng.uniform(0, 1000), 5.0]}},
            {"kind": "put reading", "reading": {"id": name, "kind": "rod", "point": "A",
             "setup": name, "value": "3 ft"}},
        ]  # fmt: skip
        book.act("child", name, book.version, {"kind": "together", "actions": actions})
        os.write(pipe, f"{name}\n".encode())


def run_and_kill(folder: Path, seed: int, after: float) -> list[str]:
    """Names acknowledged before the kill."""
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.close(reader)
            act_until_killed(folder, writer, seed)
        finally:
            os._exit(1)
    os.close(writer)
    with os.fdopen(reader, "rb") as stream:
        first = stream.readline()  # the child is under way
        time.sleep(after)
        os.kill(pid, signal.SIGKILL)
        rest = stream.read()
    os.waitpid(pid, 0)
    assert first, "the child did not get under way"
    return [line.decode().strip() for line in [first, *rest.splitlines(keepends=True)]]


@pytest.mark.parametrize("kills", [25, pytest.param(300, marks=pytest.mark.slow)])
def test_killed_at_random_moments_every_acknowledged_action_is_there(folder, kills):
    rng = random.Random(20)
    told: list[str] = []
    for number in range(kills):
        told += run_and_kill(folder, number, rng.uniform(0.0, 0.04))
        book = FieldBook(folder)
        visit = open_visit(folder)
        setups = [setup.name for setup in visit.setups]
        # whole: what one action put into three files is in all of them or in none
        assert sorted(setups) == sorted(mark.id for mark in visit.marks)
        assert sorted(setups) == sorted(reading.id for reading in visit.readings)
        assert set(told) <= set(setups)
        assert len(setups) - len(told) <= number + 1  # at most the one under way at each kill
        assert len(book.history.done) == len(setups)
        told = setups
    for _ in range(len(book.history.done)):
        book.act("after", str(book.version), book.version, {"kind": "undo"})
    assert (folder / "visit.toml").read_text() == '# by hand\nname = "porch"  # short\n'
    assert not (folder / "marks.json").exists() and not (folder / "readings.csv").exists()


def test_leftovers_of_kills_are_nothing_but_hidden_partial_files(folder):
    for number in range(6):
        run_and_kill(folder, number, 0.01 * (number % 3))
    names = {path.name for path in folder.iterdir()}
    names -= {"visit.toml", "marks.json", "readings.csv", "photos", FOLDER}
    assert all(name.startswith(".") and name.endswith(".partial") for name in names)
    open_visit(folder)
