"""The plane file as an estimator reads it."""

from __future__ import annotations

import copy
from dataclasses import replace

import pytest

from survey.drainage.model import Likelihood
from survey.figures import Figure, NotObserved
from survey.findings import Finding, Severity
from survey.planefile import PlaneFile, format_gaps, format_plane_file
from survey.planefile.lines import WIDTH, labelled, table, wrapped
from survey.visit.model import Conditions, PlaneKind
from tests.planefile.made import STATISTICS, MadeSolution, a_plane_file
from tests.rules.made import a_drainage, a_low_spot, a_plane_set, a_visit, parapets, slope


def flat(text: str) -> str:
    """Return text with its line breaks and indents taken out."""
    return " ".join(text.split())


@pytest.mark.parametrize("units", [None, "us", "metric"])
def test_no_line_is_wider_than_80_columns(units):
    for line in format_plane_file(a_plane_file(), units).splitlines():
        assert len(line) <= WIDTH
        assert line == line.rstrip()


def test_long_names_wrap_instead_of_running_over():
    name = "the porch at the back of the house that was added later, north of the kitchen"
    visit = a_visit(name=name, place=name, work="replacement", edges=parapets())
    edges = tuple(replace(edge, name=f"{name} {edge.name}") for edge in visit.edges)
    visit = replace(visit, edges=edges)
    text = format_plane_file(a_plane_file(visit=visit, planes=a_plane_set(visit, slope(0.5))))
    assert max(len(line) for line in text.splitlines()) <= WIDTH


def test_plane_shows_its_figures_with_their_half_widths():
    text = flat(format_plane_file(a_plane_file()))
    assert "pitch 0.240:12 ± 0.021 (2.00 %, 1.15°)" in text
    assert "falls towards 'front' (eave)" in text
    assert "area 193.8 sq ft ± 1.1 sq ft (1.94 squares)" in text
    assert 'front eave 19\' 8-1/4" ± 5/16" level; meets gutter' in text
    assert 'deck plywood, 19/32", condition as seen: sound' in text


def test_metric_output_speaks_metric_throughout_and_adds_falls_asked_elsewhere():
    visit = a_visit(units="metric")
    text = format_plane_file(a_plane_file(visit=visit, planes=a_plane_set(visit, slope(0.24))))
    assert "18.00 m2" in text
    assert "6.000 m" in text
    assert "sq ft" not in text
    assert "Falls asked for elsewhere" in text
    assert "1:80 (BS 6229 2018)" in text
    assert "Falls asked for elsewhere" not in format_plane_file(a_plane_file())


def test_coverings_are_sorted_by_what_the_pitch_says():
    text = flat(format_plane_file(a_plane_file()))
    assert "allowed: coal-tar built-up doubtful: standing-seam metal" in text
    assert "not at this pitch: asphalt shingles" in text
    assert "going on: modified bitumen: doubtful" in text


def test_low_spot_is_told_in_words_with_its_place():
    text = flat(format_plane_file(a_plane_file(drainage=(a_drainage(a_low_spot()),))))
    assert 'low 1: standing water shown (97 %); 3/8" ± 5/64" deep' in text
    assert "deepest at 9' 10\" along, 3' 7\" up" in text
    assert "spills to front; no outlet in it" in text


def test_water_shows_intervals_remedies_and_where_to_put_the_rod_next():
    text = flat(format_plane_file(a_plane_file()))
    assert "shown (97 %), only if 'left' holds water back" in text
    assert '3/8" (5/16" to 15/32") deep' in text
    assert "20 % (10 to 30 %) of it falls less than 1/4:12" in text
    assert "'overflow 1' is 2\" ± 5/16\" above the low point by it" in text
    assert "fill to bring it to 1/4:12 towards front" in text
    assert "saddle behind 'curb 1'" in text
    assert "(figures, not a design)" in text
    assert "one more rod reading would help most at 6' 7\" along, 3' 3\" up" in text


def test_no_low_spot_is_never_said_without_what_could_have_been_seen():
    text = flat(format_plane_file(a_plane_file(drainage=(a_drainage(),))))
    assert "no low spot is shown by 40 readings; they could have shown one" in text
    assert "not a smaller one" in text
    blind = a_drainage(smallest_findable=NotObserved("only 2 readings", "read a 2 ft grid"))
    text = flat(format_plane_file(a_plane_file(drainage=(blind,))))
    assert "low spots are not shown by these readings (only 2 readings)" in text


def test_spot_that_the_readings_do_not_show_is_not_called_dry():
    spot = replace(a_low_spot(), likelihood=Likelihood.NOT_SHOWN)
    text = flat(format_plane_file(a_plane_file(drainage=(a_drainage(spot),))))
    assert "low 1: standing water" not in text
    assert "no low spot is shown by 40 readings; they could have shown one" in text


def test_gap_shows_its_reason_and_cure():
    gap = NotObserved("nothing says which way is up", "take one slope reading on 'porch'")
    visit = a_visit()
    text = flat(format_plane_file(a_plane_file(visit=visit, planes=a_plane_set(visit, gap))))
    assert "pitch not observed: nothing says which way is up; take one slope reading" in text


def test_findings_stand_gravest_first_with_what_to_do():
    stop = Finding("scale-lost", Severity.STOP, "visit", "scale is lost", "tape one edge")
    text = format_plane_file(a_plane_file(solution=MadeSolution(findings=(stop,))))
    section = text[text.index("FINDINGS") :]
    assert section.index("STOP: visit [scale-lost]") < section.index("Second look:")
    assert section.index("Second look:") < section.index("Note:")
    assert "-> tape one edge" in section


def test_count_of_second_looks_is_in_the_heading():
    plane_file = a_plane_file()
    assert f"FINDINGS ({plane_file.second_looks} ask for a second look)" in format_plane_file(
        plane_file
    )


def test_changed_file_says_so_at_its_head():
    document = copy.deepcopy(dict(a_plane_file().document))
    document["visit"]["by"] = "somebody else"
    assert "CHANGED: this file" in flat(format_plane_file(PlaneFile(document)))
    assert "CHANGED" not in format_plane_file(a_plane_file())


def test_missing_gravity_and_scale_stand_at_the_head():
    blind = MadeSolution(gravity_observed=False, scale_observed=False)
    text = format_plane_file(a_plane_file(solution=blind))
    assert text.index("NOT OBSERVED: which way is up") < text.index("ROOF IN ALL")
    assert "NOT OBSERVED: how long a foot is" in text


def test_photo_log_tells_why_a_photo_was_not_used():
    text = flat(format_plane_file(a_plane_file()))
    assert "a.jpg 2025-05-06 10:00:00 T; 1 mark" in text
    assert "b.jpg no time not used: it is empty" in text


def test_reading_that_was_set_aside_is_named():
    text = flat(format_plane_file(a_plane_file()))
    assert "1 reading set aside" in text
    assert "set aside: slope R1, readings.csv line 3" in text


def test_cautions_close_the_page_and_never_call_a_roof_safe():
    text = format_plane_file(a_plane_file())
    assert "Nothing here says that a" in text[text.index("CAUTIONS") :]
    assert "safe" not in text[text.index("CAUTIONS") :].replace("safety monitor", "")


def test_wall_shows_edges_and_area_but_no_pitch_or_coverings():
    visit = a_visit()
    planes = a_plane_set(visit, slope(0.5))
    (porch,) = planes.planes
    wall = replace(porch, spec=replace(porch.spec, name="gable", kind=PlaneKind.WALL))
    text = format_plane_file(a_plane_file(visit=visit, planes=replace(planes, planes=(wall,))))
    section = text[text.index("PLANE gable (wall)") : text.index("FINDINGS")]
    assert "pitch" not in section
    assert "Coverings" not in section
    assert "Edges" in section


def test_fall_too_near_level_names_no_side():
    visit = a_visit()
    text = flat(
        format_plane_file(a_plane_file(visit=visit, planes=a_plane_set(visit, slope(0.01, 0.05))))
    )
    assert "falls towards no side beyond doubt: it is too near level" in text


def test_weather_that_nobody_told_is_said_to_be_missing():
    visit = a_visit(conditions=Conditions())
    text = format_plane_file(a_plane_file(visit=visit, planes=a_plane_set(visit, slope(0.5))))
    assert "Nothing told of the weather." in text


def test_gaps_name_what_is_missing_and_what_settles_it():
    visit = a_visit()
    planes = a_plane_set(visit, slope(0.24))
    (porch,) = planes.planes
    gap = NotObserved("its far end was not marked", "mark it in one more photo")
    lost = replace(porch.edges[0], length=gap)
    porch = replace(porch, edges=(lost, *porch.edges[1:]))
    planes = replace(planes, planes=(porch,), edges=porch.edges)
    lines = flat("\n".join(format_gaps(a_plane_file(visit=visit, planes=planes))))
    assert "porch: pitch 0.240:12 ± 0.021" in lines
    assert "edge 'front': not observed: its far end was not marked; mark it in one more" in lines
    assert "take a digital-level reading along the fall of 'porch'" in lines
    assert "FINDINGS" not in lines


def test_gaps_leave_notes_out():
    note = Finding("a-note", Severity.NOTE, "visit", "nothing much", "do nothing much")
    lines = format_gaps(a_plane_file(solution=MadeSolution(findings=(note,))))
    assert "do nothing much" not in "\n".join(lines)


def test_figure_on_a_roof_without_planes_is_a_gap_not_a_crash():
    visit = a_visit(planes=(), edges=())
    planes = replace(a_plane_set(a_visit(), slope(0.5)), planes=(), edges=(), points=())
    text = format_plane_file(a_plane_file(visit=visit, planes=planes, drainage=()))
    assert "not observed: there is no roof plane" in flat(text)


@pytest.mark.parametrize(
    ("factor", "freedom", "words"),
    [
        (1.1, 15, "they agree as well as their stated accuracy"),
        (0.2, 15, "they agree better than their stated accuracy"),
        (2.5, 15, "they agree less well than their stated accuracy"),
        (1.0, 0, "nothing is observed twice, so nothing checks them"),
    ],
)
def test_agreement_of_the_readings_is_told_in_words(factor, freedom, words):
    statistics = replace(STATISTICS, variance_factor=factor, degrees_of_freedom=freedom)
    text = flat(format_plane_file(a_plane_file(solution=MadeSolution(statistics=statistics))))
    assert words in text


def test_table_wraps_its_last_column_in_place():
    rows = [("a", "bb", "word " * 30), ("ccc", "d", "short")]
    lines = table(rows)
    assert all(len(line) <= WIDTH for line in lines)
    assert lines[0].startswith("    a    bb  word")
    assert lines[1].startswith(" " * 13 + "word")
    assert lines[-1] == "    ccc  d   short"


def test_label_and_text_keep_their_columns():
    assert labelled("area", "1") == ["  area          1"]
    assert labelled("", "1") == [" " * 16 + "1"]
    assert wrapped("a " * 60, 2, 4)[1].startswith("    a")


def test_reason_for_no_low_spots_is_told_once():
    blind = a_drainage(
        smallest_findable=NotObserved("no reading lies in it", "read a 2 ft grid"),
        notes=("low spots are not shown: no reading lies in it; read a 2 ft grid", "other"),
    )
    text = flat(format_plane_file(a_plane_file(drainage=(blind,))))
    assert text.count("no reading lies in it") == 1
    assert "(other)" in text
    found = replace(blind, low_spots=(a_low_spot(),))
    text = flat(format_plane_file(a_plane_file(drainage=(found,))))
    assert "(low spots are not shown: no reading lies in it; read a 2 ft grid)" in text


def test_flatness_is_shown_only_where_it_was_observed():
    visit = a_visit()
    planes = a_plane_set(visit, slope(0.5))
    (porch,) = planes.planes
    porch = replace(porch, fit_rms=NotObserved("three points", "mark a fourth"))
    text = format_plane_file(a_plane_file(visit=visit, planes=replace(planes, planes=(porch,))))
    assert "flatness" not in text
    exact = replace(porch, fit_rms=Figure(1e-12, 0.0, "m"))
    text = format_plane_file(a_plane_file(visit=visit, planes=replace(planes, planes=(exact,))))
    assert "5 points lie in it" in text
    far = replace(porch, fit_rms=Figure(0.01, 0.001, "m"), off_plane=(("G1", 0.0254),))
    text = flat(format_plane_file(a_plane_file(visit=visit, planes=replace(planes, planes=(far,)))))
    assert "'G1' lies 1\" off it" in text
