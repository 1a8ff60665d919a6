"""A plane of which nothing can be said of water says what is missing, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from survey.measure import measure
from survey.visit import begin_visit, open_visit
from survey.visit.model import Reading, RodReading, TapeReading, Visit


@cache
def example() -> Visit:
    """The visit that `survey begin` writes."""
    with TemporaryDirectory() as folder:
        begin_visit(Path(folder) / "visit")
        return open_visit(Path(folder) / "visit")


def why_not_judged(visit: Visit) -> tuple[str, str]:
    """Return why water is not judged, and the cure of the finding that says so."""
    document = measure(visit).document
    (finding,) = [f for f in document["findings"] if f["code"] == "drainage-not-judged"]
    return document["planes"][0]["drainage"]["not_judged"], finding["cure"]


def test_lost_corner_is_named_where_gravity_is_observed():
    def reaches(reading: Reading) -> bool:
        match reading:
            case TapeReading():
                return "C" in (reading.start, reading.end)
            case RodReading():
                return reading.point == "C"
            case _:
                return False

    kept = tuple(reading for reading in example().readings if not reaches(reading))
    why, cure = why_not_judged(replace(example(), readings=kept))
    assert "C" in why.replace(",", " ").split() and "gravity" not in why
    assert cure.startswith("fix its pitch and outline first")


def test_missing_level_is_named_where_nothing_says_which_way_is_up():
    kept = tuple(r for r in example().readings if isinstance(r, TapeReading))
    why, _ = why_not_judged(replace(example(), readings=kept))
    assert why == "gravity is not observed, so nothing tells where is up"
