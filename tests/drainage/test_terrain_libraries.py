"""Filling against general-purpose terrain libraries on the same grids (extra `compare`)."""

from __future__ import annotations

import warnings
from pathlib import Path

import matplotlib
import numpy as np
import pytest

from survey.drainage.filling import fill_depressions
from tests.drainage.roofs import FOOT, TEST_DISHES, dished

pytestmark = pytest.mark.slow  # two of the libraries compile themselves on first use


def terrain():
    sample = Path(matplotlib.get_data_path()) / "sample_data" / "jacksboro_fault_dem.npz"
    with np.load(sample) as stored:
        return stored["elevation"].astype(float)


def roof():
    """Three dishes on 1/4 in per ft, 3 in cells, all four edges open."""
    x, y = np.meshgrid(np.arange(80) * FOOT / 4, np.arange(160) * FOOT / 4)
    return dished(1 / 48, TEST_DISHES)(x, y) + 10.0


def ours(elevation):
    seeds = np.zeros(elevation.shape, dtype=bool)
    seeds[[0, -1]] = True
    seeds[:, [0, -1]] = True
    return fill_depressions(elevation, seeds)


@pytest.mark.parametrize("surface", [terrain, roof])
def test_pyflwdir_fills_alike(surface):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own dependencies warn on import
        pyflwdir = pytest.importorskip("pyflwdir")
        elevation = surface()
        filled, _ = pyflwdir.dem.fill_depressions(elevation.astype(np.float32), outlets="edge")
    np.testing.assert_allclose(ours(elevation), filled, rtol=3e-7)


@pytest.mark.parametrize("surface", [terrain, roof])
def test_fastscapelib_fills_alike(surface):
    fastscapelib = pytest.importorskip("fastscapelib")
    elevation = surface()
    border = fastscapelib.NodeStatus.FIXED_VALUE
    grid = fastscapelib.RasterGrid(list(elevation.shape), [1.0, 1.0], border, {})
    routes = [fastscapelib.PFloodSinkResolver(), fastscapelib.SingleFlowRouter()]
    filled = fastscapelib.FlowGraph(grid, routes).update_routes(elevation)
    np.testing.assert_allclose(ours(elevation), filled, rtol=1e-9, atol=1e-7)


@pytest.mark.parametrize("surface", [terrain, roof])
def test_pysheds_fills_alike(surface):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own dependencies warn on import
        grids = pytest.importorskip("pysheds.grid")
        views = pytest.importorskip("pysheds.view")
        elevation = surface()
        raster = views.Raster(elevation, viewfinder=views.ViewFinder(shape=elevation.shape))
        filled = grids.Grid(viewfinder=raster.viewfinder).fill_depressions(raster)
    np.testing.assert_allclose(ours(elevation), np.asarray(filled), atol=1e-9)
