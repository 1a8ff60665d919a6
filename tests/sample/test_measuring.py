"""The sample visit, measured: its figures against truth.json."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from survey.figures import Figure
from survey.measure import measure
from survey.planefile import read_measured
from survey.visit import open_visit
from tests.sample.made import PORCH, true_figures

INCH = 0.0254


@cache
def measured():
    return measure(open_visit(PORCH)).document


def part(kind, name):
    return next(entry for entry in measured()[kind] if entry["name"] == name)


def figure(entry) -> Figure:
    value = read_measured(entry)
    assert isinstance(value, Figure), value
    return value


def pairs():
    """Every figure that truth.json knows, with the true value."""
    truth = true_figures()
    for name, edge in truth["edges"].items():
        yield f"length of {name}", figure(part("edges", name)["length"]), edge["length"]
    for name, plane in truth["planes"].items():
        found = part("planes", name)
        yield f"area of {name}", figure(found["area"]), plane["true_area"]
        if "pitch_rise_in_12" in plane:
            yield f"plan area of {name}", figure(found["plan_area"]), plane["plan_area"]
            yield f"pitch of {name}", figure(found["pitch"]), plane["pitch_rise_in_12"] / 12


def test_nine_in_ten_figures_lie_within_their_own_interval():
    found = [(name, abs(got.value - true) <= got.half_width) for name, got, true in pairs()]
    outside = [name for name, inside in found if not inside]
    assert len(found) >= 18
    assert len(outside) <= 0.1 * len(found), outside


EAVES_AND_RAKES = [
    "porch eave", "porch left rake", "porch right rake",
    "steep eave", "steep left rake", "steep right rake",
]  # fmt: skip


@pytest.mark.parametrize("name", EAVES_AND_RAKES)
def test_an_eave_or_rake_is_right_to_half_a_percent(name):
    true = true_figures()["edges"][name]["length"]
    assert figure(part("edges", name)["length"]).value == pytest.approx(true, rel=0.005)


@pytest.mark.parametrize("name", ["porch", "steep roof"])
def test_a_pitch_is_right_to_an_eighth_in_twelve(name):
    true = true_figures()["planes"][name]["pitch_rise_in_12"]
    assert 12 * figure(part("planes", name)["pitch"]).value == pytest.approx(true, abs=1 / 8)


def test_the_low_spot_is_found_where_it_is_and_no_other_is_shown():
    spots = part("planes", "porch")["drainage"]["low_spots"]
    sure = [spot for spot in spots if spot["likelihood"] in ("shown", "likely")]
    assert len(sure) == 1
    true = true_figures()["low_spots"][0]
    at = np.array(sure[0]["deepest"])[:2]
    assert np.linalg.norm(at - list(true["deepest_at"].values())) < 0.45  # m; rod every 0.61 m
    depth = figure(sure[0]["depth"])
    assert abs(depth.value - true["depth"]) <= max(depth.half_width, INCH / 16)
    area = figure(sure[0]["area"])
    assert abs(area.value - true["area"]) <= max(area.half_width, 0.15 * true["area"])


def test_the_strip_under_a_quarter_in_twelve_is_flagged():
    field = part("planes", "porch")["drainage"]["slope_field"]
    assert field["minimum"] == pytest.approx(1 / 48)
    share = figure(field["share_under"])
    surface = true_figures()["porch_surface"]
    true = surface["share_under_1_4_in_12"]
    assert abs(share.value - true) <= max(share.half_width, 0.05)
    ups = np.concatenate([np.array(strip)[:, 1] for strip in field["strips"]])
    low, high = surface["strip_up"]
    assert ups.min() < (low + high) / 2 < ups.max()


def test_every_photo_is_used_and_nothing_is_called_a_gross_error():
    document = measured()
    assert [p["name"] for p in document["photos"] if not p["used"]] == []
    codes = [finding["code"] for finding in document["findings"]]
    assert not [code for code in codes if code.startswith("gross-error")]


def test_what_was_unknown_is_asked_for():
    words = " ".join(finding["what"] for finding in measured()["findings"])
    assert "coverings" in words or "condition" in words
