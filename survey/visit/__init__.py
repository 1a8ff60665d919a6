"""The visit folder: see docs/visit-folder.md."""

from survey.visit.beginning import begin_visit
from survey.visit.marks_file import write_marks
from survey.visit.reading import open_visit

__all__ = ["begin_visit", "open_visit", "write_marks"]
