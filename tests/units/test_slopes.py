"""Slopes, angles and temperatures as people write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from survey.errors import InputError
from survey.units import format_pitch, parse_angle, parse_slope, parse_temperature

STEADY = settings(deadline=None, derandomize=True)  # the same cases every time


@pytest.mark.parametrize(
    "text",
    [
        "1/4:12",
        "0.25:12",
        "¼:12",
        "1/4 in 12",
        "1/4/12",
        "1/4-in-12",
        '1/4":12"',
        '1/4" in 12"',
        "1/4 in per ft",
        "1/4 inch per foot",
        '1/4"/ft',
        '1/4" / ft',
        "1/4 in/ft",
        "1 in per 4 ft",
    ],
)
def test_every_spelling_of_a_quarter_in_twelve_is_the_same_slope(text: str) -> None:
    """1/4:12 is 2.083 %, not the rounded label "2 percent" that codes print beside it."""
    assert parse_slope(text) == 1 / 48


@pytest.mark.parametrize(
    ("text", "rise_over_run"),
    [
        ("6.25 %", 1 / 16),
        ("6.25%", 1 / 16),
        ("6.25 percent", 1 / 16),
        ("3/4:12", 1 / 16),
        ("1:40", 1 / 40),
        ("1 in 40", 1 / 40),
        ("1:80", 1 / 80),
        ("1:12", 1 / 12),
        ("3/12", 1 / 4),
        ("3 in 12", 1 / 4),
        ("2 1/2:12", 2.5 / 12),
        ("2-1/2:12", 2.5 / 12),
        ("12:12", 1.0),
        ("1:1", 1.0),
        ("20 mm/m", 0.02),
        ("20 mm per m", 0.02),
        ("2 cm/m", 0.02),
        ("-3/4:12", -1 / 16),
        ("0", 0.0),
        ("0:12", 0.0),
        ("45 deg", 1.0),
    ],
)
def test_slope_is_read(text: str, rise_over_run: float) -> None:
    assert parse_slope(text) == pytest.approx(rise_over_run, rel=1e-15, abs=1e-15)


@pytest.mark.parametrize(
    ("rise", "degrees", "percent"),
    [
        ("1/8", 0.597, 1.042), ("1/4", 1.193, 2.083), ("1/2", 2.386, 4.167), ("1", 4.764, 8.333),
        ("2", 9.462, 16.667), ("2.5", 11.768, 20.833), ("3", 14.036, 25.000), ("4", 18.435, 33.333),
        ("6", 26.565, 50.000), ("7", 30.256, 58.333), ("9", 36.870, 75.000),
        ("12", 45.000, 100.000),
        ("18", 56.310, 150.000), ("20", 59.036, 166.667),
    ],
)  # fmt: skip
def test_conversions_agree_with_the_rise_in_twelve_table(
    rise: str, degrees: float, percent: float
) -> None:
    """Handbook table of roof slopes, pitch = atan(rise / 12), percent = 100 rise / 12; 3:12 = 25 %
    is also printed in a roof-slope Q&A page."""
    assert math.degrees(parse_angle(f"{rise}:12")) == pytest.approx(degrees, abs=0.0005)
    assert 100 * parse_slope(f"{rise}:12") == pytest.approx(percent, abs=0.0005)
    assert 12 * parse_slope(f"{degrees} deg") == pytest.approx(
        parse_slope(f"{rise}:12") * 12, rel=1e-3
    )


@pytest.mark.parametrize(
    ("text", "degrees"), [("1:40", 1.432), ("1:80", 0.716), ("1:60", 0.955), ("2 %", 1.146)]
)
def test_falls_outside_the_us_have_their_published_angles(text: str, degrees: float) -> None:
    """1:40 = 1.43 deg and 1:80 = 0.716 deg (articles on BS 6229:2018), 1:60 = 0.955 deg (flat-roof
    falls page), 2 % = 1.146 deg (DIN 18531-1 as reported by a drainage handbook page)."""
    assert math.degrees(parse_angle(text)) == pytest.approx(degrees, abs=0.0005)


@pytest.mark.parametrize("text", ["3.6 deg", "3.6°", "3.6 degrees", "3.6deg"])
def test_degrees_are_read(text: str) -> None:
    assert parse_angle(text) == math.radians(3.6)


def test_declared_unit_counts_only_for_a_number_without_one() -> None:
    assert parse_angle("1.8", unit="deg") == math.radians(1.8)
    assert parse_slope("2.5", unit="%") == 0.025
    assert parse_slope("3/8", unit=":12") == 1 / 32
    assert parse_slope("1:40", unit="deg") == 1 / 40


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("3.6", "bears no unit"),
        ("3/4", "bears no unit"),
        ("4:1", "one meaning"),
        ("1:4", "one meaning"),
        ("2:40", "one meaning"),
        ("3:10", "one meaning"),
        ("1:0", "run is zero"),
        ("1/4 in", "without a run"),
        ("20 mm", "without a run"),
        ("1/4 per ft", "bears no unit"),
        ("1/4 in per 0 ft", "not over zero"),
        ("90 deg", "under 90"),
        ("120 deg", "under 90"),
        ("2,5 %", "comma"),
        ("steep", "form is not known"),
        ("nan", "no slope"),
        ("1e-1 %", "exponent"),
        ("1_0 %", "underscore"),
        ("３:12", "digits other than 0-9"),
        ("", "missing"),
        ("1/4:12:12", "form is not known"),
        ("3° 36'", "form is not known"),
    ],
)
def test_doubtful_slope_is_refused_with_the_reason(text: str, reason: str) -> None:
    with pytest.raises(InputError, match=reason) as caught:
        parse_slope(text, where="readings.csv line 7")
    assert caught.value.where == "readings.csv line 7"
    assert caught.value.cure
    with pytest.raises(InputError):
        parse_angle(text)


@STEADY
@given(sixteenths=st.integers(-384, 384))
def test_rise_in_twelve_reads_back_exactly(sixteenths: int) -> None:
    slope = sixteenths / 16 / 12
    assert parse_slope(format_pitch(slope)) == slope


@STEADY
@given(st.text(alphabet="0123456789 '\"-/.:%°degintpmrof½", max_size=24))
def test_text_of_the_right_letters_is_a_slope_or_an_input_error(text: str) -> None:
    try:
        slope = parse_slope(text)
    except InputError as error:
        assert error.cure
    else:
        assert math.isfinite(slope)


@pytest.mark.parametrize(
    ("text", "kelvin"),
    [
        ("68 F", 293.15), ("68°F", 293.15), ("68 deg F", 293.15), ("20 C", 293.15),
        ("20 °C", 293.15), ("-40 F", 233.15), ("-40 C", 233.15), ("293.15 K", 293.15),
        ("32 fahrenheit", 273.15), ("0 C", 273.15),
    ],
)  # fmt: skip
def test_temperature_is_read(text: str, kelvin: float) -> None:
    """-40 is the same on both scales; water freezes at 32 F = 0 C = 273.15 K."""
    assert parse_temperature(text) == pytest.approx(kelvin, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "reason"),
    [("68", "can't be read"), ("68 fish", "can't be read"), ("-300 C", "absolute zero"),
     ("warm", "can't be read"), ("nan C", "no temperature"), ("", "missing"), ("20,5 C", "comma")],
)  # fmt: skip
def test_doubtful_temperature_is_refused(text: str, reason: str) -> None:
    with pytest.raises(InputError, match=reason):
        parse_temperature(text)
