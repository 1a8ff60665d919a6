"""How a measured number travels: with its standard deviation, or as 'not observed'."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Unit = Literal["m", "m2", "m3", "rad", "m/m", "kg", "Pa", "px", "1"]
NORMAL_95 = 1.959963984540054  # two-sided 95 % quantile of the normal distribution


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured number.

    Attributes
    ----------
    value : float
        Best estimate, in `unit`.
    sd : float
        One standard deviation (standard uncertainty, JCGM 100), in `unit`.
    unit : Unit
        SI unit; ``"m/m"`` is a slope as rise over run, ``"1"`` a pure number.
    observed_by : tuple of str
        Ids of the readings and marks it stands on, the weightiest first.
    coverage_factor : float
        ``half_width = coverage_factor * sd`` is the half-interval of 95 % coverage.
    """

    value: float
    sd: float
    unit: Unit
    observed_by: tuple[str, ...] = ()
    coverage_factor: float = NORMAL_95

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval, in `unit`."""
        return self.coverage_factor * self.sd


@dataclass(frozen=True, slots=True)
class NotObserved:
    """A number the data can't give, with the reason and what would give it."""

    why: str
    cure: str


Measured = Figure | NotObserved
