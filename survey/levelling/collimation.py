"""The two-peg test: how far the line of sight departs from level."""

from __future__ import annotations

from dataclasses import dataclass

from survey.errors import InputError


@dataclass(frozen=True, slots=True)
class Collimation:
    """What a two-peg test found.

    Attributes
    ----------
    true_difference : float
        Rod difference A - B free of collimation, metres (A reads more: A is lower).
    slope : float
        Rise of the line of sight per metre of distance; negative: it points down and rods read
        too little.
    """

    true_difference: float
    slope: float

    def correct(self, reading: float, distance: float) -> float:
        """Return a rod reading freed of collimation; both in metres."""
        return reading - self.slope * distance


def compare_two_pegs(
    midway: tuple[float, float], beyond: tuple[float, float], distances: tuple[float, float]
) -> Collimation:
    """Find the collimation from rods on two pegs A and B, read from two set-ups.

    Parameters
    ----------
    midway : (float, float)
        Readings on A and B from equal distances, metres: their difference is free of collimation.
    beyond : (float, float)
        Readings on A and B from the second set-up, metres.
    distances : (float, float)
        Distances of A and B from the second set-up, metres.

    Raises
    ------
    InputError
        If both pegs are equally far from the second set-up, which shows nothing.
    """
    unequal = distances[0] - distances[1]
    if abs(unequal) < 1.0:
        raise InputError(
            "both pegs are equally far from the second set-up, so it shows no collimation",
            cure="set up close to one peg",
        )
    true_difference = midway[0] - midway[1]
    apparent_difference = beyond[0] - beyond[1]
    return Collimation(true_difference, (apparent_difference - true_difference) / unequal)
