"""Findings about photos: those that could not be used, and targets that could not."""

from __future__ import annotations

from collections.abc import Sequence

from survey.findings import Finding, Severity
from survey.photo.model import Photo
from survey.target.model import SightingProblem


def find_photo_findings(
    photos: Sequence[Photo], problems: Sequence[SightingProblem]
) -> list[Finding]:
    """Return one finding for each refused photo, each kind of warning and unusable target."""
    refused = [
        Finding(
            "photo-not-used",
            Severity.CHECK,
            photo.name,
            photo.refused,
        )
        for photo in photos
        if photo.refused
    ]
    alike: dict[str, list[str]] = {}
    for photo in photos:
        for _, sentence in photo.warnings:
            alike.setdefault(sentence, []).append(photo.name)
    warned = [
        Finding("photo-warning", Severity.NOTE, ", ".join(names), sentence)
        for sentence, names in alike.items()
    ]
    unusable = [
        Finding("target-not-usable", Severity.CHECK, problem.photo, problem.sentence)
        for problem in problems
    ]
    return [*refused, *warned, *unusable]
