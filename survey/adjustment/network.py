"""Turns a visit, its photos and the targets seen in them into one list of observations.

What can't be used (a mark on a refused photo, a level line that runs along nothing) becomes a
finding; nothing a person left out stops the build.
"""

from __future__ import annotations

from collections.abc import Sequence

from survey.adjustment.model import Network, Observation
from survey.adjustment.network_marks import observe_marks
from survey.adjustment.network_photos import observe_lenses, observe_targets
from survey.adjustment.network_planes import observe_edges, observe_planes, undeclared_overhangs
from survey.adjustment.network_readings import observe_readings
from survey.findings import Finding, Severity
from survey.photo.model import CameraPrior, Photo
from survey.target.model import Sighting
from survey.visit.model import PlaneKind, Visit


def build_network(visit: Visit, photos: Sequence[Photo], sightings: Sequence[Sighting]) -> Network:
    """Gather every observation of a visit.

    Parameters
    ----------
    visit : Visit
    photos : sequence of Photo
        As `survey.photo.read_photos` returns them; refused ones are passed over.
    sightings : sequence of Sighting
        As `survey.target.find_targets` returns them.

    Returns
    -------
    Network
        Observations in the order lenses, targets, planes, edges, marks, readings, each with an id
        that depends on the visit alone; `findings` holds what was noticed on the way.
    """
    network = Network(
        outlines={plane.name: plane.outline for plane in visit.planes},
        wall_planes=frozenset(p.name for p in visit.planes if p.kind is PlaneKind.WALL),
        units=visit.units,
    )
    cameras = _cameras_in_use(visit, photos, sightings, network.findings)
    network.cameras.update(cameras)
    seen = [sighting for sighting in sightings if sighting.photo in cameras]
    parts: tuple[tuple[list[Observation], list[Finding]], ...] = (
        observe_lenses(cameras),
        observe_targets(visit, seen),
        observe_planes(visit),
        observe_edges(visit),
        observe_marks(visit, frozenset(cameras)),
        observe_readings(visit),
    )
    for observations, findings in parts:
        network.observations += observations
        network.findings += findings
    network.overhangs += [
        (edge.name, edge.start, edge.end, plane) for edge, plane in undeclared_overhangs(visit)
    ]
    return network


def _cameras_in_use(
    visit: Visit,
    photos: Sequence[Photo],
    sightings: Sequence[Sighting],
    findings: list[Finding],
) -> dict[str, CameraPrior]:
    """Cameras of the photos that show a target or carry a mark; the others are named."""
    spoken_of = {seen.photo for seen in sightings} | {mark.photo for mark in visit.marks}
    cameras: dict[str, CameraPrior] = {}
    for photo in photos:
        if photo.camera is None:
            continue
        if photo.name in spoken_of:
            cameras[photo.name] = photo.camera
        else:
            findings.append(
                Finding(
                    "photo-shows-nothing",
                    Severity.NOTE,
                    photo.name,
                    "no target was found in this photo and nothing is marked in it, so it was not "
                    "used",
                    "mark two or more corners in it that another photo shows too",
                )
            )
    return cameras
