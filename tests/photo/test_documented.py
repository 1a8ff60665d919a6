"""docs/photos.md names every warning, limit and calibration key there is, and no other."""

from __future__ import annotations

import ast
import dataclasses
import json
import re
from pathlib import Path

from survey.photo import Limits, write_calibration
from tests.photo.test_reading import CALIBRATION

ROOT = Path(__file__).parent.parent.parent
PAGE = (ROOT / "docs" / "photos.md").read_text(encoding="utf-8")
CODE = re.compile(r"[a-z]+(-[a-z]+)*")


def table_of(heading: str) -> set[str]:
    """Names between backquotes in the first column of the section's table."""
    section = PAGE.split(f"# {heading}\n")[1].split("\n#")[0]
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    return {name for row in rows for name in re.findall(r"`([^`]+)`", row)}


def codes_in_source() -> set[str]:
    """First members of the (code, sentence) pairs that the package makes."""
    codes = set()
    for path in (ROOT / "survey" / "photo").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Tuple) and len(node.elts) == 2:
                code, sentence = node.elts
                is_text = isinstance(code, ast.Constant) and isinstance(code.value, str)
                is_sentence = not isinstance(sentence, ast.Constant | ast.Tuple) or (
                    isinstance(sentence, ast.Constant) and len(str(sentence.value)) > 30
                )
                if is_text and is_sentence and CODE.fullmatch(code.value):
                    codes.add(code.value)
    return codes


def test_every_warning_is_documented():
    assert table_of("Warnings") == codes_in_source()


def test_every_limit_is_documented_with_its_value():
    assert table_of("What is read") == {field.name for field in dataclasses.fields(Limits)}
    for field in dataclasses.fields(Limits):
        row = next(line for line in PAGE.splitlines() if line.startswith(f"| `{field.name}`"))
        assert float(row.split("|")[2].replace(" ", "")) == field.default


def test_every_key_of_the_calibration_file_is_documented(tmp_path):
    path = tmp_path / "a.camera.json"
    write_calibration(path, CALIBRATION)
    assert table_of("The calibration file") == set(json.loads(path.read_text()))
