"""Data snooping by hand: a small network whose test quantities follow on paper."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.model import POINT
from survey.adjustment.solver import solve
from tests.published.levelling_networks import LevellingNetwork, build, elevation


def three_ways_up(gross: float) -> LevellingNetwork:
    """Three equal rises of 1 m from one benchmark to one point, one of them wrong."""
    rises = (("A", "P", 1.0), ("A", "P", 1.0), ("A", "P", 1.0 + gross))
    return LevellingNetwork("three ways up", "on paper", {"A": 0.0}, rises, (0.002,) * 3, {})


def test_redundancy_and_detectable_error_of_a_mean_of_three():
    """On paper: each of three equal readings has redundancy 2/3 and a smallest detectable error of
    4.13 sd / sqrt(2/3) (Baarda 1968: lambda0 = 17.07 for a 0.1 % test with 80 % power)."""
    solution = solve(*build(three_ways_up(0.0)), robust=False, variance_components=False)
    for i in range(3):
        result = next(r for r in solution.observations if r.id == f"fore {i}")
        assert result.redundancy == pytest.approx(2 / 3, abs=1e-5)
        assert result.detectable == pytest.approx(np.sqrt(17.07) * 0.002 / np.sqrt(2 / 3), rel=1e-3)


def test_standardised_residual_of_a_mean_of_three():
    """On paper: an error of 9 mm leaves 6 mm in its own residual; sd of it 2 sqrt(2/3) mm."""
    solution = solve(*build(three_ways_up(-0.009)), robust=False, variance_components=False)
    worst = next(r for r in solution.observations if r.id == "fore 2")
    assert worst.residual == pytest.approx(0.006, abs=1e-6)
    assert worst.standardised == pytest.approx(0.006 / (0.002 * np.sqrt(2 / 3)), rel=1e-4)
    assert worst.likely_value == pytest.approx(-1.0, abs=1e-6)


def test_the_one_wrong_rise_of_three_is_set_aside_and_the_others_averaged():
    solution = solve(*build(three_ways_up(0.05)))
    unused = [r.id for r in solution.observations if not r.used]
    assert unused == ["fore 2"]
    value, _ = solution.propagate(elevation("P"), [(POINT, "P")])
    assert value[0] == pytest.approx(1.0, abs=1e-6)


def test_two_rises_that_contradict_each_other_are_both_named_and_widened():
    """With two readings nothing tells which is wrong: the mean, with an sd that spans both."""
    case = LevellingNetwork(
        "two", "on paper", {"A": 0.0}, (("A", "P", 1.0), ("A", "P", 1.05)), (0.002,) * 2, {}
    )
    solution = solve(*build(case))
    finding = next(f for f in solution.findings if f.code == "readings-contradict")
    assert "set-up S0" in finding.what and "set-up S1" in finding.what
    value, covariance = solution.propagate(elevation("P"), [(POINT, "P")])
    assert value[0] == pytest.approx(1.025, abs=1e-4)
    assert 1.96 * np.sqrt(covariance[0, 0]) > 0.02


def test_the_largest_residual_of_the_sample_run_turns_gross_when_it_is_made_so():
    """The sample run's observation 6 (w = 1.68) made 5 cm wrong is found, and only that one."""
    from dataclasses import replace

    from tests.published.levelling_networks import ONE_FIXED_POINT

    rises = list(ONE_FIXED_POINT.rises)
    rises[5] = ("2", "3", rises[5][2] + 0.05)
    solution = solve(*build(replace(ONE_FIXED_POINT, rises=tuple(rises))))
    assert [r.id for r in solution.observations if not r.used] == ["fore 5"]
