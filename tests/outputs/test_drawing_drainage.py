"""The drainage drawing: well-formed, the same each time, legible without colour."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from survey.drainage import derive_drainage
from survey.outputs import svg
from survey.outputs.drawing_drainage import draw_drainage
from survey.planefile import PlaneFile, assemble
from survey.rules import judge
from survey.visit.model import EdgeKind, OutletKind, OutletSpec, PenetrationSpec
from tests.drainage.roofs import FOOT, INCH, dished, grid_places, plane_set, read_roof, shed_roof
from tests.drainage.roofs import visit as a_bare_visit
from tests.planefile.made import the_parts

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "A <script>alert('x')</script> & \"roof\""


@pytest.fixture(scope="module")
def parts():
    edges = {
        "AB": dict(kind=EdgeKind.EAVE, meets="open"),
        "BC": dict(kind=EdgeKind.SIDEWALL),
        "CD": dict(kind=EdgeKind.UNKNOWN),
        "DA": dict(kind=EdgeKind.SIDEWALL),
    }
    plane, measured = shed_roof(edges=edges)
    dish = (10 * FOOT, 20 * FOOT, 4 * FOOT, 1.2 * INCH)
    readings, covariance = read_roof(
        dished(1 / 48, (dish,)), grid_places(spacing=4 * FOOT), INCH / 16, np.random.default_rng(3)
    )
    planes = plane_set(plane, measured, readings, covariance)
    visit = replace(
        a_bare_visit(planes=(plane.spec,)),
        outlets=(OutletSpec("drain 1", OutletKind.DRAIN, plane="porch", along=3.0, up=1.0),),
        penetrations=(
            PenetrationSpec(
                HOSTILE, "curb", plane="porch", along=4.5, up=9.5, width=0.8, length=0.6
            ),
        ),
    )
    drainage = derive_drainage(planes, visit, surfaces=60, minimum_slopes={"porch": 1 / 48})
    return {"visit": visit, "planes": planes, "drainage": drainage}


def plane_file(parts) -> PlaneFile:
    judgement = judge(parts["visit"], parts["planes"], parts["drainage"])
    return assemble(**the_parts(**parts) | {"judgement": judgement})


def test_the_drawing_holds_all_that_was_found(parts):
    drawing = draw_drainage(plane_file(parts), "porch")
    root = ElementTree.fromstring(drawing)
    words = [element.text for element in root.iter(f"{SVG}text")]
    assert root.find(f"{SVG}title").text == "Drainage of porch"
    assert "Low spot A: shown" in root.find(f"{SVG}desc").text
    for expected in ("A", "edge AB", "edge CD ?", "drain 1", "read here next"):
        assert expected in words
    crosses = [e for e in root.iter(f"{SVG}path") if e.get("d", "").count("M") == 2]
    assert len(crosses) >= len(parts["planes"].readings)


def test_names_can_not_turn_into_markup(parts):
    drawing = draw_drainage(plane_file(parts), "porch")
    assert "<script" not in drawing
    root = ElementTree.fromstring(drawing)
    assert HOSTILE in [element.text for element in root.iter(f"{SVG}text")]


def test_the_same_plane_file_gives_the_same_bytes(parts):
    file = plane_file(parts)
    assert draw_drainage(file, "porch") == draw_drainage(file, "porch")


def test_what_matters_is_told_by_hatch_line_and_letter_not_by_colour(parts):
    """In grey the drawing keeps its meaning: fills are patterns, lines differ by dash or width."""
    drawing = draw_drainage(plane_file(parts), "porch")
    colours = set(re.findall(r"#[0-9a-f]{3,6}\b", drawing))
    chromatic = {c for c in colours if len(set(_channels(c))) > 1}
    assert chromatic == {"#123f7a"}
    for name in ("wet-shown", "wet-likely", "wet-possible", "too-flat", "curb"):
        assert f'id="{name}"' in drawing
    assert 'fill="url(#wet-shown)"' in drawing
    dark, light = _luminance("#123f7a"), _luminance("#fff")
    assert (light + 0.05) / (dark + 0.05) > 7.0  # WCAG 2 contrast, enhanced


def _channels(colour):
    digits = colour[1:]
    if len(digits) == 3:
        digits = "".join(2 * d for d in digits)
    return [int(digits[i : i + 2], 16) for i in (0, 2, 4)]


def _luminance(colour):
    shares = [c / 255 for c in _channels(colour)]
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


def test_metric_drawings_speak_metric(parts):
    words = draw_drainage(plane_file(parts), "porch", system="metric")
    assert re.search(r">\d+ m<", words)
    assert " sq ft" not in words


def test_a_plane_whose_water_is_not_judged_still_draws(parts):
    planes = replace(parts["planes"], gravity_observed=False)
    drainage = derive_drainage(planes, parts["visit"])
    file = plane_file(parts | {"planes": planes, "drainage": drainage})
    root = ElementTree.fromstring(draw_drainage(file, "porch"))
    words = " ".join(element.text for element in root.iter(f"{SVG}text"))
    assert "not judged: gravity is not observed" in words


def test_an_unknown_plane_is_refused(parts):
    with pytest.raises(KeyError):
        draw_drainage(plane_file(parts), "attic")


@pytest.mark.parametrize(("value", "written"), [(1.0, "1"), (-0.001, "0"), (2.346, "2.35")])
def test_numbers_are_short(value, written):
    assert svg.number(value) == written
