"""docs/rules.md and docs/safety.md say what the data say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from survey.rules import limits

DOCS = Path(__file__).parents[2] / "docs"
RULES = (DOCS / "rules.md").read_text(encoding="utf-8")
SAFETY = (DOCS / "safety.md").read_text(encoding="utf-8")
ROWS = {
    row[1].strip(" `"): [cell.strip() for cell in row[2:-1]]
    for row in (line.split("|") for line in RULES.splitlines() if line.startswith("| `"))
}


def test_every_limit_has_its_row_and_every_row_its_limit():
    assert list(ROWS) == sorted(ROWS, key=list(limits()).index)
    assert set(ROWS) == set(limits())


@pytest.mark.parametrize("row", limits().values(), ids=lambda row: row.id)
def test_row_says_what_the_data_say(row):
    limit, where, says, read_in, checked = ROWS[row.id]
    label = f' (printed "{row.label}")' if row.label else ""
    assert limit == (f"{row.bound} {row.written}".strip() or "-") + label
    assert where == row.citation + (f"; {row.renumbered}" if row.renumbered else "")
    assert says == row.says
    assert read_in == ("; ".join(row.sources) or "-")
    assert checked == row.confirmed + (f"; not read: {row.not_read}" if row.not_read else "")


def test_safety_page_names_the_clause_of_every_access_limit_it_gives():
    clauses = {row.clause.split(" and ")[0] for row in limits().values() if row.topic == "access"}
    for clause in clauses:
        assert clause in SAFETY, clause


def test_no_page_calls_a_roof_safe_to_walk_on():
    for page in DOCS.glob("*.md"):
        text = " ".join(page.read_text(encoding="utf-8").split())
        for found in re.finditer(r"[^.]*\bsafe to (walk|stand|step|climb)[^.]*\.", text):
            assert re.search(r"\b(not|never|nothing|no)\b", found[0], re.I), (page.name, found[0])
