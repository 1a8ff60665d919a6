"""The measured plane file: assembled, written, read, verified, shown. See docs/plane-file.md."""

from survey.planefile.assembling import assemble
from survey.planefile.files import find_plane_file, read_plane_file, write_plane_file
from survey.planefile.model import PlaneFile
from survey.planefile.show import format_gaps, format_plane_file
from survey.planefile.show_next import say_next_measurement, write_next_measurement
from survey.planefile.text import is_untouched
from survey.planefile.values import read_measured, write_measured
from survey.planefile.verifying import find_differences, verify_plane_file

__all__ = [
    "PlaneFile",
    "assemble",
    "find_differences",
    "find_plane_file",
    "format_gaps",
    "format_plane_file",
    "is_untouched",
    "read_measured",
    "read_plane_file",
    "say_next_measurement",
    "verify_plane_file",
    "write_measured",
    "write_next_measurement",
    "write_plane_file",
]
