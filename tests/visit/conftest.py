"""An invented visit in a fresh folder, and the problems that opening it gives."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from full_visit import write_full_visit

from survey.errors import InputError, Problem
from survey.visit import open_visit

Edit = Callable[[str, str, str], None]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The full visit, written."""
    return write_full_visit(tmp_path / "visit")


def problems_of(folder: Path) -> tuple[Problem, ...]:
    """What opening the folder complains of; fails if it opens."""
    with pytest.raises(InputError) as caught:
        open_visit(folder)
    for problem in caught.value.problems:
        assert problem.what and problem.where, problem
        assert "\n" not in str(problem)
    return caught.value.problems


@pytest.fixture
def complaints(folder: Path) -> Callable[[str, str, str], tuple[Problem, ...]]:
    """Replace text in one file of the full visit (it must be there) and return the problems."""

    def break_and_open(name: str, old: str, new: str) -> tuple[Problem, ...]:
        path = folder / name
        text = path.read_text(encoding="utf-8")
        assert text.count(old) >= 1, f"{old!r} is not in {name}"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        return problems_of(folder)

    return break_and_open
