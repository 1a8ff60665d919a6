"""Low spots, outlets and overflow against what the codes ask."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from survey.drainage.model import Likelihood, SlopeField
from survey.figures import Figure, NotObserved
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPoint
from survey.rules import judge
from survey.visit.model import EdgeKind, OutletKind
from tests.rules.made import (
    COVARIANCE,
    a_drain,
    a_drainage,
    a_full_drainage,
    a_low_spot,
    a_plane_set,
    a_visit,
    an_overflow,
    edges,
    parapets,
    slope,
)


def found(visit, drainage=None, pitch=None):
    drained = (drainage or a_drainage(),)
    judgement = judge(visit, a_plane_set(visit, pitch or slope(0.5)), drained)
    return {finding.code: finding for finding in judgement.findings}


def test_low_spot_that_is_shown_asks_for_a_look_and_a_possible_one_for_readings():
    shown = found(a_visit(), a_drainage(a_low_spot()))["low-spot-without-outlet"]
    assert shown.severity is Severity.CHECK
    assert "48 hours" in shown.cure
    possible = found(a_visit(), a_drainage(a_low_spot(Likelihood.POSSIBLE)))
    assert possible["low-spot-without-outlet"].severity is Severity.NOTE
    assert "more rod readings" in possible["low-spot-without-outlet"].cure


def test_spot_that_is_not_shown_is_no_finding():
    codes = found(a_visit(), a_drainage(a_low_spot(Likelihood.NOT_SHOWN)))
    assert not {code for code in codes if code.startswith("low-spot")}


def test_low_spot_names_its_depth_and_the_weight_of_its_water():
    """3/8 in of water is 2.0 psf at 5.2 psf an inch (ASCE 7 Eq. 8.3-1)."""
    what = found(a_visit(), a_drainage(a_low_spot()))["low-spot-without-outlet"].what
    assert '3/8"' in what
    assert "2.0 psf" in what


def test_roof_over_its_edges_needs_no_drain_for_the_rest_of_it():
    over = found(a_visit(), a_drainage(a_low_spot()))["low-spot-without-outlet"]
    assert "the rest drains over 'front'" in over.what
    closed = a_drainage(a_low_spot(), leaves_by=())
    trapped = found(a_visit(edges=parapets()), closed)["low-spot-without-outlet"]
    assert "a drain belongs at each low point" in trapped.what


def test_outlet_above_the_bottom_of_its_low_spot_is_named():
    visit = a_visit(outlets=(a_drain(),))
    codes = found(visit, a_drainage(a_low_spot(outlet="drain 1")))
    assert "sits above its bottom" in codes["low-spot-at-outlet"].what
    assert "low-spot-without-outlet" not in codes


def test_spot_that_depends_on_an_unknown_edge_says_so():
    spot = replace(a_low_spot(), only_if="'left' holds water back")
    assert (
        "only if 'left' holds water back"
        in found(a_visit(), a_drainage(spot))["low-spot-without-outlet"].what
    )


def test_drainage_that_could_not_be_judged_is_told():
    drainage = a_drainage(not_judged="no reading lies in its field", slope_field=None)
    assert "no reading" in found(a_visit(), drainage)["drainage-not-judged"].what


def test_findings_of_the_drainage_stage_are_passed_on():
    noticed = Finding("no-way-out", Severity.CHECK, "porch", "no edge lets water off")
    assert found(a_visit(), a_drainage(findings=(noticed,)))["no-way-out"] is noticed


def test_open_edge_needs_no_overflow():
    assert "overflow-missing" not in found(a_visit(outlets=(a_drain(),)))


def test_edges_that_all_hold_water_ask_for_an_overflow():
    """IRC R903.4.1 asks it where the perimeter would trap water; a re-roof has relief."""
    visit = a_visit(outlets=(a_drain(),), edges=parapets(), work="new")
    missing = found(visit, a_drainage(leaves_by=("drain 1",)))["overflow-missing"]
    assert "R903.4.1" in missing.what
    assert "need not add it" not in missing.what
    again = replace(visit, work="re-cover")
    relieved = found(again, a_drainage(leaves_by=("drain 1",)))["overflow-missing"]
    assert "need not add it" in relieved.what


def test_one_edge_of_unknown_kind_is_no_proof_that_water_is_trapped():
    first, *others = parapets()
    unknown = replace(first, kind=EdgeKind.UNKNOWN, meets=None, drains=None, dam_height=None)
    visit = a_visit(outlets=(a_drain(),), edges=(unknown, *others))
    codes = found(visit, a_drainage(leaves_by=("drain 1",)))
    assert "overflow-missing" not in codes
    assert "edge-kind-not-known" in codes


def test_blocked_outlets_load_the_roof_by_the_lowest_dam():
    """6 in of water is 31.2 psf: 6 x 5.2 (ASCE 7 Eq. 8.3-1)."""
    dams = tuple(replace(edge, dam_height=6 * 0.0254) for edge in parapets())
    visit = a_visit(outlets=(a_drain(), an_overflow()), edges=dams)
    blocked = found(visit, a_drainage(leaves_by=("drain 1",)))["blocked-outlet-load"]
    assert blocked.severity is Severity.NOTE
    assert '6" deep' in blocked.what
    assert "31.2" in blocked.what
    assert "licensed engineer" in blocked.cure


@pytest.mark.parametrize(
    ("invert_in", "code"), [(1.0, "overflow-height"), (2.0, "overflow-height"),
                            (4.0, "overflow-too-high")]
)  # fmt: skip
def test_overflow_is_held_against_two_inches_above_the_low_point(invert_in, code):
    """IRC R903.4.1: inlet flow line 2 in above the low point."""
    visit = a_visit(
        outlets=(a_drain(along=3.0, up=0.0), an_overflow(invert=invert_in * 0.0254)),
        edges=parapets(),
    )
    codes = found(visit, a_drainage(leaves_by=("drain 1",)))
    assert code in codes
    assert '2" above the low point' in codes[code].what


def test_overflow_up_the_slope_stands_higher_by_the_rise():
    """On 1/2 in 12 an overflow 1 m up the slope is 1 m / 24 = 41.6 mm higher."""
    visit = a_visit(
        outlets=(a_drain(along=3.0, up=0.0), an_overflow(up=1.0, invert=0.0)),
        edges=parapets(), units="metric",
    )  # fmt: skip
    what = found(visit, a_drainage(leaves_by=("drain 1",)), slope(0.5, 0.01))[
        "overflow-height"
    ].what
    assert "its inlet is 42 mm" in what


def test_overflow_without_height_or_place_is_not_judged():
    for outlet, why in (
        (an_overflow(invert=None), "not written down"),
        (an_overflow(along=None, up=None, edge="front"), "was not measured"),
    ):
        visit = a_visit(outlets=(a_drain(), outlet), edges=parapets())
        codes = found(visit, a_drainage(leaves_by=("drain 1",)))
        assert why in codes["overflow-height-not-observed"].what
    visit = a_visit(outlets=(a_drain(), an_overflow()), edges=parapets())
    gap = NotObserved("no level", "take one")
    codes = found(visit, a_drainage(leaves_by=("drain 1",)), gap)
    assert "fall is not observed" in codes["overflow-height-not-observed"].what


def test_overflow_scupper_has_three_times_the_drain_at_four_inches_high():
    """IRC R903.4.1. 3 in drain: 3 x 7.069 sq in / 4 in = 5.30 in wide."""
    wide = a_visit(outlets=(a_drain(), an_overflow(width=0.15)), edges=parapets())
    codes = found(wide, a_drainage(leaves_by=("drain 1",)))
    assert codes["overflow-scupper-size"].severity is Severity.NOTE
    assert '5-5/16" wide' in codes["overflow-scupper-size"].what
    narrow = a_visit(outlets=(a_drain(), an_overflow(width=0.10)), edges=parapets())
    codes = found(narrow, a_drainage(leaves_by=("drain 1",)))
    assert codes["overflow-scupper-narrow"].severity is Severity.CHECK


def test_overflow_drain_is_not_measured_as_a_scupper():
    visit = a_visit(
        outlets=(a_drain(), an_overflow(kind=OutletKind.OVERFLOW_DRAIN)), edges=parapets()
    )
    codes = found(visit, a_drainage(leaves_by=("drain 1",)))
    assert not {code for code in codes if code.startswith("overflow-scupper")}


def test_strip_under_the_minimum_is_named_only_when_its_interval_excludes_none():
    field = SlopeField(1 / 48, Figure(0.2, 0.05, "1"), (), Figure(0.1, 0.02, "1"))
    codes = found(a_visit(), a_drainage(slope_field=field))
    assert "20 % (10 to 30 %)" in codes["strip-under-minimum"].what
    assert "10 % (6 to 14 %)" in codes["falls-towards-wall"].what
    unsure = SlopeField(1 / 48, Figure(0.05, 0.05, "1"), (), Figure(0.01, 0.02, "1"))
    codes = found(a_visit(), a_drainage(slope_field=unsure))
    assert not {"strip-under-minimum", "falls-towards-wall"} & set(codes)


def test_valley_is_judged_by_its_own_lesser_fall():
    """A mitre of two equal planes falls p / sqrt 2: planes at 1/4:12 give 0.177 in 12."""
    first, *others = edges()
    valley = replace(first, kind=EdgeKind.VALLEY, meets=None)
    visit = a_visit(edges=(valley, *others))
    planes = a_plane_set(visit, slope(0.3, 0.02))
    (plane,) = planes.planes
    inclined = replace(plane.edges[0], slope=Figure(0.25 / 12 / np.sqrt(2), 0.0005, "m/m"))
    plane = replace(plane, edges=(inclined, *plane.edges[1:]))
    judgement = judge(visit, replace(planes, planes=(plane,)), (a_drainage(),))
    codes = {f.code: f for f in judgement.findings}
    assert "0.177:12" in codes["valley-under-minimum"].what
    assert codes["valley-under-minimum"].severity is Severity.NOTE


def test_outlet_marked_at_a_point_is_placed_by_it():
    """Its point lies 2 m up the slope: 2 / 24 m above the drain at the front edge, plus invert."""
    visit = a_visit(
        outlets=(
            a_drain(plane=None, at="A", along=None, up=None),
            an_overflow(plane=None, at="G1", along=None, up=None, invert=0.0),
        ),
        edges=parapets(), units="metric",
    )  # fmt: skip
    planes = a_plane_set(visit, slope(0.5, 0.01))
    point = MeasuredPoint("G1", np.array([3.0, 2.0, 2 / 24]), COVARIANCE, True)
    planes = replace(planes, points=(*planes.points[:-1], point))
    judgement = judge(visit, planes, (a_drainage(leaves_by=("drain 1",)),))
    codes = {f.code: f for f in judgement.findings}
    assert "83 mm" in codes["overflow-too-high"].what


def test_height_and_load_found_by_the_drainage_stage_are_taken():
    """Behind 0.05 m of water: 490 Pa is 10.2 psf."""
    visit = a_visit(outlets=(a_drain(), an_overflow(invert=0.2)), edges=parapets())
    codes = found(visit, a_full_drainage())
    height = codes["overflow-height"].what  # 0.05 m, not the 0.2 m written down
    assert 'its inlet is 2" ± 5/16"' in height
    assert "10.2 psf" in codes["blocked-outlet-load"].what
    assert "runs over 'overflow 1'" in codes["blocked-outlet-load"].what


def test_lopsided_interval_of_a_depth_is_told_by_its_ends():
    """A pond of 0 to 1/2 in is not "1/4 in ± 1/4 in": what it weighs follows its depth."""
    spot = replace(
        a_low_spot(),
        depth=Figure(0.0254 / 4, 0.003, "m"),
        load=Figure(62.2, 30.0, "Pa"),
        depth_interval=(0.0, 0.0254 / 2),
        area_interval=(0.5, 1.5),
    )
    what = found(a_visit(), a_drainage(spot))["low-spot-without-outlet"].what
    assert '1/4" (0" to 1/2") deep' in what
    assert "11 sq ft (5 to 16 sq ft) in area" in what
    assert "1.3 psf (0.0 to 2.6 psf) at its deepest" in what


def test_both_ends_of_a_metric_interval_are_in_one_unit():
    spot = replace(a_low_spot(), depth=Figure(0.09, 0.01, "m"), depth_interval=(0.07, 0.11))
    what = found(a_visit(units="metric"), a_drainage(spot))["low-spot-without-outlet"].what
    assert "0.090 m (0.070 to 0.110 m) deep" in what
    spot = replace(spot, depth_interval=(0.085, 0.095))
    what = found(a_visit(units="metric"), a_drainage(spot))["low-spot-without-outlet"].what
    assert "90 mm (85 to 95 mm) deep" in what
