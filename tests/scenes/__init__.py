"""Roofs in numbers: houses, boards and cameras whose truth is known."""
