"""Draws figures from a solution: value, sd and source, or why there is none.

Where the photos leave a twofold pose undecided the solution carries every answer that fits; a
figure on which the answers agree is given with an interval that holds them all, any other is
refused with all of them named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.model import Array, Key, State
from survey.adjustment.solution import Solution
from survey.figures import NORMAL_95, Figure, Measured, NotObserved, Unit
from survey.units import format_measured

StateFunction = Callable[[State], Array]


@dataclass(frozen=True, slots=True)
class Drawing:
    """A solution with the answers that fit as well, from which figures are drawn."""

    solution: Solution
    others: tuple[Solution, ...]
    undecided: str  # what is undecided, for a sentence
    cure: str  # what would decide it

    def measure(
        self, function: StateFunction, keys: Sequence[Key], unit: Unit, gap: NotObserved
    ) -> Measured:
        """Figure of a function of the unknowns that returns a (1,) array.

        `gap` is given back where an unknown has no place or the observations do not fix the
        function.
        """
        figure = self.draw_from(self.solution, function, keys, unit, gap)
        if isinstance(figure, NotObserved) or not self.others:
            return figure
        others = [self.draw_from(other, function, keys, unit, gap) for other in self.others]
        return self.reconciled(figure, others)

    def draw_from(
        self,
        solution: Solution,
        function: StateFunction,
        keys: Sequence[Key],
        unit: Unit,
        gap: NotObserved,
    ) -> Measured:
        """Figure by one answer alone."""
        if not placed(solution, keys):
            return gap
        derived = solution.derive(function, keys)
        value, sd = float(derived.value[0]), float(derived.sd[0])
        if not derived.estimable[0] or not np.isfinite(value) or not np.isfinite(sd):
            return gap
        return Figure(value, sd, unit, derived.observed_by, float(derived.coverage_factor[0]))

    def reconciled(self, figure: Figure, others: Sequence[Measured]) -> Measured:
        """One figure for all answers, or a refusal that names them."""
        answers = [figure, *(other for other in others if isinstance(other, Figure))]
        if len(answers) <= len(others):
            return NotObserved(self.undecided, self.cure)
        apart = max(abs(answer.value - figure.value) for answer in answers)
        if apart > max(answer.half_width for answer in answers):
            texts = dict.fromkeys(format_measured(answer) for answer in answers)
            return NotObserved(f"{self.undecided}: {' or '.join(texts)}", self.cure)
        half = max(abs(a.value - figure.value) + a.half_width for a in answers)
        return replace(figure, sd=half / NORMAL_95, coverage_factor=NORMAL_95)


def drawing_of(solution: Solution) -> Drawing:
    """Pair a solution with its alternatives, if it carries any."""
    return Drawing(
        solution,
        tuple(getattr(solution, "alternatives", ())),
        str(getattr(solution, "undecided", "")),
        str(getattr(solution, "settled_by", "")),
    )


def placed(solution: Solution, keys: Sequence[Key]) -> bool:
    """Whether every unknown has a value."""
    return all(key in solution.state for key in keys)
