"""Worked levelling pages from published texts, compared to half of the last printed digit."""

from __future__ import annotations

import pytest

from survey.errors import InputError
from survey.levelling import (
    Station,
    allowable_misclosure,
    compare_two_pegs,
    derive_misclosure,
    distribute_misclosure,
    reduce_page,
)
from survey.units import FOOT

HALF_CENTIFOOT = 0.005 + 1e-9


def _feet(*rows: tuple[str, float | None, float | None]) -> list[Station]:
    return [
        Station(
            point,
            None if backsight is None else backsight * FOOT,
            None if foresight is None else foresight * FOOT,
        )
        for point, backsight, foresight in rows
    ]


def test_single_set_up_gives_the_printed_height_and_elevation() -> None:
    """Benchmark 820.00 ft, BS 8.42, HI 828.42, FS 1.20 on X. Source: "Differential Leveling",
    lecture notes (readings and HI printed; X recomputed, 827.22)."""
    page = reduce_page(_feet(("BM", 8.42, None), ("X", None, 1.20)), 820.00 * FOOT)
    assert page.instrument_heights[0] / FOOT == pytest.approx(828.42, abs=HALF_CENTIFOOT)
    assert page.elevations[1] / FOOT == pytest.approx(827.22, abs=HALF_CENTIFOOT)


# Source: solved exercise "Field notes for a differential leveling section" (readings, heights of
# instrument, elevations, sums and misclosure printed; the adjusted elevations recomputed).
SECTION = _feet(
    ("BM A", 3.10, None),
    ("TP1", 6.44, 9.82),
    ("TP2", 8.76, 6.96),
    ("TP3", 7.12, 3.27),
    ("BM B", None, 10.42),
)


def test_full_page_gives_every_printed_figure() -> None:
    page = reduce_page(SECTION, 100.00 * FOOT)
    for height, printed in zip(
        page.instrument_heights, (103.10, 99.72, 101.52, 105.37), strict=True
    ):
        assert height / FOOT == pytest.approx(printed, abs=HALF_CENTIFOOT)
    for elevation, printed in zip(
        page.elevations, (100.00, 93.28, 92.76, 98.25, 94.95), strict=True
    ):
        assert elevation / FOOT == pytest.approx(printed, abs=HALF_CENTIFOOT)
    assert page.backsight_sum / FOOT == pytest.approx(25.42, abs=HALF_CENTIFOOT)
    assert page.foresight_sum / FOOT == pytest.approx(30.47, abs=HALF_CENTIFOOT)


def test_page_check_is_zero_but_for_rounding() -> None:
    page = reduce_page(SECTION, 100.00 * FOOT)
    assert abs(page.page_check) < 1e-12


def test_misclosure_is_shared_equally_among_the_four_set_ups() -> None:
    page = reduce_page(SECTION, 100.00 * FOOT)
    misclosure = derive_misclosure(page, 94.91 * FOOT)
    assert misclosure / FOOT == pytest.approx(0.04, abs=HALF_CENTIFOOT)
    adjusted = distribute_misclosure(page, misclosure)
    for elevation, printed in zip(adjusted, (100.00, 93.27, 92.74, 98.22, 94.91), strict=True):
        assert elevation / FOOT == pytest.approx(printed, abs=HALF_CENTIFOOT)


def test_allowable_misclosure_grows_with_the_root_of_the_set_ups() -> None:
    """Two sights of sd s a set-up: four set-ups leave sqrt(8) s, times three."""
    assert allowable_misclosure(4, 0.001) == pytest.approx(3 * 0.001 * 8**0.5, rel=1e-12)
    assert allowable_misclosure(1, 0.001, factor=1.0) == pytest.approx(0.0014142136, rel=1e-6)


def test_two_pegs_show_a_line_of_sight_that_points_down() -> None:
    """Pegs 50 m apart, second set-up 5 m beyond B. Source: text-book problem in two copies
    (readings, -0.6 mm/m and 1.645 printed; B and the check recomputed)."""
    found = compare_two_pegs((1.283, 0.860), (1.612, 1.219), (55.0, 5.0))
    assert found.slope == pytest.approx(-0.0006, abs=0.5e-6)
    at_a, at_b = found.correct(1.612, 55.0), found.correct(1.219, 5.0)
    assert at_a == pytest.approx(1.645, abs=0.0005)
    assert at_b == pytest.approx(1.222, abs=0.0005)
    assert at_a - at_b == pytest.approx(0.423, abs=0.0005)


def test_two_pegs_with_the_second_set_up_on_the_line() -> None:
    """C, D 100 m apart, F 120 m and 20 m off. Source: solved-problem video description (readings
    printed; -2.5 mm/m, 1.800 and 2.800 recomputed)."""
    found = compare_two_pegs((2.0, 3.0), (1.50, 2.75), (120.0, 20.0))
    assert found.slope == pytest.approx(-0.0025, abs=0.5e-6)
    assert found.correct(1.50, 120.0) == pytest.approx(1.800, abs=0.0005)
    assert found.correct(2.75, 20.0) == pytest.approx(2.800, abs=0.0005)


def test_equal_distances_show_nothing_and_are_refused() -> None:
    with pytest.raises(InputError, match="equally far"):
        compare_two_pegs((1.0, 2.0), (1.1, 2.1), (30.0, 30.0))


@pytest.mark.parametrize(
    ("stations", "words"),
    [
        ([Station("A", 1.0)], "two stations"),
        ([Station("A"), Station("B", None, 1.0)], "no backsight on A"),
        ([Station("A", 1.0), Station("B")], "no foresight on B"),
        ([Station("A", 1.0, 2.0), Station("B", None, 1.0)], "begins with a backsight alone"),
        ([Station("A", 1.0), Station("B", 2.0, 1.0)], "ends with a foresight alone"),
    ],
)
def test_incomplete_page_is_refused_with_the_missing_sight(
    stations: list[Station], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        reduce_page(stations, 0.0)
