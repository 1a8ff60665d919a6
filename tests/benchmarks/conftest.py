"""What benchmarks found, told at the end of a run: a busy machine is no reason to fail."""

from __future__ import annotations

from collections.abc import Callable

import pytest

TOLD: list[tuple[str, float, float]] = []


@pytest.fixture
def tell() -> Callable[[str, float, float], None]:
    """Note a figure and the most it should be; nothing is asserted of it."""

    def note(what: str, figure: float, goal: float) -> None:
        TOLD.append((what, figure, goal))

    return note


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if TOLD:
        terminalreporter.section("benchmarks: figure, goal")
    for what, figure, goal in TOLD:
        beyond = "" if figure <= goal else "   beyond its goal"
        terminalreporter.write_line(f"{what:70s} {figure:8.2f} {goal:8.2f}{beyond}")
