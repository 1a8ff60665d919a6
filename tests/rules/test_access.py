"""Cautions on access, and the questions a visit leaves open."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from survey.figures import NotObserved
from survey.findings import Severity
from survey.rules import judge
from survey.rules.limits import limits
from survey.visit.model import Conditions, Deck, Edge, EdgeKind
from tests.rules.made import (
    a_drain,
    a_drainage,
    a_low_spot,
    a_plane_set,
    a_visit,
    an_overflow,
    edges,
    parapets,
    slope,
)


def judged(visit, pitch=None):
    return judge(visit, a_plane_set(visit, pitch or slope(0.5)), (a_drainage(a_low_spot()),))


def with_plane(**changes):
    visit = a_visit()
    return replace(visit, planes=(replace(visit.planes[0], **changes),))


@pytest.mark.parametrize(
    "visit",
    [
        a_visit(),
        a_visit(building="other", work="new"),
        with_plane(deck=Deck("osb", 0.01, "rotten")),
        a_visit(outlets=(a_drain(), an_overflow()), edges=parapets()),
    ],
)
def test_nothing_ever_says_that_a_roof_may_be_walked_on(visit):
    judgement = judged(visit)
    texts = [caution.sentence for caution in judgement.cautions]
    texts += [f"{finding.what} {finding.cure}" for finding in judgement.findings]
    texts += [verdict.sentence for verdict in judgement.planes[0].coverings]
    texts += [row.says for row in limits().values()]
    for text in texts:
        assert not re.search(r"\bsafe\b|can be walked|may be walked|walkable", text), text


def test_deck_seen_to_be_wet_or_weak_is_named_among_the_cautions():
    for condition in ("wet", "soft at the eave"):
        cautions = judged(with_plane(deck=Deck("osb", 0.01, condition))).cautions
        assert any(
            c.sentence.startswith("Stay off 'porch'") and condition in c.sentence for c in cautions
        )
    assert not any("Stay off" in caution.sentence for caution in judged(a_visit()).cautions)


def test_steep_roof_rule_comes_only_where_a_plane_is_or_may_be_over_four_in_twelve():
    """29 CFR 1926.500(b): low-slope is 4:12 or less, steep over 4:12."""

    def rules(pitch):
        return {caution.rule for caution in judged(a_visit(), pitch).cautions}

    assert "osha-steep-roof" not in rules(slope(4.0, 0.0))
    assert "osha-steep-roof" in rules(slope(4.05, 0.0))
    assert "osha-steep-roof" in rules(slope(3.95, 0.1))
    assert "osha-steep-roof" in rules(NotObserved("no level", "take one"))


def test_cautions_cover_ladders_falls_power_lines_and_inspections():
    rules = {caution.rule for caution in judged(a_visit()).cautions}
    assert {
        "osha-ladder-angle",
        "osha-ladder-rails",
        "osha-power-lines",
        "osha-fall-height",
        "osha-residential",
        "osha-inspection",
    } <= rules
    other = {caution.rule for caution in judged(a_visit(building="other")).cautions}
    assert "osha-residential" not in other


def test_inspection_rule_keeps_its_nuance():
    """OSHA letter of 2 March 2010: no fixed time counts as short; a visit years after differs."""
    (text,) = [c.sentence for c in judged(a_visit()).cautions if c.rule == "osha-inspection"]
    assert "before work starts or after it ends" in text
    assert "no fixed time counts as short" in text
    assert "general industry" in text


def test_crane_clearances_are_not_given_as_ladder_rules():
    for caution in judged(a_visit()).cautions:
        assert "1926.1408" not in caution.sentence


def test_a_fully_answered_visit_leaves_no_question_open():
    codes = {finding.code for finding in judged(a_visit()).findings}
    assert not {code for code in codes if code.endswith("-not-known")}


@pytest.mark.parametrize(
    ("code", "visit"),
    [
        ("deck-not-known", with_plane(deck=Deck(None, 0.01, "sound"))),
        ("deck-not-known", with_plane(deck=Deck("osb", None, "sound"))),
        ("deck-condition-not-known", with_plane(deck=Deck("osb", 0.01, None))),
        ("coverings-on-not-known", with_plane(coverings_on=None)),
        ("ventilation-not-known", with_plane(ventilation=None)),
        ("plies-not-known", with_plane(plies=None)),
        ("covering-not-chosen", with_plane(covering=None)),
        ("conditions-not-known", a_visit(conditions=Conditions())),
        ("outlet-size-not-known", a_visit(outlets=(a_drain(width=None),))),
        (
            "edge-kind-not-known",
            a_visit(edges=(Edge("front", "A", "B"), *edges()[1:])),
        ),
        (
            "dam-height-not-known",
            a_visit(edges=(Edge("front", "A", "B", EdgeKind.PARAPET), *edges()[1:])),
        ),
    ],
)
def test_each_question_left_open_becomes_a_finding(code, visit):
    found = {finding.code: finding for finding in judged(visit).findings}
    assert code in found
    assert found[code].cure


def test_one_question_is_asked_once_for_all_planes():
    visit = with_plane(ventilation=None)
    planes = a_plane_set(visit, slope(0.5))
    second = replace(planes.planes[0], spec=replace(planes.planes[0].spec, name="shed"))
    planes = replace(planes, planes=(*planes.planes, second))
    findings = judge(visit, planes, ()).findings
    (asked,) = [f for f in findings if f.code == "ventilation-not-known"]
    assert asked.where == "planes 'porch' and 'shed'"


def test_deck_whose_condition_nobody_told_asks_for_a_second_look():
    found = {f.code: f for f in judged(with_plane(deck=Deck("osb", 0.01, None))).findings}
    assert found["deck-condition-not-known"].severity is Severity.CHECK


def test_rules_used_are_those_that_anything_stands_on():
    judgement = judged(a_visit())
    used = set(judgement.rules_used)
    assert {f.rule for f in judgement.findings if f.rule} <= used <= set(limits())
    assert {v.rule for v in judgement.planes[0].coverings} <= used
