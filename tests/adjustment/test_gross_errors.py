"""Wrong readings are set aside, named, and their likely slip is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.adjustment.adjusted import chi_square
from survey.adjustment.model import (
    CAMERA,
    POINT,
    SETUP,
    Elevation,
    Network,
    PointInPhoto,
    Pose,
    RodHeight,
    SlopeOfPlane,
    TapeLength,
)
from survey.adjustment.slips import exchanged_names, usual_slip, wrong_end
from survey.adjustment.solver import solve
from survey.geometry import rotation_from_vector
from tests.adjustment.scene import porch

FOOT, INCH = 0.3048, 0.0254


@pytest.fixture(scope="module")
def visit():
    rng = np.random.default_rng(2)
    scene = porch(rng, photos=4, points=14, targets=1, tapes=4, rods=8)
    return scene, scene.start(rng)


def spoiled(visit, change, **kept):
    scene, start = visit
    observations = [change(o) for o in scene.network.observations]
    network = Network(observations=observations, cameras=scene.network.cameras, **kept)
    return solve(network, start)


def unused(solution):
    return [result.id for result in solution.observations if not result.used]


def the_eave(solution):
    keys = [(POINT, "P0"), (POINT, "P1")]
    return solution.derive(lambda s: np.array([np.linalg.norm(s[keys[0]] - s[keys[1]])]), keys)


def test_a_clean_visit_keeps_every_reading(visit):
    solution = spoiled(visit, lambda o: o)
    assert unused(solution) == []
    assert solution.findings == ()


def test_a_tape_read_one_foot_off_is_named_with_its_likely_value(visit):
    solution = spoiled(visit, lambda o: replace(o, value=o.value + FOOT) if o.id == "tape 1" else o)
    assert unused(solution) == ["tape 1"]
    (finding,) = solution.findings
    assert finding.code == "gross-error"
    assert finding.where == "tape T1, readings.csv line 3"
    assert "from P1 to P2" in finding.what
    assert "one foot too much" in finding.cure
    result = next(r for r in solution.observations if r.id == "tape 1")
    true = np.linalg.norm(visit[0].truth[(POINT, "P1")] - visit[0].truth[(POINT, "P2")])
    assert result.likely_value == pytest.approx(true, abs=0.02)
    assert abs(result.standardised) > 15


def test_findings_speak_metric_when_the_visit_does(visit):
    solution = spoiled(
        visit,
        lambda o: replace(o, value=o.value + 1.0) if o.id == "tape 1" else o,
        units="metric",
    )
    (finding,) = solution.findings
    assert "5.0" in finding.what and " m" in finding.what
    assert "one metre too much" in finding.cure


def test_a_mark_on_the_wrong_corner_is_named(visit):
    def change(o):
        if o.id == "P3 in IMG_2":
            return replace(o, px=(o.px[0] + 40.0, o.px[1] - 20.0))
        return o

    solution = spoiled(visit, change)
    assert unused(solution) == ["P3 in IMG_2"]
    (finding,) = solution.findings
    assert 40 <= float(finding.what.split(" px")[0].split()[-1]) <= 50  # 44.7 px, marked to 1.5


def test_two_marks_with_exchanged_names_are_told(visit):
    scene, _ = visit
    px = {o.id: o.px for o in scene.network.observations if isinstance(o, PointInPhoto)}
    other = {"P5 in IMG_1": "P7 in IMG_1", "P7 in IMG_1": "P5 in IMG_1"}
    solution = spoiled(visit, lambda o: replace(o, px=px[other[o.id]]) if o.id in other else o)
    assert set(unused(solution)) == set(other)
    assert all("exchanged" in finding.cure for finding in solution.findings)


def test_two_rods_with_exchanged_names_are_told(visit):
    scene, _ = visit
    read = {o.id: o.value for o in scene.network.observations if isinstance(o, RodHeight)}
    other = {"rod 0": "rod 6", "rod 6": "rod 0"}
    solution = spoiled(visit, lambda o: replace(o, value=read[other[o.id]]) if o.id in other else o)
    assert set(unused(solution)) == set(other)
    assert all("exchanged" in finding.cure for finding in solution.findings)


def test_a_wrong_tape_a_wrong_rod_and_a_wrong_mark_are_found_together(visit):
    def change(o):
        match o.id:
            case "tape 1":
                return replace(o, value=o.value + FOOT)
            case "rod 6":
                return replace(o, value=o.value + 0.1 * FOOT)
            case "P3 in IMG_2":
                return replace(o, px=(o.px[0] + 40.0, o.px[1] - 20.0))
        return o

    solution = spoiled(visit, change)
    assert set(unused(solution)) == {"tape 1", "rod 6", "P3 in IMG_2"}
    clean = the_eave(spoiled(visit, lambda o: o))
    assert abs(the_eave(solution).value[0] - clean.value[0]) < clean.sd[0]


def test_a_print_scale_that_tapes_contradict_is_named(visit):
    solution = spoiled(visit, lambda o: replace(o, mean=o.mean * 1.03) if o.id == "scale T0" else o)
    codes = [finding.code for finding in solution.findings]
    assert codes == ["print-scale-contradicted"] * 2
    assert "smaller" in solution.findings[0].what


def test_a_lens_that_the_photos_contradict_is_named(visit):
    def change(o):
        return replace(o, mean=o.mean * np.array([1.5, 1, 1, 1, 1])) if o.id == "lens phone" else o

    solution = spoiled(visit, change)
    (finding,) = solution.findings
    assert finding.code == "lens-contradicted"
    assert "0.67 times" in finding.what or "focal length" in finding.what
    assert "zoomed" in finding.cure
    eave = the_eave(solution)
    assert abs(eave.value[0] - 6.0) < 4 * eave.sd[0]


def test_a_target_moved_between_photos_is_named():
    rng = np.random.default_rng(4)
    scene = porch(rng, photos=5, points=12, targets=2, tapes=1)
    start = scene.start(rng)

    def moved(o):
        if o.id == "T1 in IMG_4":
            return replace(o, corners_px=o.corners_px + np.array([60.0, 25.0]))
        return o

    network = Network(
        observations=[moved(o) for o in scene.network.observations], cameras=scene.network.cameras
    )
    solution = solve(network, start)
    assert "T1 in IMG_4" in unused(solution)
    finding = next(f for f in solution.findings if f.code == "target-moved")
    assert "IMG_4" in finding.what


def test_one_tape_that_both_check_lines_contradict_is_set_aside():
    """Across and down were measured apart and agree: the tape is outvoted, slip or no slip."""
    rng = np.random.default_rng(6)
    scene = porch(rng, photos=3, points=8, targets=1, tapes=1)
    start = scene.start(rng)

    def off(by):
        observations = [
            replace(o, value=o.value + by) if isinstance(o, TapeLength) else o
            for o in scene.network.observations
        ]
        return solve(Network(observations=observations, cameras=scene.network.cameras), start)

    odd = off(0.137)
    assert unused(odd) == ["tape 0"]
    assert "which points" in odd.findings[0].cure
    eave = the_eave(odd)
    assert abs(eave.value[0] - 6.0) < 3 * eave.sd[0]


def test_marks_made_twice_as_roughly_widen_the_interval_and_lose_no_reading():
    rng = np.random.default_rng(8)
    careful = porch(rng, photos=4, points=12, targets=1)
    rng = np.random.default_rng(8)
    rough = porch(rng, photos=4, points=12, targets=1, noise=2.5)
    ours = solve(careful.network, careful.start(rng))
    theirs = solve(rough.network, rough.start(rng))
    assert unused(theirs) == []
    factor = dict(theirs.statistics.kinds)["point mark"]
    assert 4.0 < factor < 9.0  # 2.5 squared is 6.25
    assert the_eave(theirs).sd[0] > 1.5 * the_eave(ours).sd[0]
    assert any(f.code == "adjustment-does-not-fit" for f in theirs.findings)


def test_a_bad_pose_branch_costs_more_than_the_right_one(visit):
    """The two hypotheses of a flipped camera compare by their bounded weighted squares."""
    scene, start = visit
    right = solve(scene.network, start)
    pose = start[(CAMERA, "IMG_0")]
    tilted = Pose(pose.rotation @ rotation_from_vector(np.array([0.0, 0.1, 0.0])), pose.translation)
    assert right.chi_square < chi_square(scene.network, {**right.state, (CAMERA, "IMG_0"): tilted})
    assert right.chi_square == pytest.approx(chi_square(scene.network, right.state))


@pytest.mark.parametrize(
    ("value", "predicted", "words"),
    [
        (7.4676, 7.1650, "one foot too much"),
        (3.0480, 6.0950, "ten feet too little"),
        (5.0, 4.975, "one inch too much"),
        (21.0, 6.4, "feet booked as metres"),
        (12.0 * FOOT, 21.0 * FOOT, "two digits exchanged"),
    ],
)
def test_usual_slips_of_a_tape_are_recognised(value, predicted, words):
    tape = TapeLength(id="T", start="A", end="B", value=value, sd=0.002)
    assert usual_slip(tape, predicted, 0.002).words == words


def test_usual_slips_of_a_rod_and_a_level_are_recognised():
    rod = RodHeight(id="R", setup="S", point="A", value=1.5240, sd=0.001)
    assert usual_slip(rod, 1.5240 - 0.1 * FOOT, 0.001).words == "a tenth of a foot too much"
    level = SlopeOfPlane(id="L", plane="porch", value=np.radians(2.0), sd=0.001)
    assert usual_slip(level, np.arctan(0.02), 0.0005).words == "percent booked as degrees"
    assert usual_slip(level, -np.radians(2.0), 0.001).words == "taken the other way round"


def test_no_slip_is_claimed_when_the_figures_are_too_vague():
    tape = TapeLength(id="T", start="A", end="B", value=7.4676, sd=0.002)
    assert usual_slip(tape, 7.1650, 0.05) is None
    assert usual_slip(tape, 7.33, 0.002) is None


def test_exchanged_names_need_both_readings_to_fit():
    assert exchanged_names((1.0, 2.0), (2.0, 1.0), 0.01)
    assert not exchanged_names((1.0, 2.0), (2.0, 1.5), 0.01)
    assert not exchanged_names((1.0, 1.01), (1.01, 1.0), 0.01)


def test_a_tape_to_the_wrong_corner_is_told_by_its_length():
    state = {
        (POINT, n): np.array(x, float)
        for n, x in {"A": (0, 0, 0), "B": (4, 0, 0), "C": (4, 7, 0)}.items()
    }
    tape = TapeLength(id="T", start="A", end="B", value=float(np.hypot(4, 7)), sd=0.003)
    assert wrong_end(tape, state, 0.005) == ("A", "C")
    assert wrong_end(replace(tape, value=5.0), state, 0.005) is None


def test_two_benchmarks_that_contradict_each_other_are_named():
    observations = [
        Elevation(id="bm A", where="benchmark A", point="A", value=100.0, sd=0.0),
        Elevation(id="bm B", where="benchmark B", point="B", value=100.5, sd=0.0),
        RodHeight(id="a", setup="S", point="A", value=1.5, sd=0.002),
        RodHeight(id="b", setup="S", point="B", value=1.2, sd=0.002),
    ]
    start = {(POINT, "A"): np.zeros(3), (POINT, "B"): np.zeros(3), (SETUP, "S"): np.zeros(1)}
    solution = solve(Network(observations=observations), start)
    text = " ".join(f.where for f in solution.findings)
    assert "benchmark" in text or "a" in text
    assert any(f.code in ("readings-contradict", "gross-error") for f in solution.findings)
