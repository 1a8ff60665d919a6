from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from survey.adjustment.model import POINT
from survey.adjustment.solver import solve
from tests.published.levelling_networks import (
    FAILED_CLOSURE,
    NETWORKS,
    ONE_FIXED_POINT,
    THREE_BENCHMARKS,
    build,
    elevation,
)


def plain(case):
    network, start = build(case)
    return solve(network, start, robust=False, variance_components=False)


@pytest.mark.parametrize("case", NETWORKS, ids=lambda case: case.name)
def test_heights_and_their_sds_match_the_source(case):
    solution = plain(case)
    for point, (printed, half_digit) in case.heights.items():
        value, covariance = solution.propagate(elevation(point), [(POINT, point)])
        assert abs(value[0] - printed) <= half_digit + 1e-9  # ...125 prints as ...13 or ...12
        sd, sd_half_digit = case.height_sds[point]
        assert abs(np.sqrt(covariance[0, 0]) - sd) <= sd_half_digit


@pytest.mark.parametrize("case", [ONE_FIXED_POINT, THREE_BENCHMARKS], ids=lambda case: case.name)
def test_residuals_match_the_source(case):
    results = {result.id: result for result in plain(case).observations}
    for i, printed in enumerate(case.residuals):
        # A foresight is minus the rise, so its residual (observed minus computed) is the source's
        # adjusted minus observed rise.
        assert abs(results[f"fore {i}"].residual - printed) <= case.residual_half_digit


@pytest.mark.parametrize("case", NETWORKS, ids=lambda case: case.name)
def test_weighted_squares_and_redundancy_match_the_source(case):
    statistics = plain(case).statistics
    assert statistics.degrees_of_freedom == case.redundancies
    squares, half_digit = case.weighted_squares
    assert abs(statistics.variance_factor * case.redundancies - squares) <= half_digit


def test_error_factor_and_its_bounds_match_the_forum_thread():
    statistics = plain(THREE_BENCHMARKS).statistics
    assert abs(np.sqrt(statistics.variance_factor) - 1.243) <= 5e-4
    assert abs(np.sqrt(statistics.lower) - 0.268) <= 5e-4
    assert abs(np.sqrt(statistics.upper) - 1.765) <= 5e-4
    assert not [f for f in plain(THREE_BENCHMARKS).findings if f.code == "adjustment-does-not-fit"]


def test_a_failed_closure_is_reported_and_widens_the_intervals():
    network, start = build(FAILED_CLOSURE)
    solution = plain(FAILED_CLOSURE)
    assert solution.statistics.variance_factor > solution.statistics.upper
    assert [f for f in solution.findings if f.code == "adjustment-does-not-fit"]
    # scaled sds of the source, 3.2 and 2.9 cm
    factor = np.sqrt(solution.statistics.variance_factor)
    for point, scaled in (("P1", 0.032), ("P2", 0.029)):
        _, covariance = solution.propagate(elevation(point), [(POINT, point)])
        assert abs(factor * np.sqrt(covariance[0, 0]) - scaled) <= 5e-4
    usual = solve(network, start)
    assert "adjustment-does-not-fit" in {f.code for f in usual.findings}
    for point, printed in (("P1", 0.03), ("P2", 0.03)):  # 101.01 and 101.95, each +- 0.03
        _, widened = usual.propagate(elevation(point), [(POINT, point)])
        assert abs(np.sqrt(widened[0, 0]) - printed) <= 0.005


def test_largest_normalised_residual_matches_the_sample_run():
    """Printed 1.68 for observation 6; no reading is a gross error at Baarda's 0.1 %."""
    solution = plain(ONE_FIXED_POINT)
    worst = max(solution.observations, key=lambda result: abs(result.standardised))
    assert worst.id == "fore 5"
    assert abs(abs(worst.standardised) - 1.68) <= 0.005
    assert all(result.used for result in solve(*build(ONE_FIXED_POINT)).observations)


def test_redundancy_numbers_sum_to_the_degrees_of_freedom():
    for case in NETWORKS:
        solution = plain(case)
        total = sum(result.redundancy for result in solution.observations)
        assert abs(total - case.redundancies) < 1e-4


def test_averages_of_benchmarks_match_mahun():
    """Mahun, Least Squares Lite, ch. B: So 0.0309 ft, sd(Q) So/2, sd(R) So/sqrt 3.

    The rises are printed; the benchmark heights stood in a figure, so they follow here from the
    printed residuals (an average leaves them as they are). In feet throughout: the unit cancels.
    """
    from survey.adjustment.model import SETUP, Elevation, Network, RodHeight

    rises = {
        "Q": {"A": 8.91, "B": -2.92, "C": -4.67, "D": -8.66},
        "R": {"A": -3.56, "C": -17.12, "D": -21.10},
    }
    residuals = {"Q": (-0.015, 0.015, -0.035, 0.035), "R": (0.007, -0.033, 0.027)}
    observations, start = [], {}
    for point, rise in rises.items():
        start[(POINT, point)] = np.zeros(3)
        for (name, value), residual in zip(rise.items(), residuals[point], strict=True):
            mark, setup = f"{name}{point}", f"{name}-{point}"
            observations += [
                Elevation(id=f"bm {mark}", point=mark, value=100.0 - value + residual, sd=0.0),
                RodHeight(id=f"back {setup}", setup=setup, point=mark, value=0.0, sd=0.0),
                RodHeight(id=f"fore {setup}", setup=setup, point=point, value=-value, sd=1.0),
            ]
            start[(SETUP, setup)] = np.zeros(1)
            start[(POINT, mark)] = np.array([0.0, 0.0, 100.0])
    solution = solve(
        Network(observations=observations), start, robust=False, variance_components=False
    )
    so = np.sqrt(solution.statistics.variance_factor)
    assert solution.statistics.degrees_of_freedom == 5
    assert abs(so - 0.0309) <= 5e-5
    for point, printed in (("Q", 0.0154), ("R", 0.0178)):
        _, covariance = solution.propagate(elevation(point), [(POINT, point)])
        assert abs(so * np.sqrt(covariance[0, 0]) - printed) <= 5.1e-5


@pytest.mark.parametrize("seed", range(5))
def test_random_levelling_networks_match_statsmodels_weighted_least_squares(seed):
    """statsmodels WLS with the design matrix written out by hand: heights and covariance."""
    from tests.published.levelling_networks import LevellingNetwork

    rng = np.random.default_rng(seed)
    names = [f"P{i}" for i in range(6)]
    true = dict(zip(names, rng.uniform(0, 3, 6), strict=True))
    rises, sds = [], []
    for _ in range(14):
        a, b = rng.choice(names, 2, replace=False)
        sd = float(rng.uniform(0.001, 0.004))
        rises.append((str(a), str(b), float(true[b] - true[a] + rng.normal(0, sd))))
        sds.append(sd)
    rises.append(("P0", "P1", float(true["P1"] - true["P0"])))
    sds.append(0.002)
    case = LevellingNetwork(
        "random", "statsmodels", {"P0": true["P0"]}, tuple(rises), tuple(sds), {}
    )
    design = np.zeros((15, 5))
    observed = np.array([rise for _, _, rise in rises])
    for row, (a, b, _) in enumerate(rises):
        for name, sign in ((a, -1.0), (b, 1.0)):
            if name == "P0":
                observed[row] -= sign * true["P0"]
            else:
                design[row, int(name[1]) - 1] += sign
    assert np.linalg.matrix_rank(design) == 5
    fit = sm.WLS(observed, design, weights=1 / np.array(sds) ** 2).fit(cov_type="fixed scale")
    solution = plain(case)
    keys = [(POINT, name) for name in names[1:]]
    heights, covariance = solution.propagate(
        lambda state: np.array([state[key][2] for key in keys]), keys
    )
    np.testing.assert_allclose(heights, fit.params, atol=1e-9)
    # "exactly known" heights and backsights carry 1e-6 m each
    np.testing.assert_allclose(covariance, fit.cov_params(), rtol=1e-6, atol=5e-12)
