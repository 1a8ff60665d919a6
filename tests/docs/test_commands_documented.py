"""docs/commands.md carries every command's help, word for word."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer.main
from typer.testing import CliRunner

from survey.cli import app

PAGE = Path(__file__).parent.parent.parent / "docs" / "commands.md"
COMMANDS = sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


def help_of(*arguments: str) -> str:
    result = CliRunner().invoke(app, [*arguments, "--help"], terminal_width=90, prog_name="survey")
    assert result.exit_code == 0
    return "\n".join(line.rstrip() for line in result.output.strip().splitlines())


def test_the_list_of_commands_is_documented():
    assert help_of() in PAGE.read_text(encoding="utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_command_help_is_documented_word_for_word(command):
    page = PAGE.read_text(encoding="utf-8")
    assert f"## survey {command}\n" in page
    assert help_of(command) in page


@pytest.mark.parametrize("command", COMMANDS)
def test_first_line_of_help_is_short_and_help_ends_in_an_example(command):
    text = typer.main.get_command(app).commands[command].help  # type: ignore[attr-defined]
    assert len(text.splitlines()[0]) <= 72
    assert "Example: survey" in text
