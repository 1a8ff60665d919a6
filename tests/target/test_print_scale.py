"""What the measured check lines say of a print's size."""

from __future__ import annotations

import numpy as np
import pytest

from survey.target import layout_of, print_scale
from survey.visit.model import ForeignBoard, SheetBoard, TargetSpec

INCH = 0.0254


def letter(**read):
    return TargetSpec("board", SheetBoard("letter-1"), check_sd=0.0005, **read)


def chess(rows: int) -> ForeignBoard:
    return ForeignBoard(
        kind="charuco",
        dictionary="DICT_4X4_50",
        marker=0.03,
        square=0.04,
        columns=5,
        rows=rows,
        first_id=0,
    )


def test_both_lines_measured_give_both_axes():
    """7 in line reads 6.93 in, 10 in line reads 10.02 in: 0.990 across, 1.002 down."""
    scale, sd = print_scale(letter(across=6.93 * INCH, down=10.02 * INCH))
    assert scale == pytest.approx((0.99, 1.002))
    assert sd == pytest.approx((0.0005 / (7 * INCH), 0.0005 / (10 * INCH)))


@pytest.mark.parametrize("read", [{"across": 6.93 * INCH}, {"down": 9.9 * INCH}])
def test_one_line_measured_lends_its_scale_to_the_other_axis(read):
    scale, sd = print_scale(letter(**read))
    assert scale == pytest.approx((0.99, 0.99))
    measured, lent = (0, 1) if "across" in read else (1, 0)
    assert sd[lent] > 0.005 > sd[measured]


def test_nothing_measured_is_three_percent_unknown():
    assert print_scale(letter()) == ((1.0, 1.0), (0.03, 0.03))


def test_foreign_boards_are_scaled_by_their_outside():
    layout = layout_of(chess(rows=7))
    assert (layout.check_across, layout.check_down) == pytest.approx((0.2, 0.28))
    scale, _ = print_scale(TargetSpec("c", chess(rows=7), across=0.198, down=0.28))
    assert scale == pytest.approx((0.99, 1.0))


def test_layouts_stand_about_their_centre_with_y_up():
    chess_layout = layout_of(chess(rows=4))
    assert chess_layout.points.shape == (12, 2)
    assert np.allclose(chess_layout.points.mean(axis=0), 0)
    assert np.allclose(chess_layout.points[0], [-0.06, 0.04])  # the first corner is at the top left
    grid = layout_of(
        ForeignBoard(
            kind="marker grid",
            dictionary="DICT_4X4_50",
            marker=0.05,
            gap=0.01,
            columns=3,
            rows=2,
            first_id=4,
        )
    )
    assert (grid.width, grid.height) == pytest.approx((0.17, 0.11))
    assert np.allclose(grid.points[0], [-0.085, 0.055])
    assert np.allclose(grid.points[-2], [0.085, -0.055])  # lower right of the last marker


def test_a_target_and_its_board_have_one_layout():
    assert layout_of(letter()) is layout_of(SheetBoard("letter-1"))
