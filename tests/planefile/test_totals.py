"""Sums of areas and lengths with what their parts have in common."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.adjustment.adjust import adjust
from survey.adjustment.model import POINT
from survey.adjustment.network import build_network
from survey.figures import Figure, NotObserved
from survey.planefile.totals import write_totals
from survey.planefile.values import read_measured
from survey.planes.derive import derive_planes
from tests.planefile.made import MadeSolution
from tests.rules.made import a_plane_set, a_visit, slope
from tests.scenes.houses import deck_visit


@pytest.fixture(scope="module")
def deck():
    """Return the solution and planes of a roof read by tape and rod."""
    scene = deck_visit(np.random.default_rng(11))
    solution = adjust(build_network(scene.visit, scene.photos, scene.sightings))
    return solution, derive_planes(solution, scene.visit)


def test_sum_of_edges_is_drawn_with_the_covariance_of_its_parts(deck):
    """sd of a sum is sqrt(1' C 1), C the joint covariance of both lengths."""
    solution, planes = deck
    rakes = [edge for edge in planes.edges if edge.edge.kind.value == "rake"]
    assert len(rakes) == 2
    ends = [(edge.edge.start, edge.edge.end) for edge in rakes]
    keys = [(POINT, name) for pair in ends for name in pair]

    def lengths(state):
        return np.array([np.linalg.norm(state[(POINT, b)] - state[(POINT, a)]) for a, b in ends])

    values, covariance = solution.propagate(lengths, keys)
    totals = write_totals(planes, solution)
    (entry,) = [kind for kind in totals["edges"] if kind["kind"] == "rake"]
    rake = read_measured(entry["length"])
    assert rake.value == pytest.approx(values.sum(), abs=1e-6)
    sd = float(np.sqrt(covariance.sum()))
    assert rake.sd == pytest.approx(sd, rel=1e-3)
    assert rake.half_width < sum(edge.length.half_width for edge in rakes)
    assert totals["added_up"] == []


def test_sum_of_one_part_is_that_part(deck):
    solution, planes = deck
    totals = write_totals(planes, solution)
    (plane,) = planes.planes
    area = read_measured(totals["area"])
    assert area.value == pytest.approx(plane.area.value, abs=1e-6)
    assert area.half_width == pytest.approx(plane.area.half_width, abs=2e-6)


def test_parts_that_the_adjustment_does_not_hold_are_added_up_and_named():
    planes = a_plane_set(a_visit(), slope(0.5))
    (porch,) = planes.planes
    shed = replace(porch, spec=replace(porch.spec, name="shed"), edges=())
    totals = write_totals(replace(planes, planes=(porch, shed)), MadeSolution())
    assert totals["added_up"] == ["area", "plan_area", "rake"]
    area = read_measured(totals["area"])
    assert isinstance(area, Figure)
    assert area.half_width == pytest.approx(2 * porch.area.half_width, abs=2e-6)


def test_plane_without_an_area_is_left_out_of_the_drawn_sum(deck):
    solution, planes = deck
    (porch,) = planes.planes
    gap = NotObserved("a corner is missing", "mark it")
    lost = replace(porch, spec=replace(porch.spec, name="lost"), area=gap, plan_area=gap, edges=())
    totals = write_totals(replace(planes, planes=(porch, lost)), solution)
    assert totals["not_counted"] == ["lost"]
    assert read_measured(totals["area"]).value == pytest.approx(porch.area.value, abs=1e-6)
