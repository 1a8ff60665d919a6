"""docs/visit-folder.md: every key stands there, and its examples open as they are printed."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from survey.errors import InputError
from survey.units import parse_length, parse_slope, parse_temperature
from survey.visit import open_visit
from survey.visit.boards import BOARD_KINDS, MOUNTS
from survey.visit.model import (
    EXISTING_COVERINGS,
    MEETS,
    OUTLINE_PURPOSES,
    EdgeKind,
    OutletKind,
    PlaneKind,
)
from survey.visit.sheet import COLUMNS, UNITS
from tests.visit.full_visit import MARKS, VISIT

PAGE = (Path(__file__).parents[2] / "docs" / "visit-folder.md").read_text(encoding="utf-8")


def block(language: str) -> str:
    match = re.search(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)
    assert match
    return match[1]


def sections() -> dict[str, str]:
    parts = re.split(r"^#{2,3} (.+)$", PAGE, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def keys_by_table() -> list[tuple[str, str]]:
    """Every (section, key) of visit.toml, out of a visit that uses them all."""
    found = []
    section = "At the top"
    for row in VISIT.splitlines():
        if header := re.fullmatch(r"\[\[?([a-z.]+)\]?\]", row):
            name = header[1].split(".")[0]
            section = f"[{name}]" if name == "conditions" else f"[[{name}]]"
        elif key := re.match(r"([a-z_]+) = ", row):
            found.append((section, key[1]))
    return sorted(set(found))


@pytest.mark.parametrize(("section", "key"), keys_by_table())
def test_every_key_of_visit_toml_stands_in_its_section(section: str, key: str) -> None:
    text = sections()[section]
    assert f"`{key}`" in text or f"{key} = " in text


@pytest.mark.parametrize(
    "key", sorted({key for mark in json.loads(MARKS)["marks"] for key in mark})
)
def test_every_key_of_a_mark_stands_in_its_section(key: str) -> None:
    assert f"`{key}`" in sections()["marks.json"]


def test_every_allowed_word_stands_on_the_page() -> None:
    words = [
        *EXISTING_COVERINGS, *MEETS, *OUTLINE_PURPOSES, *BOARD_KINDS, *MOUNTS,
        *(one.value for kinds in (EdgeKind, OutletKind, PlaneKind) for one in kinds),
    ]  # fmt: skip
    assert [word for word in words if f'"{word}"' not in PAGE] == []


def test_every_column_and_unit_stands_in_the_table_of_readings() -> None:
    text = sections()["readings.csv, readings.xlsx"]
    assert [name for name in COLUMNS if f"`{name}`" not in text] == []
    assert [unit for unit in UNITS if f"`{unit}`" not in text] == []


def test_examples_open_as_one_visit(tmp_path: Path) -> None:
    (tmp_path / "visit.toml").write_text(block("toml"), encoding="utf-8")
    (tmp_path / "readings.csv").write_text(block("csv"), encoding="utf-8")
    (tmp_path / "marks.json").write_text(block("json"), encoding="utf-8")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "IMG_0001.jpg").write_bytes(b"")
    visit = open_visit(tmp_path)
    assert (len(visit.readings), len(visit.marks)) == (7, 6)


def test_python_example_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    exec(compile(block("python"), "docs/visit-folder.md", "exec"), {})
    assert open_visit("oak-street").targets[0].name == "T1"


@pytest.mark.parametrize(
    ("row", "parse"),
    [("length", parse_length), ("slope", parse_slope), ("temperature", parse_temperature)],
)
def test_quantities_are_read_and_refused_as_the_page_says(row: str, parse: object) -> None:
    match = re.search(rf"^\| {row} \| (.*?) \| (.*?) \|$", PAGE, re.MULTILINE)
    assert match
    good, bad = (re.findall(r"`([^`]+)`", cell) for cell in match.groups())
    assert good and bad
    for text in good:
        parse(text)  # type: ignore[operator]
    for text in bad:
        with pytest.raises(InputError):
            parse(text)  # type: ignore[operator]
