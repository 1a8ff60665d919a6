"""One least-squares adjustment of everything observed on a visit. See docs/method.md."""

from __future__ import annotations

from survey.adjustment.adjust import adjust
from survey.adjustment.network import build_network
from survey.adjustment.solver import solve

__all__ = ["adjust", "build_network", "solve"]
