"""What goes into a plane file, and what never does."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from survey.figures import NORMAL_95, Figure, NotObserved
from survey.findings import Finding, Severity
from survey.planefile import PlaneFile, read_measured, write_measured
from survey.planefile.assembling import sort_findings
from survey.planefile.schema import find_problems, schema
from survey.planefile.values import cleaned, number, significant, sum_of
from survey.planes.model import MeasuredPoint
from survey.visit.model import EdgeKind, PlaneKind, RodReading, Setup
from tests.planefile.made import MadeSolution, a_network, a_plane_file, the_parts
from tests.rules.made import a_drainage, a_low_spot, a_plane_set, a_visit, slope

FIGURE_KEYS = {"value", "half_width", "unit", "coverage", "coverage_factor", "observed_by"}


def walk(value, path=()):
    yield path, value
    parts = value.items() if isinstance(value, dict) else ()
    parts = enumerate(value) if isinstance(value, list) else parts
    for key, part in parts:
        yield from walk(part, (*path, key))


def test_document_of_every_case_is_what_the_schema_says():
    gap = NotObserved("nothing says which way is up", "take one slope reading")
    visit = a_visit()
    for changes in (
        {},
        {"planes": a_plane_set(visit, gap), "visit": visit},
        {"drainage": (a_drainage(not_judged="no reading", slope_field=None),)},
        {"drainage": (a_drainage(replace(a_low_spot(), depth=gap, load=gap)),)},
        {"photos": (), "sightings": (), "sighting_problems": ()},
        {"solution": MadeSolution(gravity_observed=False, scale_observed=False)},
    ):
        document = a_plane_file(**changes).document
        assert find_problems(document, "porch.planes.json") == []


def test_schema_in_docs_is_the_one_in_the_package():
    docs = Path(__file__).parents[2] / "docs" / "plane-file.schema.json"
    package = Path(__file__).parents[2] / "survey" / "planefile" / "plane-file.schema.json"
    assert docs.read_bytes() == package.read_bytes()


def test_every_table_of_the_schema_is_closed_and_every_tuple_ends():
    for path, value in walk(schema()):
        if isinstance(value, dict) and value.get("type") == "object":
            assert value.get("additionalProperties") is False, path
            assert set(value["required"]) == set(value["properties"]), path
        if isinstance(value, dict) and "prefixItems" in value:
            assert value["items"] is False, path
            assert value["minItems"] == len(value["prefixItems"]), path
        if isinstance(value, dict) and value.get("type") == "array" and "items" in value:
            assert "maxItems" in value or value["items"] is False, path


def test_no_measured_number_goes_without_its_interval():
    document = a_plane_file().document
    figures = [
        value for _, value in walk(document) if isinstance(value, dict) and "half_width" in value
    ]
    assert len(figures) >= 25
    for figure in figures:
        assert set(figure) == FIGURE_KEYS
        assert figure["coverage"] == 0.95


def test_same_input_gives_the_same_document_whatever_the_order_of_the_parts():
    parts = the_parts()
    turned = parts | {
        "photos": tuple(reversed(parts["photos"])),
        "solution": replace(
            parts["solution"], observations=tuple(reversed(parts["solution"].observations))
        ),
        "planes": replace(parts["planes"], points=tuple(reversed(parts["planes"].points))),
    }
    first = a_plane_file(**parts).document
    second = a_plane_file(**turned).document
    assert json.dumps(first) == json.dumps(second)


def test_last_bits_of_arithmetic_leave_no_trace():
    """A processor that rounds the last bit the other way writes the same file."""
    parts = the_parts()
    planes = parts["planes"]
    (plane,) = planes.planes
    shaken = replace(
        plane,
        outline=plane.outline * (1 + 4e-16) + 1e-15,
        area=replace(plane.area, value=plane.area.value * (1 + 4e-16)),
        normal=plane.normal + 2e-16,
    )
    shaken_parts = parts | {"planes": replace(planes, planes=(shaken,))}
    assert a_plane_file(**parts).document == a_plane_file(**shaken_parts).document


def test_no_minus_zero_and_no_number_that_json_lacks_is_written():
    for path, value in walk(a_plane_file().document):
        if isinstance(value, float):
            assert math.isfinite(value), path
            assert math.copysign(1.0, value) == 1.0 or value < 0.0, path


def test_infinite_and_missing_statistics_are_null():
    document = a_plane_file().document
    unchecked = next(entry for entry in document["observations"] if entry["id"] == "R1")
    assert unchecked["detectable"] is None
    kinds = {kind["kind"]: kind["variance_factor"] for kind in document["adjustment"]["kinds"]}
    assert kinds == {"tape length": 1.0, "point mark": None}


def test_reading_stands_beside_its_residual():
    document = a_plane_file().document
    tape = next(entry for entry in document["observations"] if entry["id"] == "T1")
    assert (tape["read"], tape["residual"], tape["unit"]) == (6.0, 0.0012, "m")


def test_photo_log_says_what_was_used_and_why_not():
    first, second = a_plane_file().document["photos"]
    assert (first["name"], first["used"], first["file"]) == ("a.jpg", True, "photos/a.jpg")
    assert first["targets"][0]["corners"] == 4
    assert first["target_problems"][0]["code"] == "too small"
    assert (second["used"], second["not_used"], second["sha256"]) == (False, "it is empty", None)


def test_photo_that_nothing_ties_in_says_so():
    network = a_network()
    network.observations = network.observations[1:]
    first, _ = a_plane_file(network=network).document["photos"]
    assert not first["used"]
    assert "nothing ties it" in first["not_used"]


def test_places_of_photos_and_machine_paths_are_never_written():
    text = json.dumps(a_plane_file().document).lower()
    for word in ("gps", "latitude", "longitude", "altitude", "somewhere"):
        assert word not in text.replace("places (gps) are never written", "")


def test_gravity_and_scale_name_what_they_were_observed_by():
    frame = a_plane_file().document["frame"]
    assert frame["gravity_by"] == ["1 level edge", "1 slope reading"]
    assert frame["scale_by"] == ["1 target in a photo", "1 tape length"]
    blind = a_plane_file(solution=MadeSolution(gravity_observed=False)).document["frame"]
    assert blind["gravity_by"] == []


def test_findings_come_gravest_first_and_once():
    note = Finding("a-note", Severity.NOTE, "x", "one")
    check = Finding("b-check", Severity.CHECK, "x", "two")
    stop = Finding("c-stop", Severity.STOP, "x", "three")
    assert sort_findings([note, check, stop, note]) == [stop, check, note]
    document = a_plane_file(solution=MadeSolution(findings=(stop,))).document
    assert document["findings"][0]["code"] == "c-stop"


def test_what_the_rod_readings_say_of_themselves_is_among_the_findings():
    readings = tuple(
        RodReading(f"L{i}", f"readings.csv line {i}", "S1", name, 1.5, 0.0016)
        for i, name in enumerate("ABC", start=2)
    )
    visit = a_visit(readings=readings, setups=(Setup("S1"),))
    planes = a_plane_set(visit, slope(0.5))
    codes = {f["code"] for f in a_plane_file(visit=visit, planes=planes).document["findings"]}
    assert "set-up-not-checked" in codes
    visit = replace(visit, readings=())
    codes = {f["code"] for f in a_plane_file(visit=visit, planes=planes).document["findings"]}
    assert "set-up-not-checked" not in codes


def test_second_looks_count_what_is_more_than_a_note():
    plane_file = a_plane_file()
    counted = [f for f in plane_file.document["findings"] if f["severity"] in ("check", "stop")]
    assert plane_file.second_looks == len(counted) > 0


def test_limits_that_findings_of_any_stage_stand_on_are_in_the_file():
    finding = Finding("x", Severity.NOTE, "x", "x", rule="uk-flat-roof")
    document = a_plane_file(solution=MadeSolution(findings=(finding,))).document
    rules = {rule["id"]: rule for rule in document["rules"]}
    assert rules["uk-flat-roof"]["written"] == "10 deg"
    assert list(rules) == sorted(rules)


def test_text_with_line_breaks_and_control_signs_comes_out_on_one_line():
    visit = a_visit(notes=("first\nsecond\x1b[31m red\x00",), place="a\tb")
    document = a_plane_file(visit=visit).document
    assert document["visit"]["notes"] == ["first second [31m red"]
    assert document["visit"]["place"] == "a b"
    assert cleaned({"a": ["x\r\ny"]}) == {"a": ["x y"]}


def test_walls_are_written_but_not_counted_as_roof():
    visit = a_visit()
    planes = a_plane_set(visit, slope(0.5))
    (porch,) = planes.planes
    wall = replace(
        porch, spec=replace(porch.spec, name="house wall", kind=PlaneKind.WALL), edges=()
    )
    planes = replace(planes, planes=(porch, wall))
    document = a_plane_file(visit=visit, planes=planes).document
    assert document["totals"]["planes"] == ["porch"]
    written = document["planes"][1]
    assert (written["kind"], written["coverings"], written["drainage"]) == ("wall", None, None)


def test_totals_add_half_widths_and_name_what_they_leave_out():
    visit = a_visit()
    planes = a_plane_set(visit, slope(0.5))
    (porch,) = planes.planes
    gap = NotObserved("a corner is missing", "mark it")
    shed = replace(porch, spec=replace(porch.spec, name="shed"), edges=())
    lean_to = replace(shed, spec=replace(porch.spec, name="lean-to"), area=gap, plan_area=gap)
    planes = replace(planes, planes=(porch, shed, lean_to))
    totals = a_plane_file(visit=visit, planes=planes).document["totals"]
    assert totals["planes"] == ["porch", "shed"]
    assert totals["not_counted"] == ["lean-to"]
    area = read_measured(totals["area"])
    assert area.value == pytest.approx(2 * porch.area.value, abs=1e-6)
    assert area.half_width == pytest.approx(2 * porch.area.half_width, abs=2e-6)
    kinds = {kind["kind"]: kind for kind in totals["edges"]}
    assert kinds["rake"]["edges"] == ["right", "left"]
    assert read_measured(kinds["rake"]["length"]).value == pytest.approx(
        sum(e.length.value for e in porch.edges if e.edge.kind is EdgeKind.RAKE), abs=1e-6
    )


def test_total_half_width_is_never_under_that_of_any_correlation():
    """sd of a sum is at most the sum of sds, whatever the correlation (Cauchy-Schwarz)."""
    rng = np.random.default_rng(20250506)
    for _ in range(50):
        root = rng.normal(size=(3, 3))
        covariance = root @ root.T
        parts = [Figure(1.0, float(sd), "m2") for sd in np.sqrt(np.diagonal(covariance))]
        total = sum_of(parts, "plane")
        exact = NORMAL_95 * float(np.sqrt(np.ones(3) @ covariance @ np.ones(3)))
        assert total.half_width >= exact * (1 - 1e-12)


def test_total_of_nothing_observed_says_why():
    gap = NotObserved("a corner is missing", "mark it")
    assert sum_of([gap, gap], "plane") == gap
    assert sum_of([], "valley") == NotObserved("there is no valley", "mark or measure one")


def test_point_that_was_not_observed_has_no_position():
    visit = a_visit()
    planes = a_plane_set(visit, slope(0.5))
    lost = MeasuredPoint("X", np.full(3, np.nan), np.full((3, 3), np.nan), False)
    hidden = MeasuredPoint("Y", np.zeros(3), np.eye(3), False)
    planes = replace(planes, points=(*planes.points, lost, hidden))
    points = {p["name"]: p for p in a_plane_file(visit=visit, planes=planes).document["points"]}
    assert points["X"]["position"] is points["Y"]["position"] is points["X"]["half_widths"] is None
    assert points["A"]["half_widths"] == [0.00196, 0.00196, 0.00392]


def test_plane_with_a_lost_corner_has_no_outline():
    visit = a_visit()
    planes = a_plane_set(visit, slope(0.5))
    (porch,) = planes.planes
    outline = porch.outline.copy()
    outline[0] = np.nan
    gap = NotObserved("corner A is missing", "mark it")
    porch = replace(porch, outline=outline, outline_plane=outline[:, :2], area=gap)
    document = a_plane_file(visit=visit, planes=replace(planes, planes=(porch,))).document
    assert document["planes"][0]["outline_site"] is None
    assert find_problems(document, "x") == []


def test_penetration_holds_measured_place_and_what_was_written_down():
    (curb,) = a_plane_file().document["penetrations"]
    assert curb["place"] == [2.0, 1.5]
    assert curb["written"]["width"] == 0.9144
    assert "not_observed" in curb["width"]


def test_damage_outline_is_kept_with_its_photo():
    (outline,) = a_plane_file().document["outlines"]
    assert outline["purpose"] == "damage"
    assert outline["outline_px"] == [[1.0, 2.0], [3.0, 4.0]]


@pytest.mark.parametrize(
    "figure",
    [
        Figure(7.4716, 0.0061, "m", ("a", "b")),
        Figure(0.0208, 0.0002, "m/m", (), 2.2),
        Figure(-3.2, 0.0, "Pa"),
    ],
)
def test_figure_comes_back_as_it_went_within_its_last_digit(figure):
    back = read_measured(write_measured(figure))
    assert back.value == pytest.approx(figure.value, abs=1e-6)
    assert back.half_width == pytest.approx(figure.half_width, abs=1e-6)
    assert (back.unit, back.observed_by) == (figure.unit, figure.observed_by)


def test_figure_of_no_width_comes_back_of_no_width():
    for figure in (Figure(0.2, 0.0, "1"), Figure(0.2, 0.1, "1", (), 0.0)):
        entry = write_measured(figure)
        assert entry["half_width"] == 0.0
        assert entry["coverage_factor"] > 0.0
        assert read_measured(entry).half_width == 0.0


def test_gap_comes_back_as_it_went():
    gap = NotObserved("why", "cure")
    assert read_measured(write_measured(gap)) == gap


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_figure_without_a_number_becomes_a_gap(value):
    assert "not_observed" in write_measured(Figure(value, 0.1, "m"))
    assert "not_observed" in write_measured(Figure(1.0, value, "m"))
    with pytest.raises(ValueError, match="no number"):
        number(value)


def test_half_width_is_never_written_narrower_than_it_is():
    rng = np.random.default_rng(7)
    for half_width in rng.uniform(1e-7, 1.0, 500):
        written = write_measured(Figure(0.0, half_width / NORMAL_95, "m"))["half_width"]
        assert half_width - 1.01e-9 <= written <= half_width + 1.01e-6


def test_numbers_are_written_to_the_stated_digits():
    assert number(1.23456789) == 1.234568
    assert number(0.0208333333333, "m/m") == 0.02083333
    assert math.copysign(1.0, number(-1e-9)) == 1.0
    assert significant(1.23456789e-7) == 1.23457e-7


def test_plane_file_gives_its_name_and_findings():
    plane_file = a_plane_file()
    assert plane_file.name == "porch"
    assert plane_file.findings == plane_file.document["findings"]
    assert plane_file == PlaneFile(plane_file.document)
