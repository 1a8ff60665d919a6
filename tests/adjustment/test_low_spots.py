"""A low spot in a smooth deck is the roof's shape; no reading in it is blamed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from survey.adjustment import adjust, build_network
from survey.adjustment.equations_base import FIELD
from survey.photo import read_photos
from survey.target import find_targets
from survey.visit import open_visit
from survey.visit.beginning import begin_visit
from survey.visit.model import RodReading
from tests.sample.made import PORCH


def adjusted_readings(folder, deeper: float = 0.0, reading: str = ""):
    """Adjust a visit by its readings and what photos it has; one reading deepened."""
    visit = open_visit(folder)
    readings = tuple(
        replace(r, value=r.value + deeper) if r.id == reading else r for r in visit.readings
    )
    visit = replace(visit, readings=readings)
    photos = read_photos(visit) if folder != PORCH else ()
    sightings = find_targets(visit, photos)[0] if photos else ()
    return adjust(build_network(visit, photos, sightings))


def blamed(solution, reading: str) -> list[str]:
    named = [f for f in solution.findings if f.code in ("gross-error", "readings-contradict")]
    rod = next(o for o in solution.observations if o.id == reading)
    assert rod.used
    return [f.what for f in named if rod.where in f.where]


def test_the_ring_of_the_example_visit_is_not_taken_for_a_wrong_reading(tmp_path):
    begin_visit(tmp_path / "visit")
    assert blamed(adjusted_readings(tmp_path / "visit"), "G34") == []


def test_the_deepest_reading_of_the_sample_is_not_taken_for_a_wrong_one():
    solution = adjusted_readings(PORCH)
    assert blamed(solution, "R63") == []
    assert dict(solution.statistics.kinds)[FIELD] >= 1.0


def test_a_spot_deeper_than_the_stated_sag_is_noted_as_the_shape_of_the_roof():
    solution = adjusted_readings(PORCH, 0.05, "R25")
    assert blamed(solution, "R25") == []
    assert "point-off-plane" in {f.code for f in solution.findings}


def test_a_rod_slip_of_a_foot_in_the_field_is_still_a_gross_error():
    solution = adjusted_readings(PORCH, 0.3048, "R25")
    rod = next(o for o in solution.observations if o.id == "R25")
    assert isinstance(next(r for r in open_visit(PORCH).readings if r.id == "R25"), RodReading)
    assert not rod.used
    assert rod.likely_value == pytest.approx(
        next(r for r in open_visit(PORCH).readings if r.id == "R25").value, abs=0.02
    )
