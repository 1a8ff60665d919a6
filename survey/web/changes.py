"""Changes of text files as small reversible pieces.

A change holds what stood in the file and what stands there now, with a little of the text around
it. Undoing one is exact where the file is as the change left it; where a person has edited the
file since, the piece is looked for by its surroundings, and refused if it can't be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from survey.errors import InputError

SURROUNDINGS = 80  # characters kept on each side


@dataclass(frozen=True, slots=True)
class Change:
    """One piece of one file.

    Attributes
    ----------
    file : str
        Name of the file.
    at : int
        Where the piece begins, in characters.
    old, new : str or None
        The piece before and after; None: there was, or is, no such file.
    before, after : str
        What stands around the piece.
    """

    file: str
    at: int
    old: str | None
    new: str | None
    before: str = ""
    after: str = ""

    def reversed(self) -> Change:
        """Return the change that takes this one back."""
        return Change(self.file, self.at, self.new, self.old, self.before, self.after)

    def as_document(self) -> dict[str, Any]:
        """Return the change as JSON-ready values."""
        return {
            "file": self.file, "at": self.at, "old": self.old, "new": self.new,
            "before": self.before, "after": self.after,
        }  # fmt: skip


def find_change(file: str, old: str | None, new: str | None) -> Change | None:
    """Return the smallest single piece in which two texts of a file differ; None: they don't."""
    if old == new:
        return None
    if old is None or new is None:
        return Change(file, 0, old, new)
    start = _common_start(old, new)
    end = _common_start(old[start:][::-1], new[start:][::-1])
    return Change(
        file,
        start,
        old[start : len(old) - end],
        new[start : len(new) - end],
        old[max(0, start - SURROUNDINGS) : start],
        old[len(old) - end : len(old) - end + SURROUNDINGS],
    )


def apply_change(text: str | None, change: Change, label: str) -> str | None:
    """Return the text of a file after a change.

    Parameters
    ----------
    text : str or None
        What the file holds; None: it is not there.
    change : Change
    label : str
        What the change belongs to, for the message.

    Raises
    ------
    InputError
        If the piece is no longer there, or stands there more than once.
    """
    if change.old is None:
        if text is None:
            return change.new
        raise _edited(change.file, label)
    if text is None:
        raise _edited(change.file, label)
    if change.new is None:
        if text == change.old:
            return None
        raise _edited(change.file, label)
    at = change.at
    whole = change.before + change.old + change.after
    start = at - len(change.before)
    if text[start : start + len(whole)] != whole or start < 0:
        start = text.find(whole)
        if start < 0 or text.find(whole, start + 1) >= 0 or not whole:
            raise _edited(change.file, label)
        at = start + len(change.before)
    return text[:at] + change.new + text[at + len(change.old) :]


def _common_start(one: str, other: str) -> int:
    """Return how many characters two texts have in common at their start, by halving."""
    low, high = 0, min(len(one), len(other))
    while low < high:
        middle = (low + high + 1) // 2
        if one[low:middle] == other[low:middle]:
            low = middle
        else:
            high = middle - 1
    return low


def _edited(file: str, label: str) -> InputError:
    return InputError(
        f"{file} was edited at the same place since ('{label}')",
        where=file,
        cure="change it back by hand, or go on from what stands there now",
    )
