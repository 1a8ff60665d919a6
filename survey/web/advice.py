"""What would help most, as the page tells it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from survey.adjustment.decided import Adjusted
from survey.photo.model import CameraPrior
from survey.planefile import say_next_measurement, write_next_measurement
from survey.planes import find_next_measurements
from survey.visit.model import Visit


def advise(
    visit: Visit, solution: Adjusted, cameras: Mapping[str, CameraPrior]
) -> list[dict[str, Any]]:
    """Return the further marks and readings that would help most, the best first.

    Parameters
    ----------
    visit : Visit
    solution : Solution
    cameras : mapping
        Prior of each photo that can be used.

    Returns
    -------
    list of dict
        ``{what, photo, sentence}``.
    """
    found = map(write_next_measurement, find_next_measurements(visit, solution, cameras))
    return [
        {
            "what": one["what"],
            "photo": one["photo"],
            "sentence": say_next_measurement(one, visit.units),
        }
        for one in found
    ]
