"""Ponds against closed forms.

Own derivation: a paraboloid dish of depth d and diameter D on a fall s holds water only when
d > s D / 4; with q = 1 - s D / (4 d) the pond is d q^2 deep and D q across, its area is
pi (D/2)^2 q^2 and its volume half area times depth. A wedge behind a dam of height c on a plane of
fall m and width W holds W c^2 / (2 m).
"""

from __future__ import annotations

import numpy as np
import pytest

from survey.drainage.domain import build_domain
from survey.drainage.findable import dish_of_pond
from survey.drainage.ponds import find_ponds, flood
from survey.drainage.refining import refine_pond
from survey.visit.model import EdgeKind, OutletKind, OutletSpec
from tests.drainage.roofs import FOOT, INCH, TEST_DISHES, dished, plane_set, shed_roof, visit

FALL = 1 / 48
STRETCH = np.sqrt(1 + FALL**2)
OPEN_ABOVE = {
    "AB": dict(kind=EdgeKind.PARAPET, dam_height=4 * INCH),
    "BC": dict(kind=EdgeKind.SIDEWALL),
    "CD": dict(kind=EdgeKind.EAVE),
    "DA": dict(kind=EdgeKind.SIDEWALL),
}
SCUPPER = OutletSpec(
    "scupper", OutletKind.SCUPPER, plane="porch", along=10 * FOOT, up=0.0, invert=0.5 * INCH
)


def ponds_on(surface, *, fall=FALL, cell=6 * INCH, edges=None, outlets=(), without=frozenset()):
    plane, measured = shed_roof(fall=fall, edges=edges)
    domain = build_domain(plane, plane_set(plane, measured), visit(outlets), cell=cell)
    stretch = np.sqrt(1 + fall**2)

    def heights(places):
        return surface(places[..., 0], places[..., 1] / stretch)

    lifts = domain.lifts(unknown_open=True, without=without)
    flooded = flood(domain, heights(domain.points)[None], lifts)
    ponds = find_ponds(domain, flooded, 0)
    return [refine_pond(domain, flooded, 0, pond, lifts, heights) for pond in ponds]


def pond_of_dish(depth, diameter, fall):
    q = 1 - fall * diameter / (4 * depth)
    area = np.pi * (diameter / 2) ** 2 * q**2
    return depth * q**2, area, area * depth * q**2 / 2


@pytest.mark.parametrize("cell_in", [6.0, 3.38, 1.07])
def test_three_dishes_agree_with_the_closed_form_below_the_cell_size(cell_in):
    """A plain fill loses 28 % of the volume with 6 in cells and 5 % with 1.07 in cells."""
    ponds = ponds_on(dished(FALL, TEST_DISHES), cell=cell_in * INCH)
    assert len(ponds) == 3
    volume = sum(p.volume for p in ponds) / FOOT**3
    area = sum(p.area for p in ponds) / FOOT**2
    assert volume == pytest.approx(0.527461, rel=0.01)
    assert area == pytest.approx(31.9167, rel=0.01)
    deepest = sorted(p.depth / INCH for p in ponds)
    np.testing.assert_allclose(deepest, [0.0703, 0.3906, 0.4500], rtol=0.01)


@pytest.mark.parametrize("fall_in", [0.125, 0.25, 0.5])
@pytest.mark.parametrize("diameter_ft", [4.0, 7.0, 10.0])
@pytest.mark.parametrize("share", [0.6, 0.98, 1.5, 3.0])
def test_a_dish_is_a_pond_only_when_deeper_than_a_quarter_of_fall_times_diameter(
    fall_in, diameter_ft, share
):
    fall, diameter = fall_in / 12, diameter_ft * FOOT
    depth = share * fall * diameter / 4
    dish = (10.13 * FOOT, 19.87 * FOOT, diameter / 2, depth)
    ponds = ponds_on(dished(fall, (dish,)), fall=fall)
    if share < 1:
        assert ponds == []
        return
    (pond,) = ponds
    water, area, volume = pond_of_dish(depth, diameter, fall)
    assert pond.depth == pytest.approx(water, rel=0.02)
    assert pond.area == pytest.approx(area, rel=0.04)
    assert pond.volume == pytest.approx(volume, rel=0.03)


def test_a_bare_plane_holds_no_water():
    assert ponds_on(dished(FALL)) == []


def test_the_dish_of_a_pond_is_the_inverse_of_the_pond_of_a_dish():
    diameter, depth = dish_of_pond(1.2, 0.006, FALL)
    water, area, _ = pond_of_dish(depth, diameter, FALL)
    assert water == pytest.approx(0.006)
    assert 2 * np.sqrt(area / np.pi) == pytest.approx(1.2)


def test_a_clear_scupper_holds_water_to_its_invert():
    """Walls left, right and low, invert 1/2 in: 1.360794 cu ft in all (closed form)."""
    ponds = ponds_on(
        dished(FALL, TEST_DISHES), edges=OPEN_ABOVE, outlets=(SCUPPER,), cell=1.07 * INCH
    )
    assert sum(p.volume for p in ponds) / FOOT**3 == pytest.approx(1.360794, rel=0.02)
    assert max(p.depth for p in ponds) / INCH == pytest.approx(0.5, rel=0.02)


def test_a_blocked_scupper_drowns_the_low_end_to_the_parapet():
    """4 in parapet: 54.859321 cu ft over 340.8666 sq ft, 4 in deep (closed form)."""
    ponds = ponds_on(
        dished(FALL, TEST_DISHES),
        edges=OPEN_ABOVE,
        outlets=(SCUPPER,),
        cell=3 * INCH,
        without=frozenset({"scupper"}),
    )
    assert sum(p.volume for p in ponds) / FOOT**3 == pytest.approx(54.859321, rel=0.02)
    assert sum(p.area for p in ponds) / FOOT**2 == pytest.approx(340.8666, rel=0.02)
    assert max(p.depth for p in ponds) / INCH == pytest.approx(4.0, rel=0.01)


def test_water_leaves_over_an_open_rake_but_not_through_a_wall():
    """A plane that falls to its left side: open, it drains; walled, it holds a wedge."""
    edges = {
        "AB": dict(kind=EdgeKind.SIDEWALL),
        "BC": dict(kind=EdgeKind.RAKE),
        "CD": dict(kind=EdgeKind.SIDEWALL),
        "DA": dict(kind=EdgeKind.RAKE),
    }

    def tilted(x, y):
        return 0.02 * x + 0.0 * y

    assert ponds_on(tilted, fall=0.0, edges=edges) == []
    dammed = edges | {"DA": dict(kind=EdgeKind.PARAPET, dam_height=0.02)}
    (pond,) = ponds_on(tilted, fall=0.0, edges=dammed, cell=3 * INCH)
    assert pond.volume == pytest.approx(40 * FOOT * 0.02**2 / (2 * 0.02), rel=0.02)
