"""What nothing fixes: each is named in the user's words, and spoils nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.adjustment.model import (
    CAMERA,
    LENS,
    PLANE,
    POINT,
    SETUP,
    TARGET,
    Elevation,
    LevelEdge,
    Network,
    OnSurface,
    PlaneParameters,
    PointInPhoto,
    Prior,
    RodHeight,
    SlopeOfPlane,
    TapeLength,
    TargetCorners,
    TargetMount,
)
from survey.adjustment.solver import solve
from tests.adjustment.scene import porch

EAVE = [(POINT, "P0"), (POINT, "P1")]


def eave(state):
    return np.array([np.linalg.norm(state[EAVE[0]] - state[EAVE[1]])])


def pitch(state):
    normal = state[(PLANE, "porch")].normal
    return np.array([np.hypot(normal[0], normal[1]) / normal[2]])


@pytest.fixture(scope="module")
def visit():
    rng = np.random.default_rng(2)
    scene = porch(rng, photos=4, points=10, targets=1, tapes=2, rods=4)
    return scene, scene.start(rng)


def solve_only(visit, keep, extra=(), start=None):
    scene, state = visit
    observations = [o for o in scene.network.observations if keep(o)] + list(extra)
    network = Network(observations=observations, cameras=scene.network.cameras)
    return solve(network, {**state, **(start or {})})


def assert_the_eave_is_as_good_as_ever(visit, solution):
    scene, start = visit
    whole = solve(scene.network, start)
    _, expected = whole.propagate(eave, EAVE)
    value, covariance = solution.propagate(eave, EAVE)
    assert solution.is_estimable(eave, EAVE)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(np.sqrt(expected[0, 0]), rel=0.2)
    assert abs(value[0] - 6.0) < 5 * np.sqrt(covariance[0, 0])


def test_a_complete_visit_has_no_defect_and_an_arbitrary_datum(visit):
    scene, start = visit
    solution = solve(scene.network, start)
    assert solution.defects == ()
    assert solution.gravity_observed and solution.scale_observed
    assert solution.free.basis.shape[1] == 4  # three shifts and the azimuth
    assert not solution.is_estimable(lambda s: s[(POINT, "P0")], [(POINT, "P0")])
    assert np.all(np.isfinite(solution.covariance([(POINT, "P0")])))


def test_a_point_marked_in_one_photo_on_no_plane_is_named(visit):
    def keep(o):
        return "P9" not in o.id or o.id == "P9 in IMG_0"

    solution = solve_only(visit, keep)
    (defect,) = solution.defects
    assert defect.keys == ((POINT, "P9"),)
    assert defect.what == (
        "point 'P9' is marked in one photo only (IMG_0) and lies on no declared plane"
    )
    assert "second photo" in defect.cure
    _, covariance = solution.propagate(
        lambda s: np.array([np.linalg.norm(s[(POINT, "P9")] - s[(POINT, "P0")])]),
        [(POINT, "P9"), (POINT, "P0")],
    )
    assert np.isinf(covariance[0, 0])
    assert np.isinf(np.diag(solution.covariance([(POINT, "P9")]))).any()
    assert_the_eave_is_as_good_as_ever(visit, solution)


def test_a_point_without_starting_value_is_named_and_its_marks_left_out(visit):
    scene, start = visit
    start = {key: value for key, value in start.items() if key != (POINT, "P9")}
    network = Network(
        observations=[o for o in scene.network.observations if "P9" not in o.id or "IMG_0" in o.id],
        cameras=scene.network.cameras,
    )
    solution = solve(network, start)
    assert [d.keys for d in solution.defects] == [((POINT, "P9"),)]
    assert not solution.is_estimable(lambda s: s[(POINT, "P9")], [(POINT, "P9")])
    assert_the_eave_is_as_good_as_ever(visit, solution)


def test_a_photo_that_shares_nothing_is_named(visit):
    def keep(o):
        return "IMG_3" not in o.id or isinstance(o, Prior)

    extra = [
        PointInPhoto(id=f"lost {k}", photo="IMG_3", point=f"P{k}", px=(900.0, 700.0), sd_px=1.5)
        for k in (1,)
    ]
    scene, _ = visit
    true = next(o for o in scene.network.observations if o.id == "P1 in IMG_3")
    solution = solve_only(visit, keep, [replace(extra[0], px=true.px)])
    (defect,) = solution.defects
    assert defect.keys == ((CAMERA, "IMG_3"),)
    assert defect.what.startswith("photo 'IMG_3' can't be placed")
    assert_the_eave_is_as_good_as_ever(visit, solution)


def test_two_photos_that_know_only_each_other_are_named_as_untied(visit):
    """IMG_2 and IMG_3 share points of their own, and nothing with the rest."""

    def own(o):
        return isinstance(o, PointInPhoto) and o.photo in ("IMG_2", "IMG_3")

    def keep(o):
        seen = isinstance(o, TargetCorners) and o.photo in ("IMG_2", "IMG_3")
        return not own(o) and not seen

    scene, start = visit
    far = [replace(o, point="far " + o.point) for o in scene.network.observations if own(o)]
    places = {(POINT, o.point): start[(POINT, o.point[4:])] for o in far}
    solution = solve_only(visit, keep, far, places)
    named = {key for defect in solution.defects for key in defect.keys}
    assert {(CAMERA, "IMG_2"), (CAMERA, "IMG_3")} <= named
    assert any("not tied to the rest" in d.what for d in solution.defects)
    assert not solution.is_estimable(
        lambda s: np.array([np.linalg.norm(s[(POINT, "far P0")] - s[(POINT, "P0")])]),
        [(POINT, "far P0"), (POINT, "P0")],
    )


def test_a_plane_with_two_points_is_named(visit):
    extra = [OnSurface(id=f"wall {p}", on=(PLANE, "wall"), point=p, sd=0.003) for p in ("P1", "P2")]
    wall = {(PLANE, "wall"): PlaneParameters(np.array([1.0, 0.0, 0.0]), -3.0)}
    solution = solve_only(visit, lambda o: True, extra, wall)
    (defect,) = solution.defects
    assert defect.keys == ((PLANE, "wall"),)
    assert defect.what == "plane 'wall' is not fixed: two points of it are known"
    assert_the_eave_is_as_good_as_ever(visit, solution)


def test_a_plane_with_points_on_one_line_is_named(visit):
    """Three points of the eave: the plane can still turn about it."""
    _, start = visit
    extra = [
        OnSurface(id=f"fascia {p}", on=(PLANE, "fascia"), point=p, sd=0.003)
        for p in ("P0", "P1", "between")
    ]
    middle = 0.5 * (start[(POINT, "P0")] + start[(POINT, "P1")])
    extra += [
        TapeLength(id="half 0", start="P0", end="between", value=3.0, sd=0.003),
        TapeLength(id="half 1", start="P1", end="between", value=3.0, sd=0.003),
    ]
    places = {
        (POINT, "between"): middle,
        (PLANE, "fascia"): PlaneParameters(np.array([0.0, -1.0, 0.0]), 0.0),
    }
    solution = solve_only(visit, lambda o: True, extra, places)
    assert any((PLANE, "fascia") in defect.keys for defect in solution.defects)
    assert_the_eave_is_as_good_as_ever(visit, solution)


def test_without_gravity_lengths_stand_and_pitch_does_not(visit):
    solution = solve_only(visit, lambda o: not isinstance(o, TargetMount | RodHeight))
    assert not solution.gravity_observed
    assert solution.scale_observed
    assert not solution.is_estimable(pitch, [(PLANE, "porch")])
    _, covariance = solution.propagate(pitch, [(PLANE, "porch")])
    assert np.isinf(covariance[0, 0])
    assert solution.defects == ()
    assert_the_eave_is_as_good_as_ever(visit, solution)


def test_one_level_edge_alone_fixes_one_tilt_and_so_no_gravity(visit):
    solution = solve_only(
        visit,
        lambda o: not isinstance(o, TargetMount | RodHeight),
        [LevelEdge(id="eave", start="P0", end="P1", sd=0.006)],
    )
    assert not solution.gravity_observed
    assert not solution.is_estimable(pitch, [(PLANE, "porch")])
    rise = [(POINT, "P0"), (POINT, "P1")]
    assert solution.is_estimable(lambda s: np.array([s[rise[0]][2] - s[rise[1]][2]]), rise)


def test_a_slope_reading_and_a_level_edge_together_fix_gravity(visit):
    solution = solve_only(
        visit,
        lambda o: not isinstance(o, TargetMount | RodHeight),
        [
            LevelEdge(id="eave", start="P0", end="P1", sd=0.006),
            SlopeOfPlane(id="level", plane="porch", value=float(np.arctan2(2, 12)), sd=0.002),
        ],
    )
    assert solution.gravity_observed
    value, covariance = solution.propagate(pitch, [(PLANE, "porch")])
    assert abs(value[0] - 1 / 6) < 4 * np.sqrt(covariance[0, 0]) < 0.02


def test_without_scale_angles_stand_and_lengths_do_not(visit):
    def keep(o):
        scales = isinstance(o, TapeLength | RodHeight | OnSurface) or "scale" in o.id
        return not scales

    solution = solve_only(visit, keep)
    assert not solution.scale_observed
    assert solution.gravity_observed
    _, covariance = solution.propagate(eave, EAVE)
    assert np.isinf(covariance[0, 0])
    three = [(POINT, f"P{i}") for i in range(3)]

    def corner(state):
        a, b = state[three[0]] - state[three[1]], state[three[2]] - state[three[1]]
        return np.array([a @ b / np.linalg.norm(a) / np.linalg.norm(b)])

    assert solution.is_estimable(corner, three)
    value, covariance = solution.propagate(corner, three)
    assert abs(value[0]) < 4 * np.sqrt(covariance[0, 0]) < 0.2


def test_levels_alone_give_elevations_without_any_plan_position():
    """Benchmark 100.00, backsight 3.10, foresights 9.82 and 6.44: on paper 93.28 and 96.66."""
    observations = [
        Elevation(id="bm", point="BM", value=100.0, sd=0.0),
        RodHeight(id="b", setup="S1", point="BM", value=3.10, sd=0.002),
        RodHeight(id="f1", setup="S1", point="TP1", value=9.82, sd=0.002),
        RodHeight(id="f2", setup="S1", point="P", value=6.44, sd=0.002),
    ]
    start = {(POINT, name): np.zeros(3) for name in ("BM", "TP1", "P")}
    start[(SETUP, "S1")] = np.zeros(1)
    solution = solve(Network(observations=observations), start)
    keys = [(POINT, "TP1"), (POINT, "P")]
    value, covariance = solution.propagate(lambda s: np.array([s[k][2] for k in keys]), keys)
    np.testing.assert_allclose(value, [93.28, 96.66], atol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), 0.002 * np.sqrt(2), rtol=1e-5)
    assert solution.defects == ()
    assert solution.gravity_observed
    assert not solution.is_estimable(lambda s: s[keys[0]][:1], keys[:1])
    assert all(result.used for result in solution.observations)


def test_a_level_run_that_knows_no_benchmark_still_gives_differences():
    observations = [
        RodHeight(id="a", setup="S1", point="A", value=1.0, sd=0.002),
        RodHeight(id="b", setup="S1", point="B", value=1.4, sd=0.002),
    ]
    start = {(POINT, "A"): np.zeros(3), (POINT, "B"): np.zeros(3), (SETUP, "S1"): np.zeros(1)}
    solution = solve(Network(observations=observations), start)
    keys = [(POINT, "A"), (POINT, "B")]
    difference = solution.derive(lambda s: np.array([s[keys[0]][2] - s[keys[1]][2]]), keys)
    assert difference.value[0] == pytest.approx(0.4, abs=1e-6)
    assert difference.sd[0] == pytest.approx(0.002 * np.sqrt(2), rel=1e-6)
    assert set(difference.unchecked) == {"a", "b"}
    assert not solution.is_estimable(lambda s: s[keys[0]][2:], keys[:1])


def test_a_target_nobody_saw_is_named(visit):
    mount = TargetMount(id="hidden", target="T9", axis="normal", is_level=True, sd=0.009)
    _, start = visit
    solution = solve_only(visit, lambda o: True, [mount], {(TARGET, "T9"): start[(TARGET, "T0")]})
    assert [defect.keys for defect in solution.defects] == [((TARGET, "T9"),)]
    assert_the_eave_is_as_good_as_ever(visit, solution)


def test_a_set_up_that_reads_only_its_own_points_is_no_defect_but_ties_nothing(visit):
    extra = [
        RodHeight(id="own 1", setup="S9", point="Q1", value=1.0, sd=0.002),
        RodHeight(id="own 2", setup="S9", point="Q2", value=1.3, sd=0.002),
    ]
    places = {(POINT, "Q1"): np.zeros(3), (POINT, "Q2"): np.zeros(3), (SETUP, "S9"): np.zeros(1)}
    solution = solve_only(visit, lambda o: True, extra, places)
    across = [(POINT, "Q1"), (POINT, "P0")]
    assert not solution.is_estimable(
        lambda s: np.array([s[across[0]][2] - s[across[1]][2]]), across
    )
    own = [(POINT, "Q1"), (POINT, "Q2")]
    assert solution.is_estimable(lambda s: np.array([s[own[0]][2] - s[own[1]][2]]), own)
    assert_the_eave_is_as_good_as_ever(visit, solution)


def test_nothing_at_all_is_a_solution_without_anything():
    solution = solve(Network(), {})
    assert solution.statistics.rows == 0
    assert solution.observations == ()
    assert not solution.gravity_observed and not solution.scale_observed


def test_a_weak_point_keeps_its_wide_interval(visit):
    """Marked in two photos taken a hand's breadth apart: fixed, but its depth is worth little."""
    scene, start = visit
    near = replace(
        start[(CAMERA, "IMG_0")],
        translation=scene.truth[(CAMERA, "IMG_0")].translation + np.array([0.05, 0.0, 0.0]),
    )
    from tests.adjustment.scene import photograph

    truth = {**scene.truth, (CAMERA, "near"): near, (LENS, "near"): scene.truth[(LENS, "IMG_0")]}
    roof = np.array([scene.truth[(POINT, f"P{k}")] for k in range(9)])
    px, _ = photograph(truth, "near", roof)
    spot = np.array([[0.0, 3.0, 5.0]])
    extra = [
        PointInPhoto(
            id=f"P{k} in near", photo="near", point=f"P{k}", px=(float(u), float(v)), sd_px=1.5
        )
        for k, (u, v) in enumerate(px)
    ]
    for photo in ("near", "IMG_0"):
        ((u, v),), _ = photograph(truth, photo, spot)
        extra.append(
            PointInPhoto(
                id=f"Q in {photo}", photo=photo, point="Q", px=(float(u), float(v)), sd_px=1.5
            )
        )
    extra.append(
        Prior(
            id="lens near",
            key=(LENS, "near"),
            mean=scene.truth[(LENS, "IMG_0")],
            sd=np.array([3.0, 3.0, 3.0, 0.002, 0.001]),
        )
    )
    cameras = {**scene.network.cameras, "near": scene.network.cameras["IMG_0"]}
    network = Network(observations=scene.network.observations + extra, cameras=cameras)
    places = {
        **start,
        (CAMERA, "near"): near,
        (LENS, "near"): start[(LENS, "IMG_0")],
        (POINT, "Q"): spot[0],
    }
    solution = solve(network, places)
    keys = [(POINT, "Q"), (POINT, "P0")]
    distance = solution.derive(lambda s: np.array([np.linalg.norm(s[keys[0]] - s[keys[1]])]), keys)
    assert distance.estimable[0]
    assert 0.2 < distance.sd[0] < 20.0
    assert_the_eave_is_as_good_as_ever(visit, solution)
