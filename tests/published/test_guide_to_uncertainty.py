"""Worked examples of the Guide to the Expression of Uncertainty (JCGM 100:2008), annex H."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.components import coverage_factors
from survey.adjustment.derivation import differentiate
from survey.adjustment.model import (
    PLANE,
    POINT,
    Elevation,
    Network,
    OnSurface,
    PlaneParameters,
    Prior,
)
from survey.adjustment.solver import solve
from survey.adjustment.unknowns import Unknowns


def test_resistance_reactance_and_impedance_of_example_h2():
    """JCGM 100:2008 H.2: five sets of V, I and phi, correlated, to R, X and Z."""
    sets = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    key = (POINT, "V, I, phi")
    state = {key: sets.mean(axis=1)}
    covariance = np.cov(sets) / 5

    def impedance(values):
        voltage, current, angle = values[key]
        return voltage / current * np.array([np.cos(angle), np.sin(angle), 1.0])

    line = differentiate(impedance, [key], state, Unknowns([key]))
    spread = line.derivatives @ covariance @ line.derivatives.T
    sd = np.sqrt(np.diag(spread))
    np.testing.assert_allclose(line.value, [127.732, 219.847, 254.260], atol=5e-4)
    np.testing.assert_allclose(sd, [0.071, 0.295, 0.236], atol=7e-4)  # 0.2956 is printed as 0.295
    correlation = spread / np.outer(sd, sd)
    assert correlation[0, 1] == pytest.approx(-0.588, abs=5e-4)
    assert correlation[0, 2] == pytest.approx(-0.485, abs=5e-4)
    assert correlation[1, 2] == pytest.approx(0.993, abs=5e-4)


def test_straight_line_of_example_h3_as_a_slope_line():
    """JCGM 100:2008 H.3 as a profile: stations t - 20 along x, readings b as elevations.

    The plane through the stations is free to tilt across the profile; intercept, slope and the
    value at t = 30 are fixed all the same, and the across tilt must not be.
    """
    t = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    b = np.array(
        [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    )
    plane = (PLANE, "line")
    observations = []
    start = {plane: PlaneParameters(np.array([0.0, 0.0, 1.0]), 0.15)}
    for i, (station, reading) in enumerate(zip(t - 20.0, b, strict=True)):
        name = f"P{i}"
        start[(POINT, name)] = np.array([station, 0.0, reading])
        observations += [
            Prior(
                id=f"x {i}",
                key=(POINT, name),
                mean=np.array([station, 0.0, 0.0]),
                sd=np.array([0.0, 0.0, np.inf]),
            ),
            Elevation(id=f"b {i}", point=name, value=float(reading), sd=0.0035),
            OnSurface(id=f"on {i}", on=plane, point=name, sd=0.0),
        ]
    solution = solve(
        Network(observations=observations), start, robust=False, variance_components=False
    )

    def height(state, x):
        normal, offset = state[plane].normal, state[plane].offset
        return -(normal[0] * x + offset) / normal[2]

    def line(state):
        intercept = height(state, 0.0)
        return np.array([intercept, height(state, 1.0) - intercept, height(state, 10.0)])

    value, covariance = solution.propagate(line, [plane])
    assert solution.statistics.degrees_of_freedom == 9
    s = 0.0035 * np.sqrt(solution.statistics.variance_factor)
    sd = np.sqrt(np.diag(covariance)) * s / 0.0035
    half_digit = [5e-5, 5e-6, 5e-5]
    assert np.all(np.abs(value - [-0.1712, 0.00218, -0.1494]) <= half_digit)
    assert np.all(np.abs(sd - [0.0029, 0.00067, 0.0041]) <= half_digit)
    assert s == pytest.approx(0.0035, abs=5e-5)
    correlation = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert not solution.is_estimable(lambda state: state[plane].normal[1:2], [plane])
    assert solution.is_estimable(line, [plane])


def test_effective_degrees_of_freedom_follow_welch_and_satterthwaite():
    """JCGM 100:2008 G.4.1: equal parts known with 4 and with 8 degrees of freedom.

    nu = (1 + 1)^2 / (1/4 + 1/8) = 10.67; t(0.975) between t(10) = 2.228 and t(11) = 2.201.
    """
    factor = coverage_factors(np.array([[1.0, 1.0], [1.0, 0.0], [0.0, 0.0]]), np.array([4.0, 8.0]))
    assert 2.201 < factor[0] < 2.228
    assert factor[1] == pytest.approx(2.776, abs=5e-4)  # t(4), JCGM 100:2008 table G.2
    assert factor[2] == pytest.approx(1.960, abs=5e-4)
