"""The main job, stage by stage: from a visit to its measured plane file."""

from __future__ import annotations

from collections.abc import Sequence

from survey.adjustment import adjust, build_network
from survey.drainage import derive_drainage
from survey.photo import Photo, read_photos
from survey.planefile import PlaneFile, assemble
from survey.planes import derive_planes, find_next_measurements
from survey.rules import judge, minimum_slopes
from survey.target import Sighting, SightingProblem, find_targets
from survey.visit.model import Visit


def measure(visit: Visit) -> PlaneFile:
    """Measure every plane of a visit.

    Parameters
    ----------
    visit : Visit
        As `survey.open_visit` returns it.

    Returns
    -------
    PlaneFile
        Every figure with its 95 % interval, or why it is not observed. Nothing is written.

    Raises
    ------
    NotEnoughObserved
        If photos and readings together fix no length, height or slope at all.
    """
    photos = read_photos(visit)
    sightings, problems = find_targets(visit, photos)
    return measure_seen(visit, photos, sightings, problems)


def measure_seen(
    visit: Visit,
    photos: Sequence[Photo],
    sightings: Sequence[Sighting],
    problems: Sequence[SightingProblem],
) -> PlaneFile:
    """Measure a visit whose photos have been read and searched for targets already."""
    network = build_network(visit, photos, sightings)
    solution = adjust(network)
    planes = derive_planes(solution, visit)
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
