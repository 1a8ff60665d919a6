"""What was seen of targets in each photo, searched once and kept beside the journal.

A search takes seconds, so its outcome is kept by the photo's hash, the boards looked for, and the
detector's own source. It is a cache: deleting it costs time only. `survey measure` never reads it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from survey.errors import InputError, StorageError
from survey.photo import Photo, read_grey
from survey.storage import write_atomically
from survey.target import Sighting, SightingProblem, detect_targets
from survey.target.model import Array
from survey.visit.model import SheetBoard, TargetSpec
from survey.web.journal import FOLDER

CACHE = "cache"
LARGEST_ENTRY = 5_000_000  # bytes
NOBODYS = "\N{BULLET}"  # name under which sheets that nobody declared are looked for
UNDECLARED = re.compile(r"sheet ([a-z0-9-]+) is in the photo but isn't declared")


@dataclass(frozen=True, slots=True)
class Seen:
    """What one photo shows.

    Attributes
    ----------
    sightings : tuple of Sighting
        Of declared targets.
    problems : tuple of SightingProblem
    undeclared : tuple of Sighting
        Of our own sheets that nobody declared; `target` is the sheet's code.
    exact : bool
        False: taken over from a search for other targets, until this photo is searched again.
    """

    sightings: tuple[Sighting, ...]
    problems: tuple[SightingProblem, ...]
    undeclared: tuple[Sighting, ...] = ()
    exact: bool = True


class SightingStore:
    """The searches of one visit's photos."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / FOLDER / CACHE
        self._known: dict[str, tuple[tuple[TargetSpec, ...], Seen]] = {}

    def find(self, photo: Photo, targets: Sequence[TargetSpec]) -> Seen | None:
        """Return what is known of a photo, or None.

        Where it was searched for other targets, sheets seen then are taken over under their names.
        """
        wanted = _boards(targets)
        known = self._known.get(photo.name + photo.sha256)
        if known is not None and _boards(known[0]) == wanted:
            return known[1]
        seen = self._read(photo, wanted)
        if seen is not None:
            self._known[photo.name + photo.sha256] = (tuple(targets), seen)
            return seen
        return None if known is None else _taken_over(known[1], known[0], targets)

    def search(self, photo: Photo, targets: Sequence[TargetSpec]) -> Seen:
        """Search a photo, and keep what was seen."""
        seen = search_photo(photo, targets)
        self._known[photo.name + photo.sha256] = (tuple(targets), seen)
        path = self._path(photo, _boards(targets))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomically(path, json.dumps(_as_document(seen)).encode())
        except OSError:
            return seen  # a cache that can't be written costs time only
        return seen

    def _path(self, photo: Photo, boards: str) -> Path:
        text = f"{photo.sha256} {photo.name} {boards} {detector_source()}"
        return self.folder / f"{hashlib.sha256(text.encode()).hexdigest()[:32]}.json"

    def _read(self, photo: Photo, boards: str) -> Seen | None:
        path = self._path(photo, boards)
        try:
            if path.is_symlink() or not path.is_file() or path.stat().st_size > LARGEST_ENTRY:
                return None
            return _from_document(json.loads(path.read_bytes()), photo)
        except (OSError, ValueError, KeyError, TypeError):
            return None


def search_photo(photo: Photo, targets: Sequence[TargetSpec]) -> Seen:
    """Search one photo for declared targets, and for our own sheets that nobody declared."""
    try:
        grey = read_grey(photo)
    except (InputError, StorageError) as error:
        return Seen((), (SightingProblem(photo.name, "unreadable", str(error)),))
    looked_for = list(targets) or [TargetSpec(NOBODYS, SheetBoard("letter-1"))]
    sightings, problems = detect_targets(grey, looked_for, photo=photo.name)
    codes = [m[1] for problem in problems if (m := UNDECLARED.search(problem.sentence))]
    undeclared: tuple[Sighting, ...] = ()
    if codes:
        strangers = [TargetSpec(code, SheetBoard(code)) for code in dict.fromkeys(codes)]
        undeclared, _ = detect_targets(grey, strangers, photo=photo.name)
    if not targets:
        found = tuple(replace(one, target="letter-1") for one in sightings)
        return Seen((), (), (*found, *undeclared))
    return Seen(sightings, problems, undeclared)


def outline_of(sighting: Sighting) -> list[list[float]]:
    """Return the convex outline of a sighting's corners, px."""
    hull = cv2.convexHull(sighting.corners_px.astype(np.float32))
    return [[round(float(x), 1), round(float(y), 1)] for x, y in hull[:, 0]]


@cache
def detector_source() -> str:
    """Return a hash of the detector's own source, so that a change of it searches anew."""
    digest = hashlib.sha256()
    for entry in sorted(files("survey.target").iterdir(), key=lambda one: one.name):
        if entry.name.endswith(".py"):
            digest.update(entry.read_bytes())
    return digest.hexdigest()[:16]


def _boards(targets: Sequence[TargetSpec]) -> str:
    return repr(sorted((target.name, repr(target.board)) for target in targets))


def _taken_over(seen: Seen, searched: Sequence[TargetSpec], targets: Sequence[TargetSpec]) -> Seen:
    """Return what another search says of these targets, by their boards."""
    boards = {spec.name: repr(spec.board) for spec in searched}
    by_board = {boards[one.target]: one for one in seen.sightings}
    by_board |= {repr(SheetBoard(one.target)): one for one in seen.undeclared}
    names = {repr(target.board): target.name for target in targets}
    return Seen(
        tuple(
            replace(one, target=names[board]) for board, one in by_board.items() if board in names
        ),
        (),
        tuple(one for one in seen.undeclared if repr(SheetBoard(one.target)) not in names),
        exact=False,
    )


def _as_document(seen: Seen) -> dict[str, Any]:
    return {
        "sightings": [_sighting_document(one) for one in seen.sightings],
        "undeclared": [_sighting_document(one) for one in seen.undeclared],
        "problems": [[one.code, one.sentence, one.target] for one in seen.problems],
    }


def _sighting_document(one: Sighting) -> dict[str, Any]:
    return {
        "target": one.target,
        "corners_target": one.corners_target.tolist(),
        "corners_px": one.corners_px.tolist(),
        "sd_px": one.sd_px.tolist(),
        "numbers": [one.module_px, one.blur_px, one.coverage],
    }


def _from_document(document: dict[str, Any], photo: Photo) -> Seen:
    return Seen(
        tuple(_sighting(one, photo) for one in document["sightings"]),
        tuple(
            SightingProblem(photo.name, str(code), str(sentence), target)
            for code, sentence, target in document["problems"]
        ),
        tuple(_sighting(one, photo) for one in document["undeclared"]),
    )


def _sighting(one: dict[str, Any], photo: Photo) -> Sighting:
    corners = _numbers(one["corners_target"], 2)
    corners_px = _numbers(one["corners_px"], 2)
    sd = _numbers(one["sd_px"], 1)
    if not len(corners) == len(corners_px) == len(sd):
        raise ValueError("its lists differ in length")
    module, blur, coverage = (float(number) for number in one["numbers"])
    return Sighting(photo.name, str(one["target"]), corners, corners_px, sd, module, blur, coverage)


def _numbers(values: Any, dimensions: int) -> Array:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != dimensions or not np.isfinite(array).all():
        raise ValueError("they are no finite numbers")
    return array
