"""The program as a process: full disks, narrow terminals, Ctrl-C, faults of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from survey import cli
from survey.planefile import write_plane_file
from tests.planefile.made import a_plane_file

FULL_DISK = Path("/dev/full")


@pytest.fixture(scope="module")
def plane_file(tmp_path_factory) -> Path:
    return write_plane_file(a_plane_file(), tmp_path_factory.mktemp("visit"))


def survey(*arguments: str | Path, **options) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-c", "from survey.cli import main; main()"]
    command += [str(argument) for argument in arguments]
    return subprocess.run(command, stderr=subprocess.PIPE, check=False, **options)


@pytest.mark.skipif(not FULL_DISK.exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize("options", [(), ("--json",)])
def test_output_onto_a_full_disk_is_one_sentence_and_exit_code_2(plane_file, options):
    with FULL_DISK.open("wb") as full:
        done = survey("show", plane_file, *options, stdout=full)
    assert done.returncode == 2
    assert done.stderr.decode().splitlines() == [
        "survey: stdout: the output could not be written (no space left on device); check where "
        "it is sent to, and the space left there"
    ]


def test_terminal_that_knows_ascii_alone_still_gets_every_line(plane_file):
    plain = survey("show", plane_file, stdout=subprocess.PIPE)
    bare = survey(
        "show", plane_file, stdout=subprocess.PIPE, env={**os.environ, "PYTHONIOENCODING": "ascii"}
    )
    assert (plain.returncode, bare.returncode) == (0, 0)
    assert len(bare.stdout.splitlines()) == len(plain.stdout.splitlines())
    data = survey(
        "show", plane_file, "--json", stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert json.loads(data.stdout) == json.loads(plane_file.read_text(encoding="utf-8"))


def test_ctrl_c_is_told_and_is_not_taken_for_a_result(monkeypatch, tmp_path):
    def stop(folder: Path) -> None:
        raise KeyboardInterrupt  # what Python makes of the signal

    monkeypatch.setattr("survey.visit.begin_visit", stop)
    done = CliRunner().invoke(cli.app, ["begin", str(tmp_path / "visit")])
    assert done.exit_code == 130
    assert "stopped" in done.stderr


def test_fault_of_the_program_is_told_apart_from_findings_and_wrong_input(monkeypatch, capsys):
    def fail(folder: Path) -> None:
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr("survey.visit.begin_visit", fail)
    monkeypatch.setattr(sys, "argv", ["survey", "begin", "nowhere"])
    with pytest.raises(SystemExit) as stop:
        cli.main()
    assert stop.value.code == 70
    assert "a fault of the program, not of your visit" in capsys.readouterr().err


@pytest.mark.parametrize("waits", [True, False])
def test_stages_are_told_to_a_terminal_alone(monkeypatch, capsys, waits):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: waits, raising=False)
    cli._tell("looking at 3 photos")
    assert capsys.readouterr().err == ("looking at 3 photos ...\n" if waits else "")


def test_help_fits_a_terminal_of_80_columns_without_cutting_a_line_short():
    done = CliRunner().invoke(cli.app, ["--help"], terminal_width=80)
    assert "..." not in done.output.replace("[ARGS]...", "")
