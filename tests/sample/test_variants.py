"""Painted copies of the sample with other targets: the figures follow what was put up and told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.figures import Figure
from survey.measure import measure
from survey.photo import read_photos
from survey.planefile import read_measured
from survey.target import find_targets
from survey.visit import open_visit
from tests.sample import painter
from tests.sample.made import place, true_figures

PHOTO_LENGTHS = ("porch eave", "steep eave", "steep left rake", "ridge", "wall corner left")
READINGS_HEAD = "id,kind,setup,point,to,plane,along (ft),up (ft),value (in),sd,note\n"


def lengths(folder) -> dict[str, Figure]:
    """Measure a visit; return the lengths that photos give."""
    document = measure(open_visit(folder)).document
    found = {edge["name"]: read_measured(edge["length"]) for edge in document["edges"]}
    assert all(isinstance(found[name], Figure) for name in PHOTO_LENGTHS), found
    return {name: found[name] for name in PHOTO_LENGTHS}


def true_length(name: str) -> float:
    return float(true_figures()["edges"][name]["length"])


def reprinted(targets, scale: float):
    return tuple(replace(target, scale=(scale, scale)) for target in targets)


def moved_and_resized(targets):
    """The wall board 0.5 m higher and 0.6 m to the right as an 18 in board; the rail's swapped."""
    wall, roof, rail = targets
    step = np.array([0.6, 0.0, 0.5])
    return (
        replace(wall, centre=wall.centre + step, code="board-18-7", scale=(1.01, 1.01)),
        replace(roof, centre=place.porch_point(3.1, 2.5) + np.array([0, 0, 0.005])),
        replace(rail, centre=rail.centre + np.array([-0.35, 0, 0.02]), code="board-24-9"),
    )


def test_painted_targets_are_found_where_they_hang(tmp_path):
    targets = place.targets()
    folder = painter.write_visit(tmp_path / "painted", targets)
    visit = open_visit(folder)
    sightings, _ = find_targets(visit, read_photos(visit))
    shots = {shot.name: shot for shot in place.SHOTS}
    hung = {target.name: target for target in targets}
    assert len(sightings) >= 9
    assert {one.target for one in sightings} == set(hung)
    for one in sightings:
        true_px = shots[one.photo].project(hung[one.target].to_site(one.corners_target))
        off = np.linalg.norm(one.corners_px - true_px, axis=1)
        assert np.median(off) < 0.3, (one.photo, one.target)


@pytest.mark.slow
def test_moved_resized_and_swapped_targets_give_the_same_house(tmp_path):
    targets = moved_and_resized(place.targets())
    found = lengths(painter.write_visit(tmp_path / "moved", targets, seed=50))
    off = {name: (one.value - true_length(name)) / one.sd for name, one in found.items()}
    assert max(abs(ratio) for ratio in off.values()) < 3.3, off
    for name in ("porch eave", "steep eave"):
        assert found[name].value == pytest.approx(true_length(name), rel=0.005)


@pytest.mark.slow
def test_boards_reprinted_smaller_and_measured_give_the_same_house(tmp_path):
    targets = reprinted(place.targets(), 0.94)
    found = lengths(painter.write_visit(tmp_path / "smaller", targets, seed=60))
    off = {name: (one.value - true_length(name)) / one.sd for name, one in found.items()}
    assert max(abs(ratio) for ratio in off.values()) < 3.3, off


@pytest.mark.slow
def test_boards_reprinted_smaller_and_not_measured_again_scale_every_length(tmp_path):
    """Photos alone: print at 0.94, told 0.985, and each length comes out 0.985 / 0.94 too long."""
    true = reprinted(place.targets(), 0.94)
    told = reprinted(place.targets(), 0.985)
    folder = painter.write_visit(
        tmp_path / "untold", true, told=told, readings=READINGS_HEAD, seed=70
    )
    for name, one in lengths(folder).items():
        expected = true_length(name) * 0.985 / 0.94
        assert abs(one.value - expected) < 3.3 * one.sd, name
        assert one.value > 1.02 * true_length(name), name


@pytest.mark.slow
def test_check_lines_told_wrong_are_named_where_every_tape_disagrees_alike(tmp_path):
    """Boards at 0.94, check lines told as 0.985: every tape is short by the same 4.6 %."""
    true = reprinted(place.targets(), 0.94)
    told = reprinted(place.targets(), 0.985)
    folder = painter.write_visit(tmp_path / "mistyped", true, told=told, seed=80)
    findings = measure(open_visit(folder)).document["findings"]
    words = " ".join(finding["what"] + finding["cure"] for finding in findings)
    assert "check line" in words or "print scale" in words
    assert [f["where"] for f in findings if f["code"] == "gross-error"] == []
