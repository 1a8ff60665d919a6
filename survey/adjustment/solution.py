"""What an adjustment returns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from survey.adjustment.model import Array, Key, State
from survey.findings import Finding

if TYPE_CHECKING:
    from survey.adjustment.adjusted import Derived


@dataclass(frozen=True, slots=True)
class ObservationResult:
    """One observation after the adjustment.

    An observation with several rows (two pixel coordinates, many corners) reports its root mean
    square residual, its worst standardised residual, its summed redundancy number, and the
    smallest minimal detectable error of its rows (inf: nothing checks it).
    """

    id: str
    kind: str  # class name in plain words: "tape length", "rod reading", "point mark", ...
    where: str
    rows: int
    unit: str  # "m", "rad", "px"
    residual: float  # observed minus computed; signed when rows == 1, else rms
    sd: float  # as used, after variance components
    standardised: float  # residual over its own sd (Baarda's w), worst row
    redundancy: float
    detectable: float
    used: bool  # False: set aside as a gross error
    likely_value: float | None = None  # what the other observations say it should read


@dataclass(frozen=True, slots=True)
class Defect:
    """A combination of unknowns that nothing fixes, in the user's words."""

    keys: tuple[Key, ...]
    what: str
    cure: str


@dataclass(frozen=True, slots=True)
class Statistics:
    """Adjustment statistics.

    `variance_factor` is a posteriori, against the stated sds; `lower`/`upper` are its chi-square
    bounds at 95 %; `kinds` holds the variance factor used for each kind of observation.
    """

    rows: int
    unknowns: int
    degrees_of_freedom: int
    variance_factor: float
    lower: float
    upper: float
    kinds: tuple[tuple[str, float], ...]
    iterations: int


class Solution(Protocol):
    """The adjusted state with its covariance."""

    state: State
    observations: tuple[ObservationResult, ...]
    statistics: Statistics
    defects: tuple[Defect, ...]
    findings: tuple[Finding, ...]
    gravity_observed: bool
    scale_observed: bool

    def covariance(self, keys: Sequence[Key]) -> Array:
        """Joint covariance of the tangent parameters of `keys`, stacked in that order."""
        ...

    def propagate(
        self, function: Callable[[State], Array], keys: Sequence[Key]
    ) -> tuple[Array, Array]:
        """Value and covariance of a vector function of the unknowns `keys` (first order)."""
        ...

    def is_estimable(self, function: Callable[[State], Array], keys: Sequence[Key]) -> bool:
        """Whether the observations fix this function, whatever the datum."""
        ...

    def observed_by(
        self, function: Callable[[State], Array], keys: Sequence[Key]
    ) -> tuple[str, ...]:
        """Ids of the observations that carry most of the weight in this function."""
        ...

    def derive(self, function: Callable[[State], Array], keys: Sequence[Key]) -> Derived:
        """Everything known of a function at the price of one: see `Derived`."""
        ...
