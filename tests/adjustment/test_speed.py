"""What makes the adjustment fast changes nothing of what it finds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.adjustment.equations import compile_network
from survey.adjustment.hypotheses import known_by_height_alone, same_site
from survey.adjustment.minimise import minimise
from survey.adjustment.model import (
    CAMERA,
    POINT,
    SETUP,
    Network,
    PointInPhoto,
    RodHeight,
    SpotOnPlane,
)
from survey.adjustment.normal import NormalEquations
from survey.adjustment.partition import choose_partition
from survey.adjustment.soft_minimise import SoftCost, minimise_softly
from survey.adjustment.starting_polish import polish, stated_rows
from tests.adjustment.scene import porch


@pytest.fixture(scope="module")
def compiled():
    rng = np.random.default_rng(12)
    scene = porch(rng, photos=6, points=70, targets=2, tapes=3, rods=5, share_seen=0.7)
    start = scene.start(rng)
    system, state = compile_network(scene.network, start)
    return scene, system, system.unknowns.pack(state)


def test_normal_matrix_by_sets_of_rows_is_the_product_of_the_dense_derivatives(compiled):
    _, system, values = compiled
    residuals, derivatives = system.linearise(values)
    weights = 1.0 / system.sd**2
    partition = choose_partition(system, derivatives, weights)
    normal = NormalEquations(system, partition, derivatives, weights)
    dense = np.zeros((system.rows, system.unknowns.size + 1))
    np.add.at(dense, (np.arange(system.rows)[:, None], system.columns), derivatives)
    dense = dense[:, :-1] * normal.scale * np.sqrt(weights)[:, None]
    kept, points = partition.kept, partition.points
    assert len(points) > 50
    product = dense.T @ dense
    np.testing.assert_allclose(normal.kept_block, product[np.ix_(kept, kept)], atol=1e-12)
    np.testing.assert_allclose(
        normal.cross_block, product[np.ix_(points.ravel(), kept)], atol=1e-12
    )
    for block, columns in zip(normal.own_blocks, points, strict=True):
        np.testing.assert_allclose(block, product[np.ix_(columns, columns)], atol=1e-12)
    right = dense.T @ (residuals * np.sqrt(weights))
    np.testing.assert_allclose(normal.gradient(residuals), right, rtol=1e-9, atol=1e-9)


def test_hat_matrix_by_sets_of_rows_is_that_of_the_dense_inverse(compiled):
    _, system, values = compiled
    _, derivatives = system.linearise(values)
    weights = 1.0 / system.sd**2
    partition = choose_partition(system, derivatives, weights)
    normal = NormalEquations(system, partition, derivatives, weights)
    damping = 1e-6  # the datum is free here
    leverage, beside = normal.factor(damping).leverages()
    dense = np.zeros((system.rows, system.unknowns.size + 1))
    np.add.at(dense, (np.arange(system.rows)[:, None], system.columns), derivatives)
    dense = dense[:, :-1] * normal.scale * np.sqrt(weights)[:, None]
    hat = dense @ np.linalg.solve(dense.T @ dense + damping * np.eye(dense.shape[1]), dense.T)
    np.testing.assert_allclose(leverage, np.diag(hat), atol=1e-7)
    paired = np.flatnonzero(np.all(system.columns[:-1] == system.columns[1:], axis=1))
    np.testing.assert_allclose(beside[paired], np.diag(hat, 1)[paired], atol=1e-7)


def test_points_placed_by_tape_leave_the_matrix_whatever_their_names(compiled):
    """A spot's rows touch the corners it was taped from; one of them is named last in the rows."""
    scene, _, _ = compiled
    plane = next(iter(scene.truth[k] for k in scene.truth if k[0] == "plane"), None)
    assert plane is not None
    name = next(k[1] for k in scene.truth if k[0] == "plane")
    rng = np.random.default_rng(3)
    spots, state = [], dict(scene.truth)
    for i in range(40):
        spot = f"A{i}"  # sorts before the corners P0, P1
        state[(POINT, spot)] = scene.truth[(POINT, "P0")] + rng.normal(0, 1.0, 3)
        spots.append(
            SpotOnPlane(
                id=spot,
                plane=name,
                point=spot,
                origin="P0",
                direction="P1",
                along=1.0,
                up=1.0,
                sd=0.01,
            )
        )
        spots.append(RodHeight(id=f"rod {spot}", setup="S9", point=spot, value=1.0, sd=0.002))
    state[(SETUP, "S9")] = np.array([1.0])
    network = replace(scene.network, observations=[*scene.network.observations, *spots])
    system, full = compile_network(network, state)
    _, derivatives = system.linearise(system.unknowns.pack(full))
    partition = choose_partition(system, derivatives, 1.0 / system.sd**2)
    eliminated = set(partition.points.ravel().tolist())
    for i in range(40):
        assert set(system.unknowns.columns((POINT, f"A{i}")).tolist()) <= eliminated


def test_soft_descent_ends_where_its_cost_no_longer_falls(compiled):
    scene, system, values = compiled
    found = minimise_softly(system, values, stated_rows(system))
    assert found.settled and found.steps < 30
    cost = SoftCost(system, stated_rows(system))
    squares = cost.squares(system.residuals(found.values))
    cost.narrow(squares)
    again = minimise(system, found.values, cost.weights(squares), most_steps=1)
    moved = cost.total(cost.squares(system.residuals(again.values)))
    assert abs(moved - cost.total(squares)) < 0.01
    truth = system.unknowns.pack(compile_network(scene.network, scene.truth)[1])
    assert cost.total(squares) <= cost.total(cost.squares(system.residuals(truth)))


def test_one_mark_a_hundred_pixels_off_hardly_moves_the_soft_minimum(compiled):
    scene, system, values = compiled
    clean = minimise_softly(system, values, stated_rows(system)).values

    def off(o):
        if isinstance(o, PointInPhoto) and o.id == "P5 in IMG_1":
            return replace(o, px=(o.px[0] + 100.0, o.px[1]))
        return o

    network = Network(
        observations=[off(o) for o in scene.network.observations], cameras=scene.network.cameras
    )
    other, _ = compile_network(network, scene.truth)
    spoiled = minimise_softly(other, values, stated_rows(other)).values
    gap = np.linalg.norm(clean.vector[POINT] - spoiled.vector[POINT], axis=1)
    assert np.max(gap) < 0.02


def test_a_turning_point_has_no_place_that_could_tell_two_sites_apart():
    rng = np.random.default_rng(1)
    scene = porch(rng, photos=3, points=8, targets=1, rods=3)
    rods = [
        RodHeight(id="TP in S1", setup="S1", point="TP", value=1.2, sd=0.002),
        RodHeight(id="TP in S2", setup="S2", point="TP", value=1.4, sd=0.002),
    ]
    network = replace(scene.network, observations=[*scene.network.observations, *rods])
    loose = known_by_height_alone(network)
    assert (POINT, "TP") in loose and not any(key[0] == CAMERA for key in loose)
    here = {**scene.truth, (POINT, "TP"): np.array([1.0, -60.0, 2.0])}
    there = {**scene.truth, (POINT, "TP"): np.array([5.0, -60.0, 2.0])}
    assert not same_site(here, there)
    assert same_site(here, there, loose)


def test_a_point_started_behind_the_cameras_is_put_where_its_marks_meet():
    rng = np.random.default_rng(21)
    scene = porch(rng, photos=4, points=14, targets=1, tapes=2)
    start = scene.start(rng)
    sound = polish(scene.network, start)
    centre = np.mean([start[key].translation for key in start if key[0] == CAMERA], axis=0)
    lost = {**start, (POINT, "P9"): 2.0 * centre - start[(POINT, "P9")]}
    found = polish(scene.network, lost)
    assert found.score == pytest.approx(sound.score, abs=0.5)
    for other in ("P0", "P1", "P5"):  # the site's azimuth and place are free
        lengths = [
            np.linalg.norm(p.state[(POINT, "P9")] - p.state[(POINT, other)]) for p in (found, sound)
        ]
        assert lengths[0] == pytest.approx(lengths[1], abs=0.01)
