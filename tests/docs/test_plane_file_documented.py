"""docs/plane-file.md names every key of the plane file, and its example reads."""

from __future__ import annotations

import json
import re
from pathlib import Path

from survey.planefile.schema import schema

PAGE = (Path(__file__).parents[2] / "docs" / "plane-file.md").read_text(encoding="utf-8")
NAMED = set(re.findall(r"`([a-z0-9_]+)`", PAGE))


def keys(part, found=None):
    found = set() if found is None else found
    if isinstance(part, dict):
        properties = part.get("properties", {})
        found |= set(properties) if isinstance(properties, dict) else set()
        for inner in part.values():
            keys(inner, found)
    elif isinstance(part, list):
        for inner in part:
            keys(inner, found)
    return found


def test_every_key_is_named():
    shown = NAMED | set(re.findall(r'"([a-z0-9_]+)":', PAGE))
    assert keys(schema()) - shown == set()


def test_every_top_level_table_has_its_heading():
    headings = set(re.findall(r"[a-z_]+", " ".join(re.findall(r"^##+ (.+)$", PAGE, re.M))))
    tables = set(schema()["properties"]) - {
        "format", "version", "software", "content_sha256", "units",
    }  # fmt: skip
    assert tables <= headings


def test_examples_in_the_page_are_json():
    blocks = re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)
    figure, gap = (json.loads(block) for block in blocks)
    figure_keys = schema()["$defs"]["figure"]["required"]
    assert set(figure) == set(figure_keys)
    assert set(gap) == set(schema()["$defs"]["gap"]["required"])
