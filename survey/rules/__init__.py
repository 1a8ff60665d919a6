"""Published limits as data with their source, and what they say of a visit."""

from survey.rules.judging import judge
from survey.rules.limits import Limit, limit, limits
from survey.rules.model import (
    Caution,
    CoveringVerdict,
    FallVerdict,
    Judgement,
    PlaneJudgement,
    Verdict,
)
from survey.rules.slopes import minimum_slopes, name_of

__all__ = [
    "Caution",
    "CoveringVerdict",
    "FallVerdict",
    "Judgement",
    "Limit",
    "PlaneJudgement",
    "Verdict",
    "judge",
    "limit",
    "limits",
    "minimum_slopes",
    "name_of",
]
