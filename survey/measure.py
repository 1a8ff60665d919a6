"""The main job, stage by stage: from a visit to its measured plane file."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from survey.adjustment import adjust, build_network
from survey.drainage import derive_drainage
from survey.photo import Photo, read_photos
from survey.planefile import PlaneFile, assemble
from survey.planes import derive_planes, find_next_measurements
from survey.rules import judge, minimum_slopes
from survey.target import Sighting, SightingProblem, find_targets
from survey.visit.model import Visit

Tell = Callable[[str], None]


def say_nothing(stage: str) -> None:
    """Keep quiet about a stage that begins."""


def measure(visit: Visit, *, tell: Tell = say_nothing) -> PlaneFile:
    """Measure every plane of a visit.

    Parameters
    ----------
    visit : Visit
        As `survey.open_visit` returns it.
    tell : callable
        Is told in words which stage begins; for somebody who waits.

    Returns
    -------
    PlaneFile
        Every figure with its 95 % interval, or why it is not observed. Nothing is written.

    Raises
    ------
    NotEnoughObserved
        If photos and readings together fix no length, height or slope at all.
    """
    tell(f"looking at {len(visit.photo_paths)} photos")
    photos = read_photos(visit)
    sightings, problems = find_targets(visit, photos)
    return measure_seen(visit, photos, sightings, problems, tell=tell)


def measure_seen(
    visit: Visit,
    photos: Sequence[Photo],
    sightings: Sequence[Sighting],
    problems: Sequence[SightingProblem],
    *,
    tell: Tell = say_nothing,
) -> PlaneFile:
    """Measure a visit whose photos have been read and searched for targets already."""
    tell(f"adjusting {len(visit.marks)} marks and {len(visit.readings)} readings together")
    network = build_network(visit, photos, sightings)
    solution = adjust(network)
    planes = derive_planes(solution, visit)
    tell("working out where water runs and stands")
    drainage = derive_drainage(planes, visit, minimum_slopes=minimum_slopes(visit))
    judgement = judge(visit, planes, drainage)
    following = find_next_measurements(visit, solution, network.cameras)
    return assemble(
        visit,
        photos,
        sightings,
        problems,
        network,
        solution,
        planes,
        drainage,
        judgement,
        following,
    )
