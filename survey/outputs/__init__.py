"""Drawings, made from the plane file alone, so that file and drawing can't disagree."""

from survey.outputs.drawing_drainage import draw_drainage

__all__ = ["draw_drainage"]
