"""Slope, hip and valley factors and rise in 12, against printed tables.

Slope factor sqrt(1 + (r/12)^2) is true area over plan area of one plane; hip or valley factor
sqrt(2 + (r/12)^2) is the length of a hip over the plan run of the common rafter, for equal slopes
and a square corner. Printed hip and valley factors: "Hip and valley factor table", which cuts
digits off instead of rounding, so it is compared to 1e-4. Slope factors 1.118 (6:12) and 1.0541
(4:12): "Roof slope multiplying factors"; the 7:12 example: a roof-pitch-multiplier page, whose
factor 1.16 is rounded.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from survey.geometry.planes import fall_gradient, fit_plane
from survey.units import format_pitch

# rise in 12: (degrees, percent, slope factor, hip angle in degrees), recomputed from the formulas
TABLE = {
    0.25: (1.193, 2.083, 1.00022, 0.844),
    0.5: (2.386, 4.167, 1.00087, 1.688),
    1: (4.764, 8.333, 1.00347, 3.372),
    2: (9.462, 16.667, 1.01379, 6.721),
    3: (14.036, 25.000, 1.03078, 10.025),
    4: (18.435, 33.333, 1.05409, 13.263),
    6: (26.565, 50.000, 1.11803, 19.471),
    8: (33.690, 66.667, 1.20185, 25.239),
    12: (45.000, 100.000, 1.41421, 35.264),
    18: (56.310, 150.000, 1.80278, 46.686),
}
PRINTED_HIPS = {
    1: 1.4167, 2: 1.4240, 3: 1.4362, 4: 1.4529, 5: 1.4743, 6: 1.5000, 7: 1.5298, 8: 1.5635,
    9: 1.6008, 10: 1.6415, 11: 1.6853, 12: 1.7321, 18: 2.0616,
}  # fmt: skip


def plane_rising(rise: float):
    """Return normal and gradient of a plane fitted through points that rise `rise` in 12."""
    plan = np.array([[0.0, 0.0], [6.0, 0.0], [6.0, 4.0], [0.0, 4.0], [3.0, 1.0]])
    normal, _, _ = fit_plane(np.column_stack([plan, plan[:, 1] * rise / 12]))
    return normal, fall_gradient(normal, np.zeros((3, 3)))[0]


@pytest.mark.parametrize("rise", TABLE)
def test_fitted_plane_has_the_slope_and_factor_of_the_table(rise):
    degrees, percent, factor, _ = TABLE[rise]
    normal, gradient = plane_rising(rise)
    fall = float(np.hypot(*gradient))
    assert abs(math.degrees(math.atan(fall)) - degrees) <= 0.0005
    assert abs(100 * fall - percent) <= 0.0005
    assert abs(1 / normal[2] - factor) <= 0.000005


@pytest.mark.parametrize("rise", TABLE)
def test_slopes_are_written_as_in_the_table(rise):
    degrees, percent, _, _ = TABLE[rise]
    assert format_pitch(rise / 12, "percent") == f"{percent:.2f} %"
    assert format_pitch(rise / 12, "degrees") == f"{degrees:.2f}°"


@pytest.mark.parametrize("rise", PRINTED_HIPS)
def test_hip_where_two_equal_planes_meet_has_the_printed_factor(rise):
    """The hip runs over the square corner's diagonal: cross product of both normals."""
    first = np.array([0.0, -rise / 12, 1.0])
    second = np.array([-rise / 12, 0.0, 1.0])
    hip = np.cross(first, second)
    hip /= abs(hip[0])  # plan run of the common rafter is 1
    assert abs(float(np.linalg.norm(hip)) - PRINTED_HIPS[rise]) <= 1e-4


@pytest.mark.parametrize("rise", TABLE)
def test_hip_falls_less_than_its_planes_by_the_root_of_two(rise):
    angle = math.degrees(math.atan(rise / 12 / math.sqrt(2)))
    assert abs(angle - TABLE[rise][3]) <= 0.0005


def test_twenty_by_forty_feet_at_seven_in_twelve_is_926_square_feet():
    """The page prints 928 with its factor rounded to 1.16; the exact area is 926.2."""
    normal, _ = plane_rising(7)
    assert abs(800 / normal[2] - 926.2) <= 0.05
    assert abs(800 * round(1 / normal[2], 2) - 928) <= 0.5


def test_rafter_of_fourteen_feet_run_at_four_in_twelve_is_fourteen_nine():
    """Printed 14.75 ft, 14 ft 9 in; exact 14.757."""
    normal, _ = plane_rising(4)
    assert abs(14 / normal[2] - 14.757) <= 0.0005
