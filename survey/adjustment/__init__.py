"""One least-squares adjustment of everything observed on a visit. See docs/method.md."""

from __future__ import annotations

from survey.adjustment.adjust import adjust
from survey.adjustment.network import build_network
from survey.adjustment.next_best import Candidate, predicted_sds
from survey.adjustment.solver import solve

__all__ = ["Candidate", "adjust", "build_network", "predicted_sds", "solve"]
