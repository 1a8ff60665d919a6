"""Lengths as people write them: every form read exactly, every doubt refused with its reason."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from survey.errors import InputError
from survey.units import (
    FOOT,
    INCH,
    SQUARE,
    format_feet_inches,
    format_length,
    parse_exact_length,
    parse_length,
)

STEADY = settings(deadline=None, derandomize=True)  # the same cases every time


EXACT_INCH = Fraction(254, 10_000)
TWELVE_SIX_AND_A_HALF = Fraction(301, 2) * EXACT_INCH


def test_foot_inch_and_square_are_the_defined_ones() -> None:
    """1 in = 25.4 mm exactly (international yard and pound agreement, 1959); a square is 100 sq ft,
    9.290 m2 (roofing glossary)."""
    assert INCH == 0.0254
    assert FOOT == 0.3048
    assert pytest.approx(9.290, abs=0.0005) == SQUARE


@pytest.mark.parametrize(
    "text",
    [
        """12' 6-1/2\"""",
        """12' 6 1/2\"""",
        """12'-6 1/2\"""",
        """12'-6-1/2\"""",
        """12'6-1/2\"""",
        "12' 6-1/2",
        "12-6 1/2",
        "12-6-1/2",
        '12-6 1/2"',
        "12 ft 6 1/2 in",
        "12 ft. 6-1/2 in.",
        "12ft 6.5in",
        "12ft6.5in",
        "12 feet 6 1/2 inches",
        "12 Foot 6 ½ Inches",
        "12′ 6½″",
        "12’ 6-1/2”",
        "12' 6½''",
        "12 ft 6 1⁄2 in",
        "150.5 in",
        "150 1/2 in",
        "150-1/2 inches",
        "12 ft 6 1/2 in",
        "  12' 6-1/2\"  ",
    ],
)
def test_every_spelling_of_twelve_six_and_a_half_is_the_same_length(text: str) -> None:
    assert parse_exact_length(text) == TWELVE_SIX_AND_A_HALF


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("3.82 m", Fraction(382, 100)),
        ("3.82m", Fraction(382, 100)),
        ("3820 mm", Fraction(382, 100)),
        ("382 cm", Fraction(382, 100)),
        ("3.82 metres", Fraction(382, 100)),
        ("12.54 ft", Fraction(1254, 100) * 12 * EXACT_INCH),
        ("12'", 144 * EXACT_INCH),
        ("12 1/2 ft", 150 * EXACT_INCH),
        ("0' 3/8\"", Fraction(3, 8) * EXACT_INCH),
        ("1/4 in", Fraction(1, 4) * EXACT_INCH),
        ("5/4 in", Fraction(5, 4) * EXACT_INCH),
        (".5 in", Fraction(1, 2) * EXACT_INCH),
        ("1/3 ft", 4 * EXACT_INCH),
        ("-1/4 in", -Fraction(1, 4) * EXACT_INCH),
        ("−1/4 in", -Fraction(1, 4) * EXACT_INCH),
        ("+1.5 m", Fraction(3, 2)),
        ("0", Fraction(0)),
        ("0.0", Fraction(0)),
        ('12-6"', 150 * EXACT_INCH),
        ('6-1/2"', Fraction(13, 2) * EXACT_INCH),
    ],
)
def test_length_is_read_exactly(text: str, metres: Fraction) -> None:
    assert parse_exact_length(text) == metres
    assert parse_length(text) == float(metres)


def test_declared_unit_counts_only_for_a_number_without_one() -> None:
    assert parse_exact_length("21 3/8", unit="in") == Fraction(171, 8) * EXACT_INCH
    assert parse_exact_length("4.35", unit="ft") == Fraction(435, 100) * 12 * EXACT_INCH
    assert parse_exact_length("5 mm", unit="in") == Fraction(5, 1000)
    with pytest.raises(InputError, match="feet and inches or a range"):
        parse_exact_length("12-6", unit="in")


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("12.5", "bears no unit"),
        ("12", "bears no unit"),
        ("6 1/2", "bears no unit"),
        ("6-1/2", "bears no unit"),
        ("12-6", "feet and inches or a range"),
        ("12-6.5", "feet and inches or a range"),
        ("12 6 1/2", "form is not known"),
        ("1,250 mm", "comma"),
        ("3,82 m", "comma"),
        ("12' 14\"", "under 12"),
        ("12.5' 6\"", "must be whole"),
        ("12 1/2' 6\"", "must be whole"),
        ("12' 6-5/4\"", "not under one"),
        ("12' 6-1/0\"", "divides by zero"),
        ("5 yd", "no unit of length"),
        ("5 km", "no unit of length"),
        ("5 furlongs", "no unit of length"),
        ("12. ft", "form is not known"),
        ("3 m 82 cm", "form is not known"),
        ("12' - ", "form is not known"),
        ("about 12 ft", "form is not known"),
        ("12 ft or so", "form is not known"),
        ("12 ft - 13 ft", "form is not known"),
        ("1e3 mm", "exponent"),
        ("1_2 ft", "underscore"),
        ("１２ ft", "digits other than 0-9"),
        ("١٢ ft", "digits other than 0-9"),
        ("nan", "no length"),
        ("NaN m", "no length"),
        ("inf", "no length"),
        ("-Infinity ft", "no length"),
        ("", "missing"),
        ("   ", "missing"),
        ("9" * 100 + " ft", "too long"),
        ("9999999999 ft", "form is not known"),
        ("--5 ft", "form is not known"),
        ("1/2/3 in", "form is not known"),
        ("6\x00 in", "form is not known"),
        ("=6 in", "form is not known"),
    ],
)
def test_doubtful_text_is_refused_with_the_reason(text: str, reason: str) -> None:
    with pytest.raises(InputError, match=reason) as caught:
        parse_length(text, where="readings.csv line 7")
    assert caught.value.where == "readings.csv line 7"
    assert caught.value.cure


def test_fraction_signs_on_two_figures_are_not_glued_together() -> None:
    """6½ is six and a half, not 61/2."""
    assert parse_exact_length('6½"') == Fraction(13, 2) * EXACT_INCH
    assert parse_exact_length('½"') == Fraction(1, 2) * EXACT_INCH


@STEADY
@given(sixteenths=st.integers(-200_000, 200_000))
def test_feet_inches_read_back_exactly(sixteenths: int) -> None:
    metres = Fraction(sixteenths, 16) * EXACT_INCH
    assert parse_exact_length(format_feet_inches(float(metres))) == metres


@STEADY
@given(millimetres=st.integers(-100_000, 100_000))
def test_metric_lengths_read_back_exactly(millimetres: int) -> None:
    text = format_length(millimetres / 1000, "metric")
    assert parse_exact_length(text) == Fraction(millimetres, 1000)


@STEADY
@given(st.text(max_size=80))
def test_any_text_is_a_length_or_an_input_error(text: str) -> None:
    try:
        metres = parse_exact_length(text)
    except InputError as error:
        assert str(error)
    else:
        assert abs(metres) < 10**9


@STEADY
@given(st.text(alphabet="0123456789 '\"-/.,ftinmcEe½⅛°:%_", max_size=24))
def test_text_of_the_right_letters_is_a_length_or_an_input_error(text: str) -> None:
    try:
        parse_exact_length(text)
    except InputError as error:
        assert error.cure
