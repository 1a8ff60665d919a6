"""What bars laying a covering over another, and what deck conditions are read as."""

from __future__ import annotations

from dataclasses import replace

import pytest

from survey.findings import Severity
from survey.rules import judge
from survey.rules.reroofing import is_unsound, is_wet
from survey.visit.model import Deck
from tests.rules.made import a_drainage, a_plane_set, a_visit, slope


def codes(visit, pitch=None):
    planes = a_plane_set(visit, pitch or slope(0.5))
    return {f.code: f for f in judge(visit, planes, (a_drainage(),)).findings}


def visit_with(work="re-cover", **of_plane):
    visit = a_visit(work=work)
    return replace(visit, planes=(replace(visit.planes[0], **of_plane),))


@pytest.mark.parametrize(
    ("condition", "wet", "unsound"),
    [
        ("sound", False, False),
        ("dry and firm", False, False),
        ("wet", True, False),
        ("rotten at the eave", True, False),
        ("water stained from below", True, False),
        ("soft near the chimney", False, True),
        ("not sound", False, True),
        ("isn't very sound", False, True),
        ("no soft spots", False, False),
        ("no sign of leaks", False, False),
        ("not wet, sound", False, False),
        ("not rotten but spongy", True, False),
        ("", False, False),
        (None, False, False),
    ],
)
def test_deck_condition_is_read_with_its_denials(condition, wet, unsound):
    assert is_wet(condition) is wet
    assert is_unsound(condition) is unsound


def test_two_coverings_bar_a_third_and_one_does_not():
    """BC 1511.3.1.1, same text as IBC and IEBC: two or more applications of any covering."""
    assert "re-cover-two-coverings" in codes(visit_with(coverings_on=2))
    assert "re-cover-two-coverings" in codes(visit_with(coverings_on=3))
    assert "re-cover-two-coverings" not in codes(visit_with(coverings_on=1))


def test_replacement_is_not_barred_by_what_is_torn_off():
    barred = visit_with(
        "replacement", coverings_on=3, existing_covering="slate", deck=Deck("osb", 0.01, "wet")
    )
    assert not {code for code in codes(barred) if code.startswith("re-cover")}


@pytest.mark.parametrize("existing", ["slate", "clay-or-concrete-tile", "asbestos-cement-tile"])
def test_slate_and_tile_may_not_be_laid_over(existing):
    assert "re-cover-slate-or-tile" in codes(visit_with(existing_covering=existing))


def test_wood_shakes_are_not_barred_by_the_current_text():
    """The current text names slate, clay, cement and asbestos-cement tile."""
    assert "re-cover-slate-or-tile" not in codes(visit_with(existing_covering="wood-shakes"))


def test_wet_deck_bars_a_re_cover_and_asks_to_stay_off():
    found = codes(visit_with(deck=Deck("osb", 0.011, "wet at the valley")))
    assert found["re-cover-wet"].rule == "re-cover-wet-or-worn"
    assert "stay off" in found["deck-wet"].cure


def test_unknown_count_of_coverings_asks_for_a_look_only_where_it_decides():
    unknown = codes(visit_with("re-cover", coverings_on=None))["coverings-on-not-known"]
    assert unknown.severity is Severity.CHECK
    unknown = codes(visit_with("replacement", coverings_on=None))["coverings-on-not-known"]
    assert unknown.severity is Severity.NOTE
    assert "coverings-on-not-known" not in codes(visit_with("new", coverings_on=None))
