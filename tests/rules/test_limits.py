"""Published limits: exact values, where they stand, and how far each was checked."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from survey.rules.limits import limit, limits, minimum_for, parse_limit_value
from survey.visit.model import COVERING_FAMILIES

# Rise, run of the least slope: dwelling (IRC), other (IBC). 2018 values as reported in "Roof slope
# guidelines", Professional Roofing, August 2018 (steep coverings, metal, modified bitumen), and
# Minnesota Rules 1305.1507 (low-slope coverings).
MINIMUMS = {
    "asphalt-shingles": ((2, 12), (2, 12)),
    "clay-or-concrete-tile": ((5, 24), (5, 24)),
    "metal-shingles": ((3, 12), (3, 12)),
    "mineral-surfaced-roll": ((1, 12), (1, 12)),
    "slate": ((4, 12), (4, 12)),
    "wood-shingles": ((3, 12), (3, 12)),
    "wood-shakes": ((3, 12), (4, 12)),  # the codes differ
    "metal-panels-lapped": ((3, 12), (3, 12)),
    "metal-panels-lapped-with-sealant": ((1, 24), (1, 24)),
    "standing-seam": ((1, 48), (1, 48)),  # not 1:12, as one summary of the 2024 code has it
    "built-up": ((1, 48), (1, 48)),
    "coal-tar-built-up": ((1, 96), (1, 96)),
    "modified-bitumen": ((1, 48), (1, 48)),
    "thermoset-single-ply": ((1, 48), (1, 48)),
    "thermoplastic-single-ply": ((1, 48), (1, 48)),
    "sprayed-foam": ((1, 48), (1, 48)),
    "liquid-applied": ((1, 48), (1, 48)),
    "photovoltaic-shingles": ((2, 12), (2, 12)),
}

# Percent and degrees as printed beside the IRC's ratios.
PRINTED = {
    "asphalt-shingles": (16.7, 9.46),
    "clay-or-concrete-tile": (20.8, 11.77),
    "metal-shingles": (25.0, 14.04),
    "mineral-surfaced-roll": (8.3, 4.76),
    "slate": (33.3, 18.43),
    "metal-panels-lapped-with-sealant": (4.17, 2.39),
    "standing-seam": (2.08, 1.19),
    "coal-tar-built-up": (1.04, 0.60),
}


def test_every_covering_family_has_a_minimum_by_both_codes():
    assert set(MINIMUMS) == set(COVERING_FAMILIES)
    for covering, (dwelling, other) in MINIMUMS.items():
        assert minimum_for(covering, "dwelling").amount == Fraction(*dwelling), covering
        assert minimum_for(covering, "other").amount == Fraction(*other), covering


def test_unknown_building_takes_the_steeper_of_the_two_codes():
    assert minimum_for("wood-shakes", "not told").amount == Fraction(4, 12)


@pytest.mark.parametrize("covering", PRINTED)
def test_ratios_agree_with_the_percent_and_degrees_printed_beside_them(covering):
    percent, degrees = PRINTED[covering]
    slope = float(minimum_for(covering, "dwelling").amount)
    assert abs(100 * slope - percent) <= (0.051 if percent > 5 else 0.0051)
    assert abs(math.degrees(math.atan(slope)) - degrees) <= 0.0051


def test_two_percent_is_a_label_for_a_quarter_in_twelve():
    """Minnesota Rules 1305.1507 prints "2 percent" and "1 percent"; the ratios are 1/48, 1/96."""
    for covering in ("built-up", "modified-bitumen", "liquid-applied"):
        row = minimum_for(covering, "other")
        assert row.label == "2 percent"
        assert row.amount == Fraction(1, 48) > Fraction(2, 100)
    row = minimum_for("coal-tar-built-up", "other")
    assert row.label == "1 percent"
    assert row.amount == Fraction(1, 96) > Fraction(1, 100)


def test_positive_drainage_is_48_hours_not_24():
    assert limit("positive-drainage-time").amount == 48
    assert "24 hours" in limit("positive-drainage-time").not_read


def test_lengths_are_exact_inches():
    assert limit("irc-saddle-width").amount == Fraction(762, 1000)  # printed 762 mm
    assert limit("irc-overflow-inlet-height").amount == Fraction(508, 10000)  # printed 51 mm
    assert round(float(limit("irc-overflow-scupper-height").amount), 3) == 0.102  # printed 102 mm
    assert round(float(limit("osha-monitor-width").amount), 2) == 15.24  # printed 15.25 m
    assert round(float(limit("osha-fall-height").amount), 1) == 1.8  # printed 1.8 m


def test_an_inch_of_water_weighs_5_2_psf():
    """ASCE 7 Eq. 8.3-1: R = 5.2 (ds + dh); SI form 0.0098 kPa a millimetre."""
    load = float(limit("ponded-water-weight").amount)  # Pa a metre of depth
    psf = 4.4482216152605 / 0.3048**2
    for inches, printed in ((2, 10.4), (4.5, 23.4), (12, 62.4)):
        assert abs(load * inches * 0.0254 / psf - printed) < 0.05
    assert abs(load / 1e6 - 0.0098) < 0.00005


def test_falls_outside_the_us_have_their_published_degrees():
    """BS 6229 1:40 is 1.43 degrees and 1:80 0.716; DIN 2 % is 1.146 degrees, not 2.9 %."""
    for id, degrees, half in (
        ("uk-design-fall", 1.43, 0.005),
        ("uk-finished-fall", 0.716, 0.0005),
        ("de-main-fall", 1.146, 0.0005),
        ("de-puddles", 2.86, 0.005),
        ("uk-tapered-insulation", 0.955, 0.0005),
    ):
        assert abs(math.degrees(math.atan(float(limit(id).amount))) - degrees) <= half, id


def test_low_slope_has_three_limits_and_each_says_whose():
    assert limit("osha-low-slope").amount == Fraction(4, 12)
    assert limit("trade-low-slope").amount == Fraction(3, 12)
    assert limit("ibc-low-slope").amount == Fraction(2, 12)
    assert limit("osha-low-slope").bound == "at most"
    assert limit("ibc-low-slope").bound == "under"


@pytest.mark.parametrize("row", limits().values(), ids=lambda row: row.id)
def test_every_limit_says_where_it_was_read_and_what_was_not(row):
    assert row.sources or row.confirmed == "common practice"
    assert row.confirmed == "clause" or row.not_read, "say what was not read"
    assert row.says.endswith(".")
    assert row.code and row.edition and row.clause
    assert (row.value is None) == (row.bound == "") == (row.unit == "")
    assert not row.relief or row.relief in limits()
    assert not row.covering or row.covering in COVERING_FAMILIES


@pytest.mark.parametrize(
    ("written", "value", "unit"),
    [
        ("2.5:12", Fraction(5, 24), "m/m"),
        ("1/4:12", Fraction(1, 48), "m/m"),
        ("1:40", Fraction(1, 40), "m/m"),
        ("2 %", Fraction(1, 50), "m/m"),
        ("30 in", Fraction(762, 1000), "m"),
        ("48 h", Fraction(48), "h"),
        ("10 deg", Fraction(10), "deg"),
        ("3", Fraction(3), "1"),
    ],
)
def test_limit_values_are_read_exactly(written, value, unit):
    assert parse_limit_value(written) == (value, unit)


@pytest.mark.parametrize("written", ["2 in 12", "30 furlongs", "", "-1:12", "1:12:3"])
def test_limit_values_in_other_forms_are_refused(written):
    with pytest.raises(ValueError, match="in no form"):
        parse_limit_value(written)
