"""The measured plane file as a value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

FORMAT = "measured plane file"
VERSION = 1
SUFFIX = ".planes.json"


@dataclass(frozen=True, slots=True)
class PlaneFile:
    """Everything that was measured on a visit.

    Attributes
    ----------
    document : mapping
        JSON-ready values as docs/plane-file.md describes them; metres, radians. To be read, not
        changed: the content hash in it is over everything else.
    """

    document: Mapping[str, Any]

    @property
    def name(self) -> str:
        """Name of the visit."""
        return str(self.document["visit"]["name"])

    @property
    def findings(self) -> list[Mapping[str, Any]]:
        """Findings, the gravest first."""
        return list(self.document["findings"])

    @property
    def second_looks(self) -> int:
        """How many findings ask for a second look."""
        return sum(finding["severity"] != "note" for finding in self.document["findings"])
