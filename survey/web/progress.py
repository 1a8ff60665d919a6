"""What a visit measures so far, in the words and figures that the page shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from survey.adjustment import adjust, build_network
from survey.adjustment.decided import Adjusted
from survey.adjustment.model import CAMERA, Pose
from survey.adjustment.solution import ObservationResult
from survey.drainage import derive_drainage
from survey.errors import NotEnoughObserved
from survey.photo import Photo
from survey.planefile import PlaneFile, assemble
from survey.planes import derive_planes
from survey.planes.model import PlaneSet
from survey.planes.site_frame import choose_frame
from survey.rules import judge, minimum_slopes
from survey.target import Sighting, SightingProblem
from survey.visit.model import Visit

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Progress:
    """A visit measured as far as it goes.

    `plane_file` and `solution` are None when nothing can be measured; `missing` then says why and
    `cure` what to do.
    """

    visit: Visit
    plane_file: PlaneFile | None
    solution: Adjusted | None
    planes: PlaneSet | None
    missing: str = ""
    cure: str = ""

    def as_document(self) -> Json:
        """Return what the page shows of it."""
        document = None if self.plane_file is None else dict(self.plane_file.document)
        solution, planes = self.solution, self.planes
        help_most = []
        if self.cure:
            help_most.append({"what": "begin", "photo": None, "sentence": self.cure})
        return {
            "result": document,
            "missing": self.missing,
            "gaps": [] if document is None else find_gaps(document),
            "worst": None if solution is None else find_worst(self.visit, solution),
            "plan": {} if planes is None else draw_plan(self.visit, solution, planes),
            "help_most": help_most,
        }


def measure_progress(
    visit: Visit,
    photos: Sequence[Photo],
    sightings: Sequence[Sighting],
    problems: Sequence[SightingProblem],
    *,
    thorough: bool,
) -> Progress:
    """Measure a visit whose photos have been searched.

    Parameters
    ----------
    visit, photos, sightings, problems
        As for `survey.measure.measure_seen`.
    thorough : bool
        Whether to search for faults and to sample drainage, as `survey measure` does. Without, the
        answer comes while a person waits for it, and says nothing of water.
    """
    try:
        network = build_network(visit, photos, sightings)
        solution = adjust(network, search_faults=thorough)
    except NotEnoughObserved as gap:
        return Progress(visit, None, None, None, gap.what, gap.cure)
    planes = derive_planes(solution, visit)
    drainage = (
        derive_drainage(planes, visit, minimum_slopes=minimum_slopes(visit)) if thorough else ()
    )
    judgement = judge(visit, planes, drainage)
    plane_file = assemble(
        visit, photos, sightings, problems, network, solution, planes, drainage, judgement
    )
    return Progress(visit, plane_file, solution, planes)


def find_gaps(document: Json) -> list[Json]:
    """Return what is not observed of planes and edges, each gap once."""
    found: dict[tuple[str, str], Json] = {}
    for plane in document["planes"]:
        keys = ("pitch", "area") if plane["kind"] == "roof" else ("area",)
        for key in keys:
            _add_gap(found, f"{key} of {plane['name']}", plane[key])
    for edge in document["edges"]:
        _add_gap(found, f"length of {edge['name']}", edge["length"])
    return list(found.values())


def _add_gap(found: dict[tuple[str, str], Json], where: str, measured: Json) -> None:
    if "not_observed" in measured:
        why, cure = measured["not_observed"], measured["cure"]
        found.setdefault((where, why), {"where": where, "why": why, "cure": cure})


def find_worst(visit: Visit, solution: Adjusted) -> Json | None:
    """Return the observation that departs most from what the others say."""
    photos = {mark.id: mark.photo for mark in visit.marks}
    names = sorted((path.name for path in visit.photo_paths), key=len, reverse=True)
    checked = [one for one in solution.observations if np.isfinite(one.standardised)]
    if not checked:
        return None
    worst: ObservationResult = max(checked, key=lambda one: abs(one.standardised))
    return {
        "id": worst.id,
        "where": worst.where or worst.id,
        "kind": worst.kind,
        "photo": photos.get(worst.id) or next((n for n in names if n in worst.where), None),
        "standardised": round(worst.standardised, 2),
        "residual": float(f"{worst.residual:.4g}"),
        "unit": worst.unit,
        "used": worst.used,
    }


def draw_plan(visit: Visit, solution: Adjusted | None, planes: PlaneSet) -> Json:
    """Return planes and cameras in the site frame, metres, for plan and 3-D view."""
    outlines = [
        {"name": plane.spec.name, "kind": plane.spec.kind.value, "outline_m": _rows(plane.outline)}
        for plane in planes.planes
        if len(plane.outline) and np.isfinite(plane.outline).all()
    ]
    return {
        "planes": outlines,
        "cameras": [] if solution is None else _cameras(visit, solution),
        "gravity_observed": planes.gravity_observed,
        "scale_observed": planes.scale_observed,
    }


def _cameras(visit: Visit, solution: Adjusted) -> list[Json]:
    frame = choose_frame(solution, visit.planes)
    if frame is None:
        return []
    axes, origin = frame.axes(solution.state)
    cameras = []
    for (kind, name), pose in sorted(solution.state.items(), key=lambda item: item[0]):
        if kind == CAMERA and isinstance(pose, Pose):
            place = axes @ (pose.translation - origin)
            axis = axes @ pose.rotation[:, 2]
            if np.isfinite(place).all():
                cameras.append({"photo": name, "position_m": _row(place), "axis": _row(axis)})
    return cameras


def _rows(points: Any) -> list[list[float]]:
    return [_row(point) for point in points]


def _row(values: Any) -> list[float]:
    return [round(float(value), 4) for value in values]
