"""Writes docs/commands.md from the program's own help: python -m tests.docs.commands_page."""

from __future__ import annotations

from pathlib import Path

import typer.main
from typer.testing import CliRunner

from survey.cli import app

PAGE = Path(__file__).parent.parent.parent / "docs" / "commands.md"
COMMANDS = sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
HEAD = """# Commands

Results go to stdout, messages to stderr. `--json` prints what the library returned.

| exit code | meaning |
| --- | --- |
| 0 | done |
| 1 | measured, but with findings that ask for a second look (only with `--strict`) |
| 2 | wrong input or usage, or a file that can't be read or written: a sentence says what to do |
| 3 | too little observed to measure anything |
| 70 | a fault of the program itself; its lines are worth a report |
| 130 | stopped with Ctrl-C; no file is left half-written |
"""


def help_of(*arguments: str) -> str:
    """Return what the program prints for --help."""
    result = CliRunner().invoke(app, [*arguments, "--help"], terminal_width=90, prog_name="survey")
    assert result.exit_code == 0, result.output
    return "\n".join(line.rstrip() for line in result.output.strip().splitlines())


def page() -> str:
    """Return the whole page as it should stand."""
    parts = [HEAD, f"```\n{help_of()}\n```\n"]
    parts += [f"## survey {name}\n\n```\n{help_of(name)}\n```\n" for name in COMMANDS]
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
