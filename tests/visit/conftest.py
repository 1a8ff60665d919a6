"""An invented visit in a fresh folder, and the problems that opening it gives."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from survey.errors import Problem
from tests.visit.full_visit import problems_of, write_full_visit


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The full visit, written."""
    return write_full_visit(tmp_path / "visit")


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
