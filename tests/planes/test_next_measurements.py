"""The further measurement that is named brings what was said that it would bring."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from survey.adjustment import adjust, build_network
from survey.measure import measure
from survey.planefile import format_plane_file, read_measured
from survey.planefile.show import format_gaps
from survey.planes import find_next_measurements
from survey.visit import begin_visit, open_visit
from survey.visit.model import RodReading, TapeReading, Visit


@cache
def example() -> Visit:
    """The visit that `survey begin` writes, without the rod readings in the field."""
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        begin_visit(Path(folder) / "visit")
        visit = open_visit(Path(folder) / "visit")
    kept = (r for r in visit.readings if not (isinstance(r, RodReading) and r.spot))
    return replace(visit, readings=tuple(kept))


def without(*ids: str) -> Visit:
    readings = tuple(r for r in example().readings if r.id not in ids)
    assert len(readings) == len(example().readings) - len(ids)
    return replace(example(), readings=readings)


def following(visit: Visit):
    network = build_network(visit, (), ())
    return find_next_measurements(visit, adjust(network), network.cameras)


def test_tape_that_was_left_out_is_asked_for_first():
    assert following(without("T1"))[0].what == "tape A to B"


def test_nothing_is_asked_for_where_nothing_would_help():
    assert following(example()) == ()
    assert "WOULD HELP MOST" not in format_plane_file(measure(example()))


@pytest.mark.parametrize(("left_out", "what"), [("T1", "tape A to B"), ("T2", "tape B to C")])
def test_half_width_is_what_was_foretold_once_the_reading_is_taken(left_out, what):
    """The reading is given the value that the others foretell, so that only its place counts."""
    visit = without(left_out)
    told = following(visit)[0]
    assert told.what == what
    name = told.figure.removeprefix("the length of ")
    before = length_of(visit, name)
    template = next(r for r in visit.readings if isinstance(r, TapeReading))
    start, end = what.removeprefix("tape ").split(" to ")
    sd = 0.003175 + 0.0005 * before.value
    reading = replace(template, id="X", start=start, end=end, value=before.value, sd=sd)
    after = length_of(replace(visit, readings=(*visit.readings, reading)), name)
    assert told.half_width_now == pytest.approx(before.half_width, rel=0.05)
    assert told.half_width_then == pytest.approx(after.half_width, rel=0.1)


def length_of(visit: Visit, name: str):
    edges = measure(visit).document["edges"]
    return read_measured(next(edge["length"] for edge in edges if edge["name"] == name))


def test_length_that_nothing_fixes_is_asked_for_and_has_no_half_width():
    found = following(without("T1", "T2", "T5", "T6"))
    assert {one.what for one in found} & {"tape A to B", "tape B to C"}
    assert all(one.half_width_now is None for one in found)
    text = " ".join(format_plane_file(measure(without("T1", "T2", "T5", "T6"))).split())
    assert " is fixed by nothing yet, and would then be known to ± " in text


def test_plane_of_three_corners_is_asked_for_its_sides_alone():
    visit = without("T1")
    (porch,) = visit.planes
    triangle = replace(porch, outline=("A", "B", "C"), points=("D",))
    found = following(replace(visit, planes=(triangle,), edges=()))
    assert found[0].what == "tape A to B"
    assert found[0].figure == "the length of A-B"


def test_check_and_show_say_what_would_help_in_the_readers_units():
    plane_file = measure(without("T1"))
    text = " ".join(format_plane_file(plane_file).split())
    assert "WOULD HELP MOST Tape A to B: the length of A-B would be known to ± " in text
    feet = " ".join(format_gaps(plane_file)).partition("would help most:")[2]
    metres = " ".join(format_gaps(plane_file, units="metric")).partition("would help most:")[2]
    assert '"' in feet and " mm instead of ± " in metres
