"""Figures that hang on one reading which nothing checks, and the slips that would pass unseen."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.adjust import adjust
from survey.adjustment.network import build_network
from survey.visit.model import TapeReading
from tests.scenes.houses import PORCH, arc, deck_visit, front_visit, porch_visit


def adjusted(scene):
    return adjust(build_network(scene.visit, scene.photos, scene.sightings))


def named(scene, code):
    return [f for f in adjusted(scene).findings if f.code == code]


def test_a_lone_slope_reading_is_said_to_be_unchecked():
    scene = porch_visit(np.random.default_rng(1), plumb=False, slope_sd=0.0026)
    (finding,) = named(scene, "reading-unchecked")
    assert "the slope reading on porch (of any size)" in finding.what
    assert "the pitch of porch" in finding.what


def test_corners_that_one_photo_alone_shows_are_said_to_be_unchecked():
    (finding,) = named(porch_visit(np.random.default_rng(1)), "marks-unchecked")
    assert finding.where == "porch-1.jpg"
    assert all(corner in finding.what for corner in PORCH.outline)


def test_corners_marked_in_three_photos_check_each_other():
    scene = front_visit(np.random.default_rng(2), stands=arc(3), targets=2)
    assert not named(scene, "marks-unchecked")
    assert not named(scene, "reading-unchecked")


def test_four_taped_sides_without_a_diagonal_are_said_to_be_unchecked():
    """A quadrilateral of four sides is a hinge: no side says anything of another."""
    scene = deck_visit(np.random.default_rng(3), diagonals=False, grid=False)
    (finding,) = (f for f in named(scene, "reading-unchecked") if f.where == "tapes")
    assert "the tape from E1 to E2" in finding.what
    assert "diagonal" in finding.cure


def test_a_side_taped_twice_is_checked_and_the_others_are_not():
    scene = deck_visit(np.random.default_rng(3), diagonals=False, grid=False)
    first = next(r for r in scene.visit.readings if isinstance(r, TapeReading))
    again = TapeReading("again", "again in readings", first.start, first.end, first.value, first.sd)
    twice = scene.with_visit(readings=(*scene.visit.readings, again))
    (finding,) = (f for f in named(twice, "reading-unchecked") if f.where == "tapes")
    assert f"the tape from {first.start} to {first.end}" not in finding.what


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.8, 2.0])
def test_a_slip_is_found_from_about_the_size_on_that_the_finding_names(share):
    """Of 20 visits: a slip of twice that size is found in all, one of 0.8 of it passes in some."""
    found = 0
    for seed in range(20):
        scene = deck_visit(np.random.default_rng(seed), grid=False)
        solution = adjusted(scene)
        result = next(r for r in solution.observations if r.id == "tape E1-E2")
        readings = tuple(
            TapeReading(r.id, r.where, r.start, r.end, r.value + share * result.detectable, r.sd)
            if r.id == "tape E1-E2"
            else r
            for r in scene.visit.readings
        )
        codes = {f.code for f in adjusted(scene.with_visit(readings=readings)).findings}
        found += bool(codes & {"gross-error", "readings-contradict"})
    assert found >= 19 if share > 1 else 3 <= found <= 17
