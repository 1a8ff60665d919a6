"""Surface from readings, low spots, outlets and slope field. See docs/drainage.md."""

from survey.drainage.derive import derive_drainage
from survey.drainage.model import Likelihood, LowSpot, PlaneDrainage, SlopeField

__all__ = ["Likelihood", "LowSpot", "PlaneDrainage", "SlopeField", "derive_drainage"]
