"""Drainage: filling against a plain compiled priority flood, time and memory of a whole plane."""

from __future__ import annotations

import heapq
import time
import tracemalloc

import numpy as np
import pytest

from survey.drainage.derive import derive_drainage
from survey.drainage.filling import fill_depressions
from tests.drainage.roofs import (
    FOOT,
    INCH,
    TEST_DISHES,
    dished,
    grid_places,
    plane_set,
    read_roof,
    shed_roof,
    visit,
)

MOST_RATIO = 2.0  # of a plain compiled priority flood in the same run
MOST_SECONDS = 5.0  # processor time of a 20 x 40 ft plane, 2 ft grid, 300 surfaces
MOST_GROWTH = 1.35  # of peak memory when five times as many surfaces are drawn
MOST_BYTES = 50  # extra bytes a cell while filling


def million_cells():
    """The three dishes on 1/4 in per ft, 707 x 1414 cells, low edge open."""
    x, y = np.meshgrid((np.arange(707) + 0.5) / 707, (np.arange(1414) + 0.5) / 1414)
    elevation = dished(1 / 48, TEST_DISHES)(x * 20 * FOOT, y * 40 * FOOT)
    seeds = np.zeros(elevation.shape, dtype=bool)
    seeds[0] = True
    return elevation, seeds


def best_of(times, work):
    took = []
    for _ in range(times):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return min(took)


def compiled_flood():
    """Barnes, Lehman, Mulla 2014, Algorithm 1, compiled as it stands."""
    numba = pytest.importorskip("numba")

    @numba.njit
    def flood(elevation, seeds):
        rows, columns = elevation.shape
        level = np.full(elevation.shape, np.inf)
        queue = [(0.0, 0)]
        queue.pop()
        for i in range(rows):
            for j in range(columns):
                if seeds[i, j]:
                    level[i, j] = elevation[i, j]
                    heapq.heappush(queue, (elevation[i, j], i * columns + j))
        while len(queue) > 0:
            here, cell = heapq.heappop(queue)
            i, j = cell // columns, cell % columns
            for a in range(max(i - 1, 0), min(i + 2, rows)):
                for b in range(max(j - 1, 0), min(j + 2, columns)):
                    if level[a, b] == np.inf:
                        level[a, b] = max(elevation[a, b], here)
                        heapq.heappush(queue, (level[a, b], a * columns + b))
        return level

    return flood


@pytest.mark.benchmark_ratio
def test_filling_a_million_cells_gives_what_a_compiled_flood_gives(tell):
    flood = compiled_flood()
    elevation, seeds = million_cells()
    flood(elevation[:20, :20], seeds[:20, :20])
    np.testing.assert_array_equal(fill_depressions(elevation, seeds), flood(elevation, seeds))
    ratio = best_of(3, lambda: fill_depressions(elevation, seeds)) / best_of(
        3, lambda: flood(elevation, seeds)
    )
    tell("filling a million cells over a compiled priority flood", ratio, MOST_RATIO)


@pytest.mark.benchmark_ratio
def test_filling_needs_few_bytes_a_cell():
    elevation, seeds = million_cells()
    tracemalloc.start()
    fill_depressions(elevation, seeds)
    extra = tracemalloc.get_traced_memory()[1] / elevation.size
    tracemalloc.stop()
    print(f"filling: {extra:.0f} bytes a cell")
    assert extra <= MOST_BYTES


def porch_read_every_two_feet():
    plane, edges = shed_roof()
    readings, covariance = read_roof(
        dished(1 / 48, TEST_DISHES), grid_places(), INCH / 16, np.random.default_rng(3)
    )
    return plane_set(plane, edges, readings, covariance)


@pytest.mark.benchmark_ratio
def test_three_hundred_surfaces_of_a_roof_read_every_two_feet(tell):
    planes = porch_read_every_two_feet()
    minimum = {"porch": 1 / 48}
    derive_drainage(planes, visit(), surfaces=20, minimum_slopes=minimum)
    took = best_of(2, lambda: derive_drainage(planes, visit(), minimum_slopes=minimum))
    tell("20 x 40 ft, 2 ft grid, 300 surfaces: seconds of processors", took, MOST_SECONDS)
    (drainage,) = derive_drainage(planes, visit(), minimum_slopes=minimum)
    assert len(drainage.low_spots) >= 1


@pytest.mark.slow
def test_memory_hardly_grows_with_the_number_of_surfaces():
    planes = porch_read_every_two_feet()
    peaks = []
    for surfaces in (100, 500):
        tracemalloc.start()
        derive_drainage(planes, visit(), surfaces=surfaces)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    print(f"peak memory: {peaks[0] / 1e6:.0f} and {peaks[1] / 1e6:.0f} MB")
    assert peaks[1] <= MOST_GROWTH * peaks[0]
