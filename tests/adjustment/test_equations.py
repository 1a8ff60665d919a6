from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.equations import EQUATIONS, compile_network, keys_of
from survey.adjustment.model import POINT, PRINT_SCALE, Network, TapeLength
from tests.adjustment.all_kinds import every_kind, random_network, random_state


@pytest.mark.parametrize("seed", range(6))
def test_every_derivative_agrees_with_central_differences(seed):
    rng = np.random.default_rng(seed)
    network, start = random_network(rng), random_state(rng)
    system, state = compile_network(network, start)
    values = system.unknowns.pack(state)
    _, slopes = system.linearise(values)
    dense = np.zeros((system.rows, system.unknowns.size + 1))
    # added, not put: two edges that share a corner have its columns twice
    np.add.at(dense, (np.arange(system.rows)[:, None], system.columns), slopes)
    width = 1e-6
    for column in range(system.unknowns.size):
        step = np.zeros(system.unknowns.size)
        step[column] = width
        ahead = system.residuals(system.unknowns.move(values, step))
        behind = system.residuals(system.unknowns.move(values, -step))
        numeric = -(ahead - behind) / (2 * width)
        # 2e-6 of the row's largest derivative: what central differences of pixels can show
        tolerance = 2e-6 * np.abs(dense[:, :-1]).max(axis=1) + 1e-6
        worst = np.argmax(np.abs(numeric - dense[:, column]) - tolerance)
        where = (system.kinds[system.kind[worst]], system.unknowns.column_keys()[column])
        assert abs(numeric[worst] - dense[worst, column]) <= tolerance[worst], where


def test_every_kind_of_observation_has_an_equation():
    observations = every_kind(np.random.default_rng(0))
    taken = {type(o) for o in observations for e in EQUATIONS if e.takes(o)}
    assert taken == {type(o) for o in observations}
    assert {e.accepts for e in EQUATIONS} == taken


def test_residuals_alone_equal_those_with_derivatives():
    rng = np.random.default_rng(3)
    system, state = compile_network(random_network(rng), random_state(rng))
    values = system.unknowns.pack(state)
    np.testing.assert_allclose(
        system.residuals(values), system.linearise(values)[0], rtol=1e-12, atol=1e-9
    )


def test_an_observation_without_starting_value_is_left_out():
    tape = TapeLength(id="T", start="A", end="nowhere", value=1.0, sd=0.01)
    system, _ = compile_network(Network(observations=[tape]), {(POINT, "A"): np.zeros(3)})
    assert system.left_out == (tape,)
    assert system.rows == 0


def test_a_print_scale_nobody_starts_is_held_at_nominal():
    rng = np.random.default_rng(1)
    network, start = random_network(rng), random_state(rng)
    del start[(PRINT_SCALE, "north")]
    system, state = compile_network(network, start)
    assert (PRINT_SCALE, "north") not in system.unknowns.first_column
    np.testing.assert_array_equal(state[(PRINT_SCALE, "north")], [1.0, 1.0])
    assert keys_of(network.observations[0])[3] == (PRINT_SCALE, "north")
