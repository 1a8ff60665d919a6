"""Rounding on the way out: once, to a digit the half-width deserves, and never flattering."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from survey.figures import Figure, NotObserved
from survey.units import (
    FOOT,
    INCH,
    SQUARE,
    format_angle,
    format_area,
    format_feet_inches,
    format_length,
    format_measured,
    format_pitch,
    format_pressure,
    format_temperature,
    format_volume,
    format_weight,
    parse_length,
)

STEADY = settings(deadline=None, derandomize=True)  # the same cases every time


@pytest.mark.parametrize(
    ("inches", "text"),
    [
        (294.125, "24' 6-1/8\""),
        (12.0, "1' 0\""),
        (144.25, "12' 0-1/4\""),
        (11.999, "1' 0\""),
        (6.5, '6-1/2"'),
        (0.25, '1/4"'),
        (0.0, '0"'),
        (-0.25, '-1/4"'),
        (-0.001, '0"'),
        (-13.5, "-1' 1-1/2\""),
        (287.99, "24' 0\""),
    ],
)
def test_feet_inches_carry_over_and_leave_empty_feet_out(inches: float, text: str) -> None:
    assert format_feet_inches(inches * INCH) == text


@pytest.mark.parametrize(
    ("half_width_in", "text"),
    [
        (0.07, "24' 6-5/32\""),
        (0.13, "24' 6-3/16\""),
        (0.3, "24' 6-1/8\""),
        (0.6, "24' 6-1/4\""),
        (1.1, "24' 6\""),
        (5.0, "24' 6\""),
    ],
)
def test_length_is_rounded_to_the_tape_mark_that_its_half_width_deserves(
    half_width_in: float, text: str
) -> None:
    """294.16 in; the step is the largest mark of at most half of the half-width."""
    assert format_length(294.16 * INCH, half_width=half_width_in * INCH) == text


def test_measured_length_shows_its_half_width_in_both_systems() -> None:
    length = Figure(7.4713, 0.0036, "m")
    assert format_measured(length) == '24\' 6-1/8" ± 5/16"'
    assert format_measured(length, "metric") == "7.471 m ± 0.008 m"


def test_short_metric_lengths_are_in_millimetres() -> None:
    assert format_length(0.0113, "metric", half_width=0.0024, with_half_width=True) == (
        "11.3 mm ± 2.4 mm"
    )
    assert format_length(0.0190, "metric") == "19 mm"
    assert format_length(-0.0032, "metric", half_width=0.005) == "-3 mm"
    assert format_length(0.1, "metric") == "0.100 m"
    assert format_length(0.09, "metric", half_width=0.02, in_mm=False) == "0.090 m"


def test_not_observed_says_why_and_what_to_do() -> None:
    gap = NotObserved("nothing level on 'porch'", "take one slope reading on 'porch'")
    assert (
        format_measured(gap)
        == "not observed: nothing level on 'porch'; take one slope reading on 'porch'"
    )
    assert format_measured(NotObserved("no photo", "")) == "not observed: no photo"


@pytest.mark.parametrize(
    ("figure", "us", "metric"),
    [
        (Figure(29.02, 0.2, "m2"), "312 sq ft ± 5 sq ft", "29.02 m2 ± 0.40 m2"),
        (Figure(0.0225, 0.0015, "m/m"), "0.270:12 ± 0.036", "2.25 % ± 0.30 %"),
        (Figure(0.02, 0.001, "m3"), "0.71 cu ft ± 0.07 cu ft", "20.0 L ± 2.0 L"),
        (Figure(20.0, 1.0, "kg"), "44 lb ± 5 lb", "20.0 kg ± 2.0 kg"),
        (Figure(248.9, 10.0, "Pa"), "5.2 psf ± 0.5 psf", "0.249 kPa ± 0.020 kPa"),
        (Figure(math.radians(1.3), math.radians(0.05), "rad"), "1.30° ± 0.10°", "1.30° ± 0.10°"),
        (Figure(1.2, 0.1, "px"), "1.20 px ± 0.20 px", "1.20 px ± 0.20 px"),
        (Figure(0.25, 0.03, "1"), "0.25 ± 0.06", "0.25 ± 0.06"),
    ],
)
def test_measured_figures_of_every_unit(figure: Figure, us: str, metric: str) -> None:
    assert format_measured(figure, "us") == us
    assert format_measured(figure, "metric") == metric


def test_pitch_styles() -> None:
    assert format_pitch(0.0625) == "3/4:12"
    assert format_pitch(1 / 48) == "1/4:12"
    assert format_pitch(0.25) == "3:12"
    assert format_pitch(0.0623) == "0.748:12"
    assert format_pitch(0.0625, "percent") == "6.25 %"
    assert format_pitch(0.0625, "degrees") == "3.58°"
    assert format_pitch(-1 / 48) == "-1/4:12"
    measured = Figure(0.0625, 0.001, "m/m")
    assert format_measured(measured, pitch_as="percent") == "6.25 % ± 0.20 %"
    assert format_measured(measured, pitch_as="degrees") == "3.58° ± 0.12°"


def test_areas_in_square_feet_squares_and_square_metres() -> None:
    """20 ft x 40 ft at 7:12 is 926.2 sq ft (recomputed from a roof-pitch-multiplier page)."""
    area = 800 * math.sqrt(1 + (7 / 12) ** 2) * FOOT**2
    assert format_area(area) == "926.2 sq ft"
    assert format_area(area, half_width=0.01 * SQUARE, squares=True) == "9.26 squares"
    assert format_area(area, "metric") == "86.0 m2"


def test_water_weighs_5_2_pounds_a_square_foot_an_inch() -> None:
    """62.4 lb/cu ft / 12 = 5.2 psf per inch (ASCE 7 eq. 8.3-1 as reported in structural-loads
    texts); 2 in 10.4, 4.5 in 23.4, 12 in 62.4 psf."""
    for inches, psf in ((2.0, "10.4"), (4.5, "23.4"), (12.0, "62.4")):
        pascals = 62.4 * inches / 12 * 47.88025898
        assert format_pressure(pascals, half_width=20.0) == f"{psf} psf"
    assert format_weight(0.45359237 * 62.4) == "62.4 lb"
    assert format_volume(FOOT**3) == "1.0 cu ft"


def test_angle_and_temperature() -> None:
    assert format_angle(math.radians(3.579)) == "3.58°"
    assert format_temperature(293.15) == "68 °F"
    assert format_temperature(293.15, "metric") == "20 °C"
    assert format_temperature(255.37) == "0 °F"


@STEADY
@given(
    inches=st.floats(-5000, 5000),
    half_width_in=st.floats(0.03, 24),
)
def test_rounding_moves_a_length_by_a_quarter_of_its_half_width_at_most(
    inches: float, half_width_in: float
) -> None:
    """Finer than 1/32 in no rod shows, so half of that is the least it may move."""
    text = format_length(inches * INCH, half_width=half_width_in * INCH)
    moved = abs(parse_length(text) / INCH - inches)
    assert moved <= max(half_width_in / 4, 1 / 64) * (1 + 1e-9) + 1e-9


@STEADY
@given(value=st.floats(-1e5, 1e5), half_width=st.floats(1e-4, 1e3))
def test_decimal_rounding_moves_a_figure_by_a_quarter_of_its_half_width_at_most(
    value: float, half_width: float
) -> None:
    text = format_angle(math.radians(value), half_width=math.radians(half_width))
    assert abs(float(text.rstrip("°")) - value) <= max(half_width / 4, 5e-7) * (1 + 1e-6) + 1e-9


@STEADY
@given(value=st.floats(0.1, 1e4), sd=st.floats(1e-4, 1e2))
def test_written_half_width_never_flatters(value: float, sd: float) -> None:
    figure = Figure(value, sd, "px")
    written = float(re.search(r"± ([0-9.]+)", format_measured(figure))[1])  # type: ignore[index]
    assert figure.half_width * (1 - 1e-9) <= written <= figure.half_width * 1.25 + 1e-6


@STEADY
@given(inches=st.floats(0.05, 40))
def test_written_half_width_of_a_length_never_flatters(inches: float) -> None:
    figure = Figure(10.0, inches * INCH / 1.96, "m")
    written = re.search(r'± (.+)"', format_measured(figure))[1]  # type: ignore[index]
    assert Fraction(parse_length(written + " in") / INCH) >= figure.half_width / INCH - 1e-9


@STEADY
@given(value=st.floats(-1e6, 1e6))
def test_nothing_is_written_with_an_exponent_or_a_negative_zero(value: float) -> None:
    for text in (format_length(value, "metric"), format_area(value), format_pitch(value / 1e6)):
        assert "e" not in text.replace("sq ft", "").lower()
        assert not re.match(r"-0(\.0*)?[^.0-9/]", text)
