"""Whatever hurried, mistaken or hostile hands write into a visit: measured, or refused in words.

Nothing but a `SurveyError` may come out, every problem says what and where, and what is measured
keeps its own schema and prints in both systems of units.
"""

from __future__ import annotations

import random
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from survey.errors import SurveyError
from survey.measure import measure_seen
from survey.photo import read_photos
from survey.planefile import format_gaps, format_plane_file
from survey.planefile.schema import find_problems
from survey.target import find_targets
from survey.visit import begin_visit, open_visit
from tests.sample.made import PORCH
from tests.sample.mutants import Draft, mutate

FEW_PHOTOS = ("front_left.jpg", "right_corner.jpg", "ladder_middle.jpg")


@cache
def example() -> Draft:
    """What `survey begin` writes, with a third of the rod readings in the field."""
    with TemporaryDirectory() as folder:
        begin_visit(Path(folder) / "visit")
        draft = Draft(Path(folder) / "visit")
    spots = [row for row in draft.readings if row["kind"] == "rod" and row["plane"]]
    kept = {row["id"] for row in spots[::3]}
    draft.readings = [row for row in draft.readings if row not in spots or row["id"] in kept]
    return draft


@cache
def seen():
    """Three photos of the sample visit and the targets in them, searched once."""
    visit = open_visit(PORCH)
    photos = [photo for photo in read_photos(visit) if photo.name in FEW_PHOTOS]
    return (photos, *find_targets(visit, photos))


@cache
def sample() -> Draft:
    """The sample visit with what those three photos show, and a few rod readings."""
    draft = Draft(PORCH)
    draft.marks = [mark for mark in draft.marks if mark["photo"] in FEW_PHOTOS]
    rods = [row for row in draft.readings if row["kind"] == "rod"]
    draft.readings = [row for row in draft.readings if row not in rods or row in rods[::20]]
    return draft


def try_out(draft: Draft, folder: Path, photos=(), sightings=(), problems=()) -> str:
    """Write a visit, measure and print it; say how it ended."""
    draft.write(folder)
    try:
        visit = open_visit(folder)
        known = {target.name for target in visit.targets}
        found = [sighting for sighting in sightings if sighting.target in known]
        plane_file = measure_seen(visit, photos, found, problems)
    except SurveyError as refusal:
        for problem in refusal.problems:
            assert problem.what and "\n" not in str(problem), problem
        return type(refusal).__name__
    assert find_problems(plane_file.document, "x") == []
    for plane in plane_file.document["planes"]:
        for figure in (plane["area"], plane["plan_area"]):
            assert "not_observed" in figure or figure["half_width"] > 0.0, plane["name"]
    for units in ("us", "metric"):
        text = format_plane_file(plane_file, units) + "\n".join(format_gaps(plane_file, units))
        assert not {"nan", "inf", "None"} & set(text.replace(",", " ").split())
    return "measured"


def draw(base: Draft, seed: int) -> Draft:
    """Change a visit in one to eight places; most lose their field readings, which take long."""
    rng = random.Random(seed)
    draft = mutate(base, seed, most=rng.choice((1, 2, 4, 8)))
    if rng.random() < 0.8:
        draft.readings = [r for r in draft.readings if not (r["kind"] == "rod" and r["plane"])]
    return draft


def test_mutants_of_the_example_are_measured_or_refused_in_words(tmp_path):
    ends = [try_out(draw(example(), seed), tmp_path) for seed in range(30)]
    assert ends.count("measured") >= 6
    assert ends.count("InputError") >= 6


@pytest.mark.slow
@pytest.mark.parametrize("first", range(1000, 2000, 100))
def test_many_mutants_of_the_example_are_measured_or_refused_in_words(first, tmp_path):
    for seed in range(first, first + 100):
        try_out(draw(example(), seed), tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("first", range(0, 24, 6))
def test_mutants_of_the_sample_visit_are_measured_or_refused_in_words(first, tmp_path):
    (tmp_path / "photos").mkdir()
    for name in FEW_PHOTOS:  # looked at already; opening a visit only asks whether they are there
        (tmp_path / "photos" / name).touch()
    for seed in range(first, first + 6):
        try_out(draw(sample(), seed), tmp_path, *seen())
