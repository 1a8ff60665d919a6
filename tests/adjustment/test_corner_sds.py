"""What a board's corners are good for, beyond what their own pixels tell."""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment.network_photos import PAPER_SD, PROCESSING_SD_PX, corner_sds
from survey.target.model import Sighting


def sighting(px_per_metre: float, sd_px: float) -> Sighting:
    corners = np.array([[x, y] for x in (-0.2, 0.0, 0.2) for y in (-0.2, 0.0, 0.2)])
    return Sighting("a.jpg", "A", corners, corners * px_per_metre, np.full(9, sd_px), 8.0, 2.0)


@pytest.mark.parametrize(("px_per_metre", "sd_px"), [(300.0, 0.03), (4000.0, 0.02), (300.0, 0.4)])
def test_paper_processing_and_pixels_add_up_in_quadrature(px_per_metre, sd_px):
    expected = np.sqrt(sd_px**2 + PROCESSING_SD_PX**2 + (PAPER_SD * px_per_metre) ** 2)
    np.testing.assert_allclose(corner_sds(sighting(px_per_metre, sd_px)), expected, rtol=1e-9)


def test_corners_on_one_line_still_have_a_sd():
    corners = np.array([[0.0, 0.0], [0.1, 0.0], [0.2, 0.0]])
    seen = Sighting("a.jpg", "A", corners, corners * 400, np.full(3, 0.1), 8.0, 2.0)
    assert np.all(corner_sds(seen) >= 0.1)
