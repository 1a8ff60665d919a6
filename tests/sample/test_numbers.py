"""The sample visit's own numbers: they agree with themselves, with libraries and with paper."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from skimage.morphology import reconstruction

from survey.target import sheet_layout
from survey.visit import open_visit
from survey.visit.model import EdgeMark, GravityMark, OutlineMark, PointMark
from tests.sample.made import PORCH, paperwork, place, true_figures, truth

INCH, FOOT = 0.0254, 0.3048


@pytest.mark.parametrize("name", ["truth.json", "visit.toml", "marks.json", "readings.csv"])
def test_the_committed_papers_are_what_the_numbers_give(name, papers):
    assert (PORCH / name).read_text() == papers[name]


@pytest.fixture(scope="module")
def papers():
    return paperwork.all_files()


def test_the_low_spot_agrees_with_morphological_reconstruction():
    """scikit-image's reconstruction by erosion fills the same water (another way, another code)."""
    _, _, heights = truth.surface_grid()
    seed = np.full_like(heights, heights.max())
    seed[0], seed[:, 0], seed[:, -1] = heights[0], heights[:, 0], heights[:, -1]
    water = reconstruction(seed, heights, method="erosion") - heights
    spot = true_figures()["low_spots"][0]
    assert water.max() == pytest.approx(spot["depth"], abs=1e-9)
    assert water.sum() * truth.CELL**2 == pytest.approx(spot["volume"], rel=1e-9)


def test_the_dish_is_deeper_than_its_fall_needs_to_hold_water(monkeypatch):
    """A dish of depth d and diameter D on a fall s holds water only if d > s D / 4.

    The gentlest fall under the dish is the strip's: 3/16 in a foot over 5.5 ft gives 0.258 in; the
    main fall, 3/8 in a foot, gives 0.516 in. So 1.1 in must hold water and 0.25 in can't.
    """
    along, up, diameter, depth = place.DISH
    assert depth > place.MAIN_FALL * diameter / 4
    assert true_figures()["low_spots"][0]["depth"] > 3 / 8 * INCH
    monkeypatch.setattr(place, "DISH", (along, up, diameter, 0.25 * INCH))
    _, _, heights = truth.surface_grid()
    assert (truth.fill_low_spots(heights) - heights).max() < 1e-6


def test_pitches_on_paper():
    """8:12, and a porch of 9 ft at 3/8 and 3 ft at 3/16: 3.9375 in over 12 ft is 0.328 in 12."""
    planes = true_figures()["planes"]
    assert planes["steep roof"]["pitch_rise_in_12"] == pytest.approx(8.0, abs=1e-9)
    up_roof = (9 * 3 / 8 + 3 * 3 / 16) / 12
    across = 0.15 / 22
    assert planes["porch"]["pitch_rise_in_12"] == pytest.approx(np.hypot(up_roof, across), abs=1e-4)


def test_steep_edges_on_paper():
    """39.5 ft of eave; rakes of 16 ft run at 8:12, so 16 ft x sqrt(1 + (8/12)^2) = 19.230 ft."""
    edges = true_figures()["edges"]
    assert edges["steep eave"]["length"] / FOOT == pytest.approx(39.5)
    assert edges["steep left rake"]["length"] / FOOT == pytest.approx(19.230, abs=5e-4)


def test_a_quarter_of_the_bare_porch_falls_under_a_quarter_in_twelve():
    """3 ft of 12 ft, less where the fall blends: a fifth to a quarter."""
    surface = true_figures()["porch_surface"]
    assert 0.2 < surface["share_under_1_4_in_12_without_dish"] <= 0.25


@pytest.mark.parametrize("shot", place.SHOTS, ids=lambda shot: shot.name)
def test_the_cameras_project_as_opencv_does(shot):
    rng = np.random.default_rng(11)
    local = rng.uniform([-3, -2, 6], [3, 2, 20], (50, 3))
    points = local @ shot.rotation + shot.centre
    cx, cy = shot.principal_point
    lens = np.array([[shot.focal, 0, cx], [0, shot.focal, cy], [0, 0, 1]])
    turn = cv2.Rodrigues(shot.rotation)[0]
    k1, k2 = place.LENSES[shot.lens]
    shift = -shot.rotation @ shot.centre
    expected, _ = cv2.projectPoints(points, turn, shift, lens, np.array([k1, k2, 0, 0, 0.0]))
    assert np.abs(shot.project(points) - expected[:, 0]).max() < 1e-6
    assert np.linalg.det(shot.rotation) == pytest.approx(1)


def test_the_check_lines_in_the_visit_tell_the_print_scale():
    """Measured over nominal is the true scale, to half a millimetre."""
    visit = open_visit(PORCH)
    for target in visit.targets:
        layout = sheet_layout(target.board.code)
        across, down = true_figures()["targets"][target.name]["print_scale"]
        assert abs(target.across - across * layout.check_across) <= 0.00026
        assert abs(target.down - down * layout.check_down) <= 0.00026
        assert across < 0.995


def test_the_visit_holds_every_kind_of_mark_and_reading():
    visit = open_visit(PORCH)
    kinds = [type(mark) for mark in visit.marks]
    for kind, least in ((PointMark, 40), (EdgeMark, 4), (GravityMark, 8), (OutlineMark, 1)):
        assert kinds.count(kind) >= least, kind
    words = [type(reading).__name__ for reading in visit.readings]
    assert words.count("TapeReading") == 4
    assert words.count("SlopeReading") == 2
    assert words.count("RodReading") >= 84
    both = {reading.setup for reading in visit.readings if getattr(reading, "point", "") == "TP1"}
    assert both == {"S1", "S2"}
    assert len(visit.photo_paths) == 8


def test_marks_lie_a_few_pixels_from_the_truth():
    """Root mean square of point marks about 1.5 px a coordinate; none beyond 4 sd."""
    shots = {shot.name: shot for shot in place.SHOTS}
    points = place.named_points()
    off = []
    for mark in json.loads((PORCH / "marks.json").read_text())["marks"]:
        if mark["kind"] == "point":
            at = shots[mark["photo"]].project(points[mark["point"]])[0]
            off.append(np.array(mark["px"]) - at)
    off = np.array(off)
    assert 1.2 < np.sqrt((off**2).mean()) < 1.8
    assert np.abs(off).max() < 6
