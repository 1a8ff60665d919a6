"""What an adjustment returns: the best answer, and the others that fit as well."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from survey.adjustment.adjusted import AdjustedNetwork, Derived
from survey.adjustment.model import Array, Key, State, TargetCorners
from survey.adjustment.solution import Defect, ObservationResult, Statistics
from survey.adjustment.starting import Start
from survey.findings import Finding, Severity


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is undecided and what would settle it, as parts of a sentence, with its finding."""

    what: str
    cure: str
    finding: Finding | None


class Adjusted:
    """The adjusted network, fulfilling `survey.adjustment.solution.Solution`.

    Attributes
    ----------
    best : AdjustedNetwork
    alternatives : tuple of AdjustedNetwork
        Answers that differ from the best and fit within a chi-square of 9 of it.
    undecided, settled_by : str
        What is undecided and what would settle it, as parts of a sentence; empty if nothing is.
    """

    def __init__(
        self,
        best: AdjustedNetwork,
        *,
        alternatives: tuple[AdjustedNetwork, ...] = (),
        doubt: Doubt | None = None,
        findings: Sequence[Finding] = (),
    ) -> None:
        self.best = best
        self.alternatives = alternatives
        self.state: State = best.state
        self.observations: tuple[ObservationResult, ...] = best.observations
        self.statistics: Statistics = best.statistics
        self.defects: tuple[Defect, ...] = best.defects
        self.gravity_observed: bool = best.gravity_observed
        self.scale_observed: bool = best.scale_observed
        self.undecided = doubt.what if doubt else ""
        self.settled_by = doubt.cure if doubt else ""
        named = [doubt.finding] if doubt and doubt.finding else []
        self.findings: tuple[Finding, ...] = tuple(
            dict.fromkeys([*named, *findings, *best.findings])
        )

    def covariance(self, keys: Sequence[Key]) -> Array:
        """Joint covariance of the tangent parameters of `keys`, by the best answer."""
        return self.best.covariance(keys)

    def propagate(
        self, function: Callable[[State], Array], keys: Sequence[Key]
    ) -> tuple[Array, Array]:
        """Value and covariance of a vector function of the unknowns, by the best answer."""
        return self.best.propagate(function, keys)

    def is_estimable(self, function: Callable[[State], Array], keys: Sequence[Key]) -> bool:
        """Whether the observations fix this function, whatever the datum."""
        return self.best.is_estimable(function, keys)

    def derive(self, function: Callable[[State], Array], keys: Sequence[Key]) -> Derived:
        """Everything known of a function at the price of one, by the best answer."""
        return self.best.derive(function, keys)

    def observed_by(
        self, function: Callable[[State], Array], keys: Sequence[Key]
    ) -> tuple[str, ...]:
        """Ids of the observations that carry most of the weight in this function."""
        return self.best.observed_by(function, keys)


def undecided_poses(best: AdjustedNetwork, taken: Start, gap: float) -> Doubt:
    """Say which pose nothing decides; `gap` is the chi-square between the two best answers."""
    sights = sorted(taken.open_gaps, key=lambda sight: taken.open_gaps[sight])
    names = [f"target {target} in {photo}" if target else photo for photo, target in sights]
    seen = [o for o in best.network.observations if isinstance(o, TargetCorners)]
    if not names and seen:
        names = [f"target {seen[0].target} in {seen[0].photo}"]
    where = " and ".join(names[:3])
    what = f"two poses fit {where} about equally well"
    cure = (
        "mark a plumb wall corner or a level edge in the photo, take a second photo from another "
        "stand, or put up a second target"
    )
    finding = Finding(
        "target-pose-undecided",
        Severity.STOP,
        where,
        f"{what} (chi-square apart by {max(gap, 0.0):.1f}, 9 would decide); figures on which they "
        "differ are not given",
        cure,
    )
    return Doubt(what, cure, finding)


def undecided_faults(findings: Sequence[Finding]) -> Doubt:
    """Say that several faults explain the visit equally well; each has its own finding."""
    places = " or ".join(dict.fromkeys(finding.where for finding in findings))
    return Doubt(
        f"something is wrong with {places} and nothing tells which",
        findings[0].cure,
        None,
    )
