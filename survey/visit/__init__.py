"""The visit folder: see docs/visit-folder.md."""

from survey.visit.beginning import begin_visit
from survey.visit.editing import add_table, edit_visit_text, update_visit_toml
from survey.visit.marks_file import write_marks
from survey.visit.reading import open_visit

__all__ = [
    "add_table",
    "begin_visit",
    "edit_visit_text",
    "open_visit",
    "update_visit_toml",
    "write_marks",
]
