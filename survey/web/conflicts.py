"""Two people, or two windows, at one visit: what happens when both change the same thing.

Actions on different things are simply both done. Two edits of one mark are both kept, the later
under a new id, and the question is shown. A name in visit.toml or a row of readings can't stand
twice, so there the later asker is shown both and asks again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from survey.errors import InputError
from survey.visit.model import Visit
from survey.web.actions import Action, Scene, Step, perform
from survey.web.journal import Entry, Thing
from survey.web.mark_actions import highest
from survey.web.texts import Texts


class ConflictError(InputError):
    """Somebody else changed the same thing meanwhile; nothing was done."""

    def __init__(self, conflict: Conflict, version: int) -> None:
        super().__init__(conflict.sentence, where=conflict.where, cure="look at it and ask again")
        self.conflict = conflict
        self.version = version


@dataclass(frozen=True, slots=True)
class Conflict:
    """What two askers changed: where, in one sentence, and what the other one did."""

    sentence: str
    where: str
    other: str
    kept: Mapping[str, Any] = field(default_factory=dict)
    version: int = 0

    @classmethod
    def unseen(cls, kind: str, label: str, other: str, version: int) -> Conflict:
        """Make the conflict of an undo that would take back what the asker has not seen."""
        return cls(
            f"somebody else did '{other}' meanwhile, and {kind} would now be of '{label}'",
            "history",
            other,
            version=version,
        )

    def as_error(self) -> ConflictError:
        """Return the refusal."""
        return ConflictError(self, self.version)

    def as_document(self) -> dict[str, Any]:
        """Return the conflict as JSON-ready values."""
        return {
            "sentence": self.sentence, "where": self.where, "other": self.other,
            "kept": dict(self.kept),
        }  # fmt: skip


def collisions(later: Sequence[Entry], touches: Sequence[Thing]) -> list[Entry]:
    """Return the entries of others that changed what an action changes too."""
    return [
        entry
        for entry in later
        if any(_same(one, other) for one in touches for other in entry.touches)
    ]


def _same(one: Thing, other: Thing) -> bool:
    """Whether two things are the same; "name/*" is everything of that name."""
    if one[0] != other[0]:
        return False
    if one[1] == other[1]:
        return True
    first, _, key = one[1].rpartition("/")
    second, _, other_key = other[1].rpartition("/")
    return bool(first) and first == second and "*" in (key, other_key)


def keep_both(
    texts: Texts,
    visit: Visit,
    action: Action,
    scene: Scene,
    step: Step,
    others: Sequence[Entry],
) -> tuple[Step, Conflict]:
    """Do an action on a mark that somebody else changed meanwhile, as a mark of its own.

    Raises
    ------
    ConflictError
        If it is about anything but putting one mark.
    """
    other = others[-1]
    if action.get("kind") != "put mark":
        where = step.label
        sentence = f"somebody else changed the same meanwhile: '{other.label}'"
        raise ConflictError(Conflict(sentence, where, other.label), other.number)
    mark = step.applied[0]["mark"]
    there = next((one for one in visit.marks if one.id == mark["id"]), None)
    if there is not None:
        fresh = f"m{max(scene.last_mark, highest(visit)) + 1}"
        mark = {**mark, "id": fresh}
    step = perform(texts, visit, {"kind": "put mark", "mark": mark}, scene)
    kept = {"mark": mark["id"], "beside": there.id if there is not None else None}
    sentence = (
        f"somebody else changed {other.label} meanwhile; both are kept, remove the wrong one"
        if there is not None
        else f"somebody else removed {other.label} meanwhile; yours is kept"
    )
    return step, Conflict(sentence, step.label, other.label, kept)
