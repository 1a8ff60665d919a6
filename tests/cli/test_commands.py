"""What a person at a terminal gets: sentences, exit codes, files."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from survey.cli import app


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def measured(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("visits") / "porch"
    assert run("begin", folder).exit_code == 0
    assert run("measure", folder).exit_code == 0
    return folder


@pytest.fixture
def visit(measured, tmp_path) -> Path:
    return Path(shutil.copytree(measured, tmp_path / "porch"))


def plane_file_of(folder: Path) -> Path:
    (path,) = folder.glob("*.planes.json")
    return path


def test_begin_writes_a_visit_that_measures_as_it_stands(measured):
    document = json.loads(plane_file_of(measured).read_text(encoding="utf-8"))
    assert document["planes"][0]["pitch"]["value"] == pytest.approx(0.375 / 12, abs=0.005)


def test_measuring_twice_writes_the_same_bytes(visit):
    before = plane_file_of(visit).read_bytes()
    assert run("measure", visit).exit_code == 0
    assert plane_file_of(visit).read_bytes() == before


def test_begin_refuses_a_folder_that_holds_something(visit):
    before = {p: p.read_bytes() for p in visit.rglob("*") if p.is_file()}
    result = run("begin", visit)
    assert result.exit_code == 2
    assert "not empty" in result.stderr
    assert {p: p.read_bytes() for p in visit.rglob("*") if p.is_file()} == before


def test_json_on_stdout_is_the_plane_file(visit):
    result = run("measure", visit, "--json")
    assert json.loads(result.stdout) == json.loads(plane_file_of(visit).read_text(encoding="utf-8"))


def test_show_prints_feet_and_metres_as_asked(visit):
    us = run("show", plane_file_of(visit))
    metric = run("show", plane_file_of(visit), "--units", "metric")
    assert us.exit_code == metric.exit_code == 0
    assert "sq ft" in us.stdout and "m2" in metric.stdout


def test_show_and_verify_take_the_visit_folder(visit):
    assert run("show", visit).stdout == run("show", plane_file_of(visit)).stdout
    assert run("verify", visit).exit_code == 0


def test_unknown_units_are_refused(visit):
    result = run("show", plane_file_of(visit), "--units", "furlongs")
    assert result.exit_code == 2
    assert "furlongs" in result.stderr


@pytest.mark.parametrize("command", ["measure", "check", "show", "verify"])
def test_a_missing_place_is_one_sentence_and_exit_code_2(command, tmp_path):
    result = run(command, tmp_path / "nowhere")
    assert result.exit_code == 2
    assert "nowhere" in result.stderr
    assert "Traceback" not in result.stderr


def test_an_empty_folder_is_exit_code_2(tmp_path):
    result = run("measure", tmp_path)
    assert result.exit_code == 2
    assert "visit.toml" in result.stderr


def test_nothing_observed_is_exit_code_3_and_writes_nothing(visit):
    plane_file_of(visit).unlink()
    readings = visit / "readings.csv"
    readings.write_text(readings.read_text(encoding="utf-8").splitlines()[0] + "\n")
    result = run("measure", visit)
    assert result.exit_code == 3
    assert not list(visit.glob("*.planes.json"))


def test_all_mistakes_of_a_file_are_told_at_once(visit):
    plane_file_of(visit).unlink()
    readings = visit / "readings.csv"
    lines = readings.read_text(encoding="utf-8").splitlines()
    taped = [line for line in lines if ",tape," in line]
    readings.write_text("\n".join([*lines, *taped[:2]]) + "\n")  # ids used twice
    result = run("measure", visit)
    assert result.exit_code == 2
    assert f"line {len(lines) + 1}" in result.stderr
    assert f"line {len(lines) + 2}" in result.stderr
    assert not list(visit.glob("*.planes.json"))


def test_strict_exits_with_1_when_a_second_look_is_asked(visit):
    document = json.loads(plane_file_of(visit).read_text(encoding="utf-8"))
    asks = any(finding["severity"] != "note" for finding in document["findings"])
    assert run("measure", visit, "--strict").exit_code == (1 if asks else 0)


def test_verify_tells_a_changed_plane_file(visit):
    path = plane_file_of(visit)
    assert run("verify", path).exit_code == 0
    path.write_text(path.read_text(encoding="utf-8").replace("porch", "perch", 1))
    assert run("verify", path).exit_code == 2


def test_check_tells_that_there_are_no_photos_and_what_is_measured(visit):
    result = run("check", visit)
    assert result.exit_code == 0
    assert "Photos" in result.stdout
    document = json.loads(run("check", visit, "--json").stdout)
    assert document["measurable"] is True


def test_target_writes_a_pdf_and_names_a_wrong_code(tmp_path):
    assert run("target", "letter-1", "-o", tmp_path / "t.pdf").exit_code == 0
    assert (tmp_path / "t.pdf").read_bytes().startswith(b"%PDF")
    result = run("target", "napkin-1", "-o", tmp_path / "n.pdf")
    assert result.exit_code == 2
    assert "napkin-1" in result.stderr
    assert not (tmp_path / "n.pdf").exists()
