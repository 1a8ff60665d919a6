"""Dips within dips, and water poured into them."""

from __future__ import annotations

import numpy as np
import pytest

from survey.drainage.domain import build_domain
from survey.drainage.hierarchy import build_hierarchy, pour, pour_rain, stage_curve
from survey.drainage.ponds import flood
from tests.drainage.roofs import FOOT, INCH, dished, plane_set, shed_roof, visit


def rough_roof(seed, fall=1 / 200):
    plane, measured = shed_roof(fall=fall, width=3.0, length=4.0)
    domain = build_domain(plane, plane_set(plane, measured), visit(), cell=4 * INCH)
    rng = np.random.default_rng(seed)
    heights = fall * domain.points[:, 1] + rng.normal(0.0, 0.003, len(domain.points))
    return domain, heights, domain.lifts(unknown_open=True)


@pytest.mark.parametrize("seed", range(4))
def test_outermost_dips_hold_what_filling_fills(seed):
    domain, heights, lifts = rough_roof(seed)
    tree = build_hierarchy(domain, heights, lifts)
    held = sum(dip.capacity for dip in tree.dips if dip.parent is None)
    filled = flood(domain, heights, lifts).depth.sum() * domain.cell_area
    assert held == pytest.approx(filled, rel=1e-5)


@pytest.mark.parametrize("rain", [1e-4, 1e-3, 5e-3, 0.1])
@pytest.mark.parametrize("seed", [11, 12])
def test_no_water_is_lost_or_made(seed, rain):
    domain, heights, lifts = rough_roof(seed)
    tree = build_hierarchy(domain, heights, lifts)
    poured = pour_rain(tree, domain, rain)
    fallen = rain * domain.cell_area * int(domain.inside.sum())
    assert sum(poured.stored.values()) + poured.ran_off == pytest.approx(fallen, rel=1e-9)


def test_the_order_of_pouring_does_not_matter():
    domain, heights, lifts = rough_roof(21)
    tree = build_hierarchy(domain, heights, lifts)
    leaves = np.unique(tree.leaf[tree.leaf >= 0])
    volumes = {int(leaf): 2e-5 * (1 + leaf % 5) for leaf in leaves}
    first = pour(tree, volumes)
    shuffled = np.random.default_rng(3).permutation(leaves)
    second = pour(tree, {int(leaf): volumes[int(leaf)] for leaf in shuffled})
    assert first.stored.keys() == second.stored.keys()
    assert sum(first.stored.values()) == pytest.approx(sum(second.stored.values()), rel=1e-12)


def two_dips():
    """A wide dish with two deeper ones in its floor."""
    plane, measured = shed_roof(fall=0.0)
    domain = build_domain(plane, plane_set(plane, measured), visit(), cell=3 * INCH)
    dishes = (
        (10 * FOOT, 20 * FOOT, 6 * FOOT, 1.0 * INCH),
        (7.5 * FOOT, 20 * FOOT, 2 * FOOT, 0.8 * INCH),
        (12.5 * FOOT, 20 * FOOT, 2 * FOOT, 0.5 * INCH),
    )
    heights = dished(0.0, dishes)(domain.points[:, 0], domain.points[:, 1])
    heights = heights + 1e-7 * domain.points[:, 1]
    return domain, heights, domain.lifts(unknown_open=True)


def test_two_dips_in_one_stand_under_it_and_spill_into_each_other():
    domain, heights, lifts = two_dips()
    tree = build_hierarchy(domain, heights, lifts)
    deep = [dip for dip in tree.dips if dip.spill - dip.bottom > 0.1 * INCH]
    (outer,) = [dip for dip in deep if dip.parent is None]
    inner = [dip for dip in deep if not dip.children]
    assert len(inner) == 2
    assert {tree.top(dip.number).number for dip in inner} == {outer.number}
    big, small = sorted(inner, key=lambda dip: dip.bottom)
    assert tree.top(big.beyond).number == outer.number
    extra = 0.5 * small.capacity
    over = pour(tree, {big.number: big.capacity + extra})
    assert over.stored[small.number] == pytest.approx(extra, rel=0.01)
    assert sum(over.stored.values()) == pytest.approx(big.capacity + extra, rel=1e-9)
    full = pour(tree, {big.number: big.capacity + 3 * small.capacity})
    assert big.number not in full.stored
    assert full.ran_off == 0.0


def test_the_stage_curve_ends_at_the_capacity_and_only_rises():
    domain, heights, lifts = two_dips()
    tree = build_hierarchy(domain, heights, lifts)
    outer = max(tree.dips, key=lambda dip: dip.capacity)
    curve = stage_curve(tree, outer)
    assert curve[-1, 2] == pytest.approx(outer.capacity, rel=1e-6)
    assert (np.diff(curve, axis=0) >= 0).all()
    assert curve[0, 2] == 0.0
