"""The field book of a visit: every action noted on the disk before it is done, and undone at will.

The journal is the record; the visit's files follow from it. An action is put into the journal,
then into the files, then acknowledged, so that a crash at any moment loses at most what nobody was
told of. People edit the files too: what stands in them always wins over what was expected.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from survey.errors import InputError, StorageError
from survey.visit.model import Visit
from survey.web.actions import Action, Scene, perform
from survey.web.changes import Change, apply_change, find_change
from survey.web.conflicts import Conflict, collisions, keep_both
from survey.web.journal import DO, NOTE, REDO, UNDO, VOID, Entry, Journal, Thing
from survey.web.mark_actions import highest
from survey.web.naming import number_of
from survey.web.texts import FILES, Texts, hash_text, open_texts, read_texts, write_text


@dataclass(frozen=True, slots=True)
class Receipt:
    """What the asker is told once an action is on the disk.

    `before` is the version that the action met, so that the asker knows whether others came in
    between.
    """

    version: int
    before: int
    label: str
    applied: tuple[Any, ...] = ()
    conflict: Conflict | None = None


@dataclass(slots=True)
class _History:
    """What has been done and what has been undone, as entries of the journal."""

    done: list[Entry] = field(default_factory=list)
    undone: list[Entry] = field(default_factory=list)

    def take(self, entry: Entry) -> None:
        """Follow one entry of the journal."""
        match entry.kind:
            case "do":
                self.done.append(entry)
                self.undone.clear()
            case "undo":
                self.undone.append(self.done.pop())
            case "redo":
                self.done.append(self.undone.pop())
            case "void":
                self._take_back(entry)

    def _take_back(self, entry: Entry) -> None:
        """Drop a "do" whose files could not be written, or swap an undo or redo back."""
        if self.done and self.done[-1].number == entry.of:
            self.done.pop()
        elif entry.label == UNDO:
            self.done.append(self.undone.pop())
        elif entry.label == REDO:
            self.undone.append(self.done.pop())


class FieldBook:
    """State of one visit while its page is open. Its methods may be called from any thread.

    Attributes
    ----------
    texts : mapping
        What the three files hold.
    visit : Visit
    version : int
        Number of the last entry of the journal; grows with every change, never falls.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lock = threading.RLock()
        self.journal = Journal(folder)
        self.history = _History()
        self.answers: dict[tuple[str, str], Receipt] = {}
        self.last_mark = 0
        for entry in self.journal.entries:
            self._follow(entry)
        self.texts: Texts = read_texts(folder)
        self._finish_last()
        self.visit: Visit = open_texts(folder, self.texts)
        self.sizes: Callable[[], Mapping[str, tuple[int, int]]] = dict
        self.listeners: list[Callable[[int], None]] = []

    @property
    def version(self) -> int:
        """Number of the last entry."""
        return self.journal.entries[-1].number if self.journal.entries else 0

    @property
    def guessed_edges(self) -> set[str]:
        """Edges (by both ends) whose kind was guessed and not touched by a person since."""
        guessed: set[str] = set()
        for entry in self.history.done:
            for kind, name in entry.touches:
                if kind == "edge guess":
                    guessed.add(name)
                elif kind == "edge":
                    guessed.discard(name.rsplit("/", 1)[0])
        return guessed

    def act(self, client: str, request: str, base: int, action: Action) -> Receipt:
        """Do an action, undo or redo.

        Parameters
        ----------
        client, request : str
            Who asks, and the asker's own id of the request: asking twice does it once.
        base : int
            Version that the asker had seen.
        action : mapping
            See docs/page.md.

        Returns
        -------
        Receipt
            Everything in it is on the disk.

        Raises
        ------
        InputError
            If it can't be done; nothing was changed.
        ConflictError
            If somebody else changed the same thing since `base`; nothing was changed.
        StorageError
            If the disk does not take it.
        """
        with self.lock:
            answered = self.answers.get((client, request))
            if answered is not None:
                return answered
            self.look_again()
            if action.get("kind") in (UNDO, REDO):
                receipt = self._turn_back(client, request, base, str(action["kind"]))
            else:
                receipt = self._do(client, request, base, action)
            self.answers[(client, request)] = receipt
        self._announce()
        return receipt

    def note(self, label: str, *touches: Thing) -> None:
        """Note something that can't be undone, such as a photo that was added."""
        with self.lock:
            self._append(Entry(self.version + 1, NOTE, label, touches=touches))
            self.visit = open_texts(self.folder, self.texts)
        self._announce()

    def look_again(self) -> None:
        """Take over what a person or another program wrote into the files meanwhile."""
        with self.lock:
            texts = read_texts(self.folder)
            if texts == self.texts:
                return
            self.visit = open_texts(self.folder, texts)
            edited = [name for name in FILES if texts[name] != self.texts[name]]
            self.texts = texts
            touches = tuple(("file", name) for name in edited)
            self._append(
                Entry(self.version + 1, NOTE, f"{', '.join(edited)} edited", touches=touches)
            )
        self._announce()

    def _do(self, client: str, request: str, base: int, action: Action) -> Receipt:
        scene = Scene(self.folder, self.sizes(), self.last_mark)
        step = perform(self.texts, self.visit, action, scene)
        conflict = None
        others = collisions(self._since(base, client), step.touches)
        if others:
            step, conflict = keep_both(self.texts, self.visit, action, scene, step, others)
        visit = open_texts(self.folder, step.texts)
        changes = _changes(self.texts, step.texts)
        before = self.version
        if not changes:
            return Receipt(before, before, step.label, step.applied, conflict)
        entry = Entry(
            before + 1, DO, step.label, client, request, step.touches,
            _hashes(self.texts, step.texts), changes, applied=step.applied,
        )  # fmt: skip
        self._commit(entry, step.texts, visit)
        return Receipt(entry.number, before, step.label, step.applied, conflict)

    def _turn_back(self, client: str, request: str, base: int, kind: str) -> Receipt:
        stack = self.history.done if kind == UNDO else self.history.undone
        if not stack:
            raise InputError(f"there is nothing to {kind}", where="history")
        last = stack[-1]
        others = [entry for entry in self._since(base, client) if entry.kind != NOTE]
        if others:
            raise Conflict.unseen(kind, last.label, others[-1].label, self.version).as_error()
        changes = last.changes
        if kind == UNDO:
            changes = tuple(change.reversed() for change in reversed(last.changes))
        texts = dict(self.texts)
        for change in changes:
            texts[change.file] = apply_change(texts[change.file], change, last.label)
        visit = open_texts(self.folder, texts)
        before = self.version
        entry = Entry(
            before + 1, kind, f"{kind} {last.label}", client, request, last.touches,
            _hashes(self.texts, texts), of=last.number,
        )  # fmt: skip
        self._commit(entry, texts, visit)
        return Receipt(entry.number, before, entry.label, ({kind: last.label},))

    def _commit(self, entry: Entry, texts: Texts, visit: Visit) -> None:
        """Journal first, then the files; what can't be written is taken back."""
        old = self.texts
        self._append(entry)
        try:
            for name in entry.hashes:
                write_text(self.folder, name, texts[name])
        except OSError:
            self._append(Entry(self.version + 1, VOID, entry.kind, of=entry.number))
            for name in entry.hashes:
                _restore(self.folder, name, old[name])
            raise
        self.journal.note_written(entry.number)
        self.texts, self.visit = texts, visit

    def _append(self, entry: Entry) -> None:
        self.journal.append(entry)
        self._follow(entry)

    def _follow(self, entry: Entry) -> None:
        self.history.take(entry)
        for kind, name in entry.touches:
            if kind == "mark":
                self.last_mark = max(self.last_mark, number_of(name))
        if entry.request:
            receipt = Receipt(entry.number, entry.number - 1, entry.label, entry.applied)
            self.answers[(entry.client, entry.request)] = receipt

    def _finish_last(self) -> None:
        """Write what a crash kept from being written: the last entry's files, if as before."""
        entries = self.journal.entries
        if not entries or entries[-1].number <= self.journal.written:
            return
        entry = entries[-1]
        if entry.kind not in (DO, UNDO, REDO):
            return
        texts = dict(self.texts)
        for change in self._changes_of(entry):
            name = change.file
            before = entry.hashes[name][0]
            if hash_text(self.texts[name]) == before:
                texts[name] = apply_change(texts[name], change, entry.label)
        for name in texts:
            if texts[name] != self.texts[name]:
                write_text(self.folder, name, texts[name])
        self.texts = texts
        self.last_mark = max(self.last_mark, highest(open_texts(self.folder, texts)))

    def _changes_of(self, entry: Entry) -> tuple[Change, ...]:
        if entry.kind == DO:
            return entry.changes
        original = next(one for one in self.journal.entries if one.number == entry.of)
        if entry.kind == REDO:
            return original.changes
        return tuple(change.reversed() for change in reversed(original.changes))

    def _since(self, base: int, client: str) -> list[Entry]:
        """Return what others did after a version."""
        if base > self.version or base < 0:
            raise InputError(
                f"version {base} has never been", where="base", cure="load the page again"
            )
        later = []
        for entry in reversed(self.journal.entries):
            if entry.number <= base:
                break
            if entry.client != client:
                later.append(entry)
        return later[::-1]

    def _announce(self) -> None:
        for listener in self.listeners:
            listener(self.version)


def _changes(old: Texts, new: Texts) -> tuple[Change, ...]:
    found = (find_change(name, old[name], new[name]) for name in FILES)
    return tuple(change for change in found if change is not None)


def _hashes(old: Texts, new: Texts) -> dict[str, tuple[str | None, str | None]]:
    return {
        name: (hash_text(old[name]), hash_text(new[name]))
        for name in FILES
        if old[name] != new[name]
    }


def _restore(folder: Path, name: str, text: str | None) -> None:
    """Put back what stood in a file; the failure that led here is the one that is told."""
    try:
        if read_texts(folder)[name] != text:
            write_text(folder, name, text)
    except (InputError, StorageError):
        return
