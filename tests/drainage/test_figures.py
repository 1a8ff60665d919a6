"""Words, weights, outlets, valleys and remedies against arithmetic on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.drainage.domain import build_domain
from survey.drainage.flow import flow_paths
from survey.drainage.low_spots import GRAVITY, WATER_DENSITY, leaves_by, likelihood_of
from survey.drainage.model import Likelihood
from survey.drainage.next_readings import next_readings
from survey.drainage.outlets import blocked_outlets, outlet_states
from survey.drainage.presumed import valley_falls
from survey.drainage.remedies import derive_saddles, derive_taper
from survey.drainage.slopes import SlopeTally
from survey.figures import Figure, NotObserved
from survey.visit.model import EdgeKind, OutletKind, OutletSpec, PenetrationSpec
from tests.drainage.roofs import FOOT, INCH, plane_set, shed_roof, visit

WALLED = {
    "AB": dict(kind=EdgeKind.PARAPET, dam_height=4 * INCH),
    "BC": dict(kind=EdgeKind.SIDEWALL),
    "CD": dict(kind=EdgeKind.HEADWALL),
    "DA": dict(kind=EdgeKind.SIDEWALL),
}


def domain_of(*, fall=1 / 48, edges=None, outlets=(), penetrations=(), cell=6 * INCH):
    plane, measured = shed_roof(fall=fall, edges=edges)
    planes = plane_set(plane, measured)
    return plane, build_domain(plane, planes, visit(outlets, penetrations), cell=cell)


def rising(domain, slope):
    return slope * domain.points[None, :, 1]


@pytest.mark.parametrize(
    ("probability", "word"),
    [
        (1.0, Likelihood.SHOWN),
        (0.90, Likelihood.SHOWN),
        (0.89, Likelihood.LIKELY),
        (0.50, Likelihood.LIKELY),
        (0.49, Likelihood.POSSIBLE),
        (0.25, Likelihood.POSSIBLE),
        (0.24, Likelihood.NOT_SHOWN),
    ],
)
def test_words_follow_their_thresholds(probability, word):
    assert likelihood_of(probability) is word


@pytest.mark.parametrize(("inches", "psf"), [(1.0, 5.2), (2.0, 10.4), (4.5, 23.4), (12.0, 62.4)])
def test_water_weighs_what_the_rain_load_rule_says(inches, psf):
    """ASCE 7 eq. 8.3-1 and IBC 1611.1: R = 5.2 (ds + dh), psf and inches."""
    pascals = WATER_DENSITY * GRAVITY * inches * INCH
    assert pascals / (0.45359237 * 9.80665 / FOOT**2) == pytest.approx(psf, abs=0.05)


def test_a_taper_is_a_wedge():
    """A roof with half the fall wanted: mean thickness (m - s) L / 2, high end (m - s) L."""
    _, domain = domain_of(fall=1 / 96)
    heights = np.repeat(rising(domain, 1 / 96), 3, axis=0)
    outlet = next(o for o in domain.outlets if o.name == "edge AB")
    taper = derive_taper(domain, heights, outlet, 1 / 48)
    length, area = 40 * FOOT, 800 * FOOT**2
    gap = 1 / 48 - 1 / 96
    assert taper.volume.value == pytest.approx(area * gap * length / 2, rel=0.03)
    assert taper.thickest.value == pytest.approx(gap * length, rel=0.03)
    assert taper.high_end.value == pytest.approx(0.95 * gap * length, rel=0.03)
    assert taper.low_end.value == pytest.approx(0.05 * gap * length, rel=0.25)


def test_no_fill_is_needed_on_a_steep_enough_roof():
    _, domain = domain_of()
    outlet = next(o for o in domain.outlets if o.name == "edge AB")
    taper = derive_taper(domain, rising(domain, 1 / 40), outlet, 1 / 48)
    assert taper.volume.value == pytest.approx(0.0, abs=1e-6)


def test_a_saddle_is_a_tetrahedron():
    """36 in curb on 1/2 in per ft: 18 in up, 3/4 in high, w L^2 s / 6, valleys s / sqrt 2."""
    curb = PenetrationSpec("chimney", "curb", "porch", along=3.0, up=6.0, width=0.9144, length=0.6)
    plane, domain = domain_of(fall=1 / 24, penetrations=(curb,))
    (saddle,) = derive_saddles(plane, domain, (curb,))
    assert saddle.width == pytest.approx(0.9144, rel=0.01)
    assert saddle.length == pytest.approx(0.4572, rel=0.01)
    assert saddle.height.value == pytest.approx(0.75 * INCH, rel=0.01)
    assert saddle.volume.value == pytest.approx(0.9144 * 0.4572**2 / 24 / 6, rel=0.02)
    assert saddle.valley_fall.value == pytest.approx(1 / 24 / np.sqrt(2))
    assert saddle.present is None


def test_water_dams_behind_a_curb_on_the_fall_and_runs_round_it():
    curb = PenetrationSpec("skylight", "curb", "porch", along=3.0, up=6.0, width=1.2, length=1.2)
    _, domain = domain_of(penetrations=(curb,))
    start = np.array([[3.0, 9.0]])
    (path,) = flow_paths(domain, rising(domain, 1 / 48)[0], domain.lifts(unknown_open=True), start)
    middle = path.points[np.abs(path.points[:, 1] - 6.0) < 0.5]
    assert path.to == "edge AB"
    assert (np.abs(middle[:, 0] - 3.0) > 0.5).all()


def test_paths_end_at_the_outlet_where_every_edge_is_a_wall():
    drain = OutletSpec("drain", OutletKind.DRAIN, plane="porch", along=3.0, up=2.0)
    _, domain = domain_of(edges=WALLED, outlets=(drain,))
    bowl = (0.02 * np.hypot(domain.points[:, 0] - 3.0, domain.points[:, 1] - 2.0))[None]
    lifts = domain.lifts(unknown_open=True)
    paths = flow_paths(domain, bowl[0], lifts)
    assert paths
    assert {path.to for path in paths} == {"drain"}
    assert leaves_by(domain, bowl[0], lifts) == ("drain",)


def test_outlet_heights_count_from_the_lowest_roof():
    drain = OutletSpec("drain", OutletKind.DRAIN, plane="porch", along=3.0, up=3.0)
    over = OutletSpec(
        "over", OutletKind.OVERFLOW_SCUPPER, plane="porch", along=3.0, up=0.0, invert=2 * INCH
    )
    _, domain = domain_of(edges=WALLED, outlets=(drain, over))
    states = {s.name: s for s in outlet_states(domain, rising(domain, 1 / 48))}
    low = domain.points[:, 1][domain.index[domain.inside]].min()
    assert states["drain"].above_low_point.value == pytest.approx((3.0 - low) / 48, abs=0.002)
    assert states["over"].above_low_point.value == pytest.approx(2 * INCH - low / 48, abs=1e-4)


def test_blocked_drains_leave_the_head_up_to_the_overflow_as_information():
    """Overflow 2 in above the low edge: 2 in of water there, 10.4 psf (ASCE 7: 5.2 per inch)."""
    drain = OutletSpec("drain", OutletKind.DRAIN, plane="porch", along=3.0, up=0.2)
    over = OutletSpec(
        "over", OutletKind.OVERFLOW_SCUPPER, plane="porch", along=3.0, up=0.0, invert=2 * INCH
    )
    _, domain = domain_of(edges=WALLED, outlets=(drain, over), cell=3 * INCH)
    blocked = blocked_outlets(domain, rising(domain, 1 / 48))
    assert blocked.blocked == ("drain",)
    assert blocked.spills_over == "over"
    assert blocked.depth.value == pytest.approx(2 * INCH, rel=0.03)
    psf = blocked.load.value / (0.45359237 * 9.80665 / FOOT**2)
    assert psf == pytest.approx(10.4, rel=0.03)


def test_blocked_drains_behind_walls_of_unknown_height_are_not_observed():
    edges = WALLED | {"AB": dict(kind=EdgeKind.HEADWALL)}
    drain = OutletSpec("drain", OutletKind.DRAIN, plane="porch", along=3.0, up=0.2)
    _, domain = domain_of(edges=edges, outlets=(drain,))
    blocked = blocked_outlets(domain, rising(domain, 1 / 48))
    assert isinstance(blocked.depth, NotObserved)


def test_a_mitre_is_judged_by_its_own_lesser_fall():
    """1:40 planes give 1:56.6 in the valley between them, p / sqrt 2 (BS 6229 guidance)."""
    plane, measured = shed_roof(fall=1 / 40, edges={"AB": dict(kind=EdgeKind.VALLEY)})
    along = Figure(1 / 40 / np.sqrt(2), 0.001, "m/m")
    plane = replace(plane, edges=(replace(measured[0], slope=along),))
    (valley,) = valley_falls(plane, 1 / 48)
    assert 1 / valley.fall.value == pytest.approx(56.6, abs=0.05)
    assert valley.fall.value < 1 / 48 < 1 / 40


def test_the_share_under_the_minimum_is_compared_in_rise_over_run():
    """2 percent is a label: a roof of exactly 2.000 % is under 1/4:12, which is 2.083 %."""
    _, domain = domain_of(fall=0.0)
    tally = SlopeTally(domain, 0.25 / 12)
    tally.add(rising(domain, 0.02000))
    assert tally.slope_field().share_under.value == 1.0
    tally = SlopeTally(domain, 0.25 / 12)
    tally.add(rising(domain, 0.02084))
    assert tally.slope_field().share_under.value == 0.0


def test_a_strip_that_falls_to_a_wall_is_outlined():
    _, domain = domain_of(fall=0.0)
    x, y = domain.points.T
    inward = np.where(x > 17 * FOOT, -0.02 * (x - 17 * FOOT), 0.0)  # falls to the right-hand wall
    tally = SlopeTally(domain, None)
    tally.add((y / 48 + inward)[None])
    field = tally.slope_field()
    assert field.backfall_share.value == pytest.approx(3 / 20, abs=0.04)
    (strip,) = field.backfall_strips
    assert strip[:, 0].min() > 15.5 * FOOT
    assert isinstance(field.share_under, NotObserved)


def test_the_next_reading_goes_where_the_surfaces_disagree():
    rng = np.random.default_rng(7)
    places = np.stack(np.meshgrid(np.arange(0, 6.1, 0.5), np.arange(0, 6.1, 0.5)), -1).reshape(
        -1, 2
    )
    dip = np.exp(-((places - [4.0, 2.0]) ** 2).sum(axis=1) / 0.8)
    depth = np.clip(rng.normal(0.004, 0.006, 200), 0, None)
    heights = rng.normal(0, 0.0003, (200, len(places))) - depth[:, None] * dip
    found = next_readings(
        places, heights, depth[:, None], origin=np.zeros(2), across=np.array([1.0, 0.0])
    )
    assert np.linalg.norm(found[0].at - [4.0, 2.0]) < 0.6
    assert found[0].gain > 0.7
    assert (found[0].along, found[0].up) == pytest.approx(tuple(found[0].at))
