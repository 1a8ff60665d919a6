"""Finds the targets in the photos of a visit."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

from survey.errors import InputError, StorageError
from survey.photo import BoundedDecoder, Photo
from survey.target.detection import detect_targets
from survey.target.model import Sighting, SightingProblem
from survey.visit.model import Visit

WORKERS = 2  # photos in memory at a time; a child decodes one while the other is searched

Seen = tuple[tuple[Sighting, ...], tuple[SightingProblem, ...]]


def find_targets(visit: Visit, photos: Sequence[Photo]) -> Seen:
    """Find every declared target in every usable photo.

    Parameters
    ----------
    visit : Visit
    photos : sequence of Photo
        As `survey.photo.read_photos` gave them; refused ones are passed over.

    Returns
    -------
    sightings : tuple of Sighting
        Photo by photo in the order given, within a photo in the order of the visit's targets.
    problems : tuple of SightingProblem
        Among them photos whose picture data turned out to be damaged, or took too long or too
        much memory to decode.

    Raises
    ------
    InputError
        If a declared board can't be.
    """
    usable = [photo for photo in photos if photo.camera is not None]

    if not visit.targets or not usable:
        return (), ()
    with BoundedDecoder() as decoder, ThreadPoolExecutor(max_workers=WORKERS) as pool:

        def look(photo: Photo) -> Seen:
            try:
                grey = decoder.read_grey(photo)
            except (InputError, StorageError) as error:
                return (), (SightingProblem(photo.name, "unreadable", str(error)),)
            return detect_targets(grey, visit.targets, photo=photo.name)

        seen = list(pool.map(look, usable))
    return (
        tuple(sighting for sightings, _ in seen for sighting in sightings),
        tuple(problem for _, problems in seen for problem in problems),
    )
