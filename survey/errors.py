"""What can go wrong by a user's hand: one sentence each with where, what and cure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with an input.

    Attributes
    ----------
    what : str
        What was read and why it can't be used, quoting it.
    where : str
        File with line, cell, key or mark: ``"readings.csv line 14"``.
    cure : str
        What the user can do.
    """

    what: str
    where: str = ""
    cure: str = ""

    def __str__(self) -> str:
        """Return the problem as one sentence: where, what, cure."""
        place = f"{self.where}: " if self.where else ""
        cure = f"; {self.cure}" if self.cure else ""
        return f"{place}{self.what}{cure}"


class SurveyError(Exception):
    """Root of every failure that a user can cause or cure."""

    exit_code = 2

    def __init__(self, what: str, *, where: str = "", cure: str = "") -> None:
        self.problems: tuple[Problem, ...] = (Problem(what, where, cure),)
        super().__init__(str(self.problems[0]))

    @property
    def what(self) -> str:
        """What is wrong (the first problem's)."""
        return self.problems[0].what

    @property
    def where(self) -> str:
        """Where it is wrong (the first problem's)."""
        return self.problems[0].where

    @property
    def cure(self) -> str:
        """What to do about it (the first problem's)."""
        return self.problems[0].cure


class InputError(SurveyError, ValueError):
    """Something the user wrote, photographed or typed can't be used as it stands."""

    @classmethod
    def of(cls, problems: Sequence[Problem]) -> InputError:
        """Make one error of all problems found in a file; `problems` must not be empty."""
        first = problems[0]
        error = cls(first.what, where=first.where, cure=first.cure)
        error.problems = tuple(problems)
        error.args = ("\n".join(str(problem) for problem in problems),)
        return error


class GeometryError(SurveyError, ValueError):
    """A figure asked of points or planes that can't have one (a vertical plane has no fall)."""


class StorageError(SurveyError, OSError):
    """A file could not be read or written; what stood there before still stands."""

    def __str__(self) -> str:
        """Return the sentence; OSError would print its own form."""
        return "\n".join(str(problem) for problem in self.problems)


class NotEnoughObserved(SurveyError):
    """The visit holds too little to measure anything at all."""

    exit_code = 3
