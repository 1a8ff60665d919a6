"""docs/targets.md against the sheets themselves."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from survey.target.artwork import format_nominal
from survey.target.notes import PHONE_FOCAL, reach
from survey.target.sheets import SIZES

TEXT = (Path(__file__).parents[2] / "docs" / "targets.md").read_text(encoding="utf-8")


def cells(start):
    """Cells of the table row that begins with `start`."""
    (row,) = re.findall(rf"^\| {re.escape(start)} \|(.+)\|$", TEXT, re.MULTILINE)
    return [cell.strip() for cell in row.split("|")]


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_size_table_holds_each_sheet(size):
    _, whole, module, across, down = cells(f"`{size.name}-1` to `-16`")
    unit = 0.0254 if size.us else 0.001
    assert float(whole.split()[0]) == pytest.approx(13 * size.module / unit)
    assert float(module.split()[0]) == pytest.approx(size.module / unit)
    for printed, nominal in ((across, size.check_across), (down, size.check_down)):
        assert format_nominal(nominal, size).startswith(f"{printed} (")


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_distance_table_follows_its_formula(size):
    *pixels, far = cells(size.title)
    for feet, told in zip((10, 20, 33, 50, 65), pixels, strict=True):
        assert float(told) == pytest.approx(PHONE_FOCAL * size.module / (feet * 0.3048), abs=0.051)
    metres = reach(size.module)
    assert far == f"{metres:.0f} m ({metres / 0.3048:.0f} ft)"
