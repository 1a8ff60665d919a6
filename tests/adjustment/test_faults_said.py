"""Faults that a target's own residuals can't show: no wrong figure unless their class is named.

The whole table is `python -m tests.studies.faults`.
"""

from __future__ import annotations

import pytest

from tests.studies.faults import judge_fault

FEW = [
    ("all prints 3 % small", "square on, two targets"),
    ("all prints 3 % small", "oblique, one taped check"),
    ("board bowed 10 mm", "near end"),
]


@pytest.mark.parametrize(("fault", "visit"), FEW)
def test_no_figure_is_wrong_unless_the_class_of_the_fault_is_named(fault, visit):
    outcome = judge_fault((fault, visit, 50))
    assert not outcome.unsaid, outcome
    assert outcome.named


def test_two_boards_printed_alike_are_said_not_to_check_each_other():
    """Both 3 % small: every residual is sound, every length 3 % long, and the finding says so."""
    outcome = judge_fault(("all prints 3 % small", "square on, two targets", 50))
    assert outcome.wrong
    assert outcome.named == ("print-scale-unchecked",)


def test_one_taped_length_finds_the_print():
    outcome = judge_fault(("all prints 3 % small", "oblique, one taped check", 50))
    assert "print-scale-contradicted" in outcome.named
