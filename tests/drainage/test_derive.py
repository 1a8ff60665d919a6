"""Drainage of whole planes."""

from __future__ import annotations

import numpy as np

from survey.drainage import derive_drainage
from survey.figures import NotObserved
from survey.visit.model import EdgeKind
from tests.drainage.roofs import (
    FOOT,
    INCH,
    dished,
    grid_places,
    plane_set,
    read_roof,
    shed_roof,
    visit,
)


def drained(surface, *, seed=5, sd=INCH / 32, spacing=2 * FOOT, edges=None, **options):
    plane, measured = shed_roof(edges=edges)
    readings, covariance = read_roof(
        surface, grid_places(spacing=spacing), sd, np.random.default_rng(seed)
    )
    planes = plane_set(plane, measured, readings, covariance)
    return derive_drainage(planes, visit(), surfaces=100, **options)[0]


def test_a_deep_dish_is_found_and_a_shallow_one_is_no_pond():
    """On 1/4 in per ft a 6 ft dish holds water only when deeper than s D / 4 = 3/8 in."""
    deep = (7 * FOOT, 12 * FOOT, 3 * FOOT, 1 * INCH)
    shallow = (13 * FOOT, 28 * FOOT, 3 * FOOT, 0.3 * INCH)
    spots = [s for s in drained(dished(dishes=(deep, shallow))).low_spots if s.probability >= 0.25]
    assert len(spots) == 1
    assert np.hypot(*(spots[0].deepest - [7 * FOOT, 11.5 * FOOT])) < 1.5 * FOOT


def test_a_bare_plane_has_no_low_spot_and_the_right_share_under_minimum():
    dry = drained(dished(fall=1 / 48), minimum_slopes={"porch": 1 / 96})
    assert [s for s in dry.low_spots if s.probability >= 0.25] == []
    assert dry.slope_field.share_under.value < 0.01
    assert dry.leaves_by == ("edge AB",)


def test_gravity_not_observed_is_not_judged():
    plane, measured = shed_roof()
    (result,) = derive_drainage(plane_set(plane, measured, gravity=False), visit())
    assert "gravity" in result.not_judged
    assert isinstance(result.smallest_findable, NotObserved)


def test_corners_alone_judge_slope_and_never_say_no_ponding():
    plane, measured = shed_roof()
    (result,) = derive_drainage(
        plane_set(plane, measured), visit(), minimum_slopes={"porch": 1 / 24}
    )
    assert result.slope_field.share_under.value > 0.99
    assert result.low_spots == ()
    assert any("not shown by these readings" in note for note in result.notes)


def test_an_unknown_low_edge_neither_leaks_nor_traps_silently():
    edges = {
        "AB": dict(kind=EdgeKind.UNKNOWN),
        "BC": dict(kind=EdgeKind.SIDEWALL),
        "CD": dict(kind=EdgeKind.RIDGE),
        "DA": dict(kind=EdgeKind.SIDEWALL),
    }
    result = drained(dished(), edges=edges)
    assert "edge-drainage-unknown" in [f.code for f in result.findings]
    assert any(spot.only_if for spot in result.low_spots)
    assert not any(s.probability >= 0.25 for s in result.low_spots if not s.only_if)


def test_the_same_seed_gives_the_same_result():
    dish = dished(dishes=((7 * FOOT, 12 * FOOT, 3 * FOOT, 1 * INCH),))
    first, second = drained(dish), drained(dish)
    assert [s.probability for s in first.low_spots] == [s.probability for s in second.low_spots]
    assert [s.volume for s in first.low_spots] == [s.volume for s in second.low_spots]


def test_readings_along_one_line_lean_on_the_adjusted_plane():
    plane, measured = shed_roof()
    line = np.column_stack([np.full(9, 10 * FOOT), np.linspace(1, 39, 9) * FOOT])
    readings, covariance = read_roof(dished(), line, INCH / 16, np.random.default_rng(2))
    (result,) = derive_drainage(
        plane_set(plane, measured, readings, covariance),
        visit(),
        surfaces=60,
        minimum_slopes={"porch": 1 / 96},
    )
    assert result.not_judged == ""
    assert result.slope_field.share_under.value < 0.1
    assert isinstance(result.smallest_findable, NotObserved)


def test_two_thousand_readings_are_averaged_and_still_show_the_dish():
    deep = (7 * FOOT, 12 * FOOT, 3 * FOOT, 1 * INCH)
    result = drained(dished(dishes=(deep,)), spacing=0.64 * FOOT, sd=INCH / 8)
    assert result.reading_count > 2000
    (spot,) = [s for s in result.low_spots if s.probability >= 0.5]
    assert abs(spot.depth.value / INCH - 0.391) < 0.06


def test_a_walled_roof_without_outlet_says_so_and_gives_no_depth():
    walls = {ends: dict(kind=EdgeKind.HEADWALL) for ends in ("AB", "BC", "CD", "DA")}
    result = drained(dished(), spacing=4 * FOOT, edges=walls)
    assert [f.code for f in result.findings] == ["no-way-out"]
    assert result.low_spots == ()
    assert result.leaves_by == ()


def test_a_coarse_grid_states_what_it_could_have_seen_and_never_that_there_is_none():
    for spacing in (2, 4, 8):
        result = drained(dished(), spacing=spacing * FOOT, sd=INCH / 16)
        note = result.notes[0]
        assert note.startswith("no low spot is shown by these readings: ")
        assert "no ponding" not in " ".join(result.notes)
        if spacing == 8:
            assert isinstance(result.smallest_findable, NotObserved)
        else:
            assert 1.5 * FOOT <= result.smallest_findable.value <= 4.5 * FOOT


def test_low_spots_stand_on_the_readings_around_them():
    deep = (7 * FOOT, 12 * FOOT, 3 * FOOT, 1 * INCH)
    result = drained(dished(dishes=(deep,)))
    (spot,) = [s for s in result.low_spots if s.probability >= 0.5]
    places = dict(zip([f"G{i}" for i in range(500)], result.readings, strict=False))
    away = [np.linalg.norm(places[name] - spot.deepest) for name in spot.observed_by]
    assert 4 <= len(away) < 60
    assert max(away) < 7 * FOOT
    assert away[0] < 1.6 * FOOT
