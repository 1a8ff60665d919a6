"""What is judged of a plane against published limits."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from survey.findings import Finding


class Verdict(StrEnum):
    """What a plane's measured pitch says of a covering family."""

    ALLOWED = "allowed"  # the whole 95 % interval is at or above the minimum
    DOUBTFUL = "doubtful"  # the interval straddles the minimum
    CHECK_DRAINAGE = "check drainage"  # under it, but a re-roof is measured by positive drainage
    FORBIDDEN = "forbidden"  # the whole interval is below the minimum
    NOT_OBSERVED = "not observed"  # the plane has no measured pitch


@dataclass(frozen=True, slots=True)
class CoveringVerdict:
    """One covering family on one plane.

    Attributes
    ----------
    covering : str
        Family, one of `survey.visit.model.COVERING_FAMILIES`.
    verdict : Verdict
    minimum : float
        Least slope, m/m.
    rule : str
        Id of the limit.
    sentence : str
        The verdict as one sentence with the limit and where it stands.
    underlayment : str
        What its underlayment needs at this pitch, or empty.
    """

    covering: str
    verdict: Verdict
    minimum: float
    rule: str
    sentence: str
    underlayment: str = ""


@dataclass(frozen=True, slots=True)
class FallVerdict:
    """A fall asked for outside the US codes, beside what was measured; information only."""

    rule: str
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class PlaneJudgement:
    """Everything the rules say of one roof plane.

    Attributes
    ----------
    plane : str
    intended : str or None
        Covering family that is to go on, or None when nobody said.
    minimum : float or None
        Its least slope, m/m.
    coverings : tuple of CoveringVerdict
        All families, in the order of COVERING_FAMILIES.
    falls : tuple of FallVerdict
        Falls asked for outside the US codes.
    notes : tuple of str
        Sentences to read beside the verdicts: what a limit of design means on an old roof, what
        "low slope" means here.
    """

    plane: str
    intended: str | None
    minimum: float | None
    coverings: tuple[CoveringVerdict, ...]
    falls: tuple[FallVerdict, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Caution:
    """A sentence on getting up, down and around, with the limit it stands on (may be empty)."""

    rule: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the published limits say of a visit. `rules_used` are ids of limits, sorted."""

    planes: tuple[PlaneJudgement, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[Caution, ...]
    rules_used: tuple[str, ...]
