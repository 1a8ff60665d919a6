"""What the estimator must see: one record for each thing noticed on the way."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a finding matters."""

    NOTE = "note"  # good to know; changes nothing
    CHECK = "check"  # a second look is asked for (`--strict` then exits with 1)
    STOP = "stop"  # a figure must not be used until this is settled


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the estimator must see.

    Attributes
    ----------
    code : str
        Short lower-case name with hyphens, documented in docs/findings.md.
    severity : Severity
    where : str
        Plane, edge, photo, reading or target it speaks of.
    what : str
        One sentence in plain words, with the figures that show it.
    cure : str
        What to do next, one sentence; empty when nothing is to be done.
    rule : str
        Id of the published rule it stands on (see survey/rules), or empty.
    """

    code: str
    severity: Severity
    where: str
    what: str
    cure: str = ""
    rule: str = ""
