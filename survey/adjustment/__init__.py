"""One least-squares adjustment of everything observed: see docs/method.md."""

from __future__ import annotations

from survey.adjustment.adjust import adjust
from survey.adjustment.model import Network
from survey.adjustment.network import build_network
from survey.adjustment.solution import Solution

__all__ = ["Network", "Solution", "adjust", "build_network"]
