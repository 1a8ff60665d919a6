"""Lengths, slopes, angles, temperatures and areas as people write them: parse and format."""

from survey.units.formatting import (
    IN_MM,
    System,
    format_angle,
    format_area,
    format_feet_inches,
    format_length,
    format_measured,
    format_pitch,
    format_pressure,
    format_temperature,
    format_volume,
    format_weight,
)
from survey.units.lengths import (
    FOOT,
    INCH,
    SQUARE,
    parse_exact_length,
    parse_length,
)
from survey.units.slopes import parse_angle, parse_slope, parse_temperature

__all__ = [
    "FOOT",
    "INCH",
    "IN_MM",
    "SQUARE",
    "System",
    "format_angle",
    "format_area",
    "format_feet_inches",
    "format_length",
    "format_measured",
    "format_pitch",
    "format_pressure",
    "format_temperature",
    "format_volume",
    "format_weight",
    "parse_angle",
    "parse_exact_length",
    "parse_length",
    "parse_slope",
    "parse_temperature",
]
