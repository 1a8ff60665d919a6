"""Is what we have enough? Asked on site, before the ladder goes back on the truck."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from survey.errors import NotEnoughObserved, SurveyError
from survey.measure import Tell, measure_seen, say_nothing
from survey.photo import BoundedDecoder, Photo, describe_quality, photo_quality, read_photos
from survey.planefile import PlaneFile, format_gaps
from survey.planefile.lines import counted, wrapped
from survey.target import Sighting, SightingProblem, find_targets
from survey.visit.model import Visit


@dataclass(frozen=True, slots=True)
class PhotoState:
    """What one photo is good for: the targets found in it, and what speaks against it."""

    photo: str
    usable: bool
    targets: tuple[str, ...]
    marks: int
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class VisitCheck:
    """State of a visit. `plane_file` is None when nothing can be measured; `missing` says why."""

    photos: tuple[PhotoState, ...]
    plane_file: PlaneFile | None
    missing: str

    @property
    def measurable(self) -> bool:
        """Whether anything at all can be measured."""
        return self.plane_file is not None

    def as_document(self) -> dict[str, Any]:
        """Return the state as JSON-ready values."""
        return {
            "photos": [
                {
                    "photo": state.photo,
                    "usable": state.usable,
                    "targets": list(state.targets),
                    "marks": state.marks,
                    "remarks": list(state.remarks),
                }
                for state in self.photos
            ],
            "measurable": self.measurable,
            "missing": self.missing,
            "plane_file": self.plane_file.document if self.plane_file else None,
        }


def check_visit(visit: Visit, *, tell: Tell = say_nothing) -> VisitCheck:
    """Try to measure a visit and say what each photo gave and what is missing; writes nothing.

    `tell` is told in words which stage begins, as by `survey.measure.measure`.
    """
    tell(f"looking at {len(visit.photo_paths)} photos")
    photos = read_photos(visit)
    sightings, problems = find_targets(visit, photos)
    with BoundedDecoder() as decoder:
        states = tuple(_photo_state(photo, visit, sightings, problems, decoder) for photo in photos)
    try:
        return VisitCheck(states, measure_seen(visit, photos, sightings, problems, tell=tell), "")
    except NotEnoughObserved as gap:
        return VisitCheck(states, None, str(gap))


def format_check(state: VisitCheck) -> str:
    """Return the state of a visit as lines for a terminal: photos first, then what is missing."""
    lines = ["Photos"]
    lines += [line for photo in state.photos for line in _photo_lines(photo)] or ["  none"]
    lines += ["", "Measured so far"]
    if state.plane_file is None:
        lines.append(f"  nothing yet: {state.missing}")
    else:
        lines += [f"  {line}" for line in format_gaps(state.plane_file)]
    return "\n".join(lines)


def _photo_lines(state: PhotoState) -> list[str]:
    word = "used" if state.usable else "not used"
    noun = "target" if len(state.targets) == 1 else "targets"
    found = f"{noun} {', '.join(state.targets)}" if state.targets else "no target"
    lines = wrapped(f"{state.photo}: {word}; {found}; {counted(state.marks, 'mark')}", 2, 4)
    return lines + [line for remark in state.remarks for line in wrapped(remark, 4, 6)]


def _photo_state(
    photo: Photo,
    visit: Visit,
    sightings: Sequence[Sighting],
    problems: Sequence[SightingProblem],
    decoder: BoundedDecoder,
) -> PhotoState:
    remarks = [photo.refused] if photo.refused else []
    remarks += [sentence for _, sentence in photo.warnings]
    mine = [problem for problem in problems if problem.photo == photo.name]
    remarks += [problem.sentence for problem in mine]
    if not any(problem.code == "unreadable" for problem in mine):
        remarks += _quality_remarks(photo, decoder)
    return PhotoState(
        photo=photo.name,
        usable=photo.camera is not None,
        targets=tuple(seen.target for seen in sightings if seen.photo == photo.name),
        marks=sum(mark.photo == photo.name for mark in visit.marks),
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _quality_remarks(photo: Photo, decoder: BoundedDecoder) -> list[str]:
    """Return what speaks against a photo's sharpness and exposure: it can be taken again now."""
    if photo.camera is None:
        return []
    try:
        quality = photo_quality(decoder.read_grey(photo))
    except SurveyError as error:
        return [str(error)]
    return [sentence for _, sentence in describe_quality(quality)]
