"""docs/commands.md carries every command's help, word for word."""

from __future__ import annotations

import pytest
import typer.main

from survey.cli import app
from tests.docs.commands_page import COMMANDS, PAGE, page


def test_the_page_is_the_programs_own_help():
    assert PAGE.read_text(encoding="utf-8") == page(), "run python -m tests.docs.commands_page"


@pytest.mark.parametrize("command", COMMANDS)
def test_first_line_of_help_is_short_and_help_ends_in_an_example(command):
    text = typer.main.get_command(app).commands[command].help  # type: ignore[attr-defined]
    assert len(text.splitlines()[0]) <= 65  # a terminal of 80 columns shows it whole
    assert "Example: survey" in text
