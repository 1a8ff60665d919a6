"""A plane whose corners have heights and no places has no area, true or in plan."""

from __future__ import annotations

from pathlib import Path

from survey.figures import NotObserved
from survey.measure import measure
from survey.planefile import read_measured
from survey.visit import open_visit

VISIT = """name = "four rods"
[[plane]]
name = "roof"
outline = ["A", "B", "C", "D"]
[[setup]]
name = "S1"
"""
READINGS = "kind,point,value\nrod,A,1.00 m\nrod,B,1.00 m\nrod,C,0.90 m\nrod,D,0.90 m\n"


def test_four_rod_readings_alone_give_no_area_of_nothing(tmp_path: Path) -> None:
    (tmp_path / "visit.toml").write_text(VISIT)
    (tmp_path / "readings.csv").write_text(READINGS)
    (plane,) = measure(open_visit(tmp_path)).document["planes"]
    for key in ("area", "plan_area", "pitch"):
        gap = read_measured(plane[key])
        assert isinstance(gap, NotObserved), (key, gap)
        assert gap.cure, key
    assert "outline is not known" in plane["drainage"]["not_judged"]
