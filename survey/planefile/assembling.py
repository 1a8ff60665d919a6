"""Everything the stages found, put together into one document."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from survey.adjustment.model import Network
from survey.adjustment.solution import Solution
from survey.drainage.model import PlaneDrainage
from survey.findings import Finding, Severity
from survey.levelling import check_levels
from survey.photo.model import Photo
from survey.planefile.evidence import (
    write_adjustment,
    write_frame,
    write_observations,
    write_photos,
    write_targets,
)
from survey.planefile.model import FORMAT, VERSION, PlaneFile
from survey.planefile.noticed import find_photo_findings
from survey.planefile.planes_part import (
    write_edges,
    write_field_readings,
    write_outlets,
    write_penetrations,
    write_planes,
    write_points,
)
from survey.planefile.show_next import write_next_measurement
from survey.planefile.text import HASH_KEY, content_hash
from survey.planefile.totals import write_totals
from survey.planefile.traced import Traced, trace_outlines
from survey.planefile.values import (
    Json,
    cleaned,
    coordinates,
    number,
    number_or_null,
    write_measured,
)
from survey.planes import NextMeasurement
from survey.planes.model import PlaneSet
from survey.rules import Judgement, Limit, limits
from survey.target.model import Sighting, SightingProblem
from survey.visit.model import Visit

UNITS: Json = {
    "length": "m",
    "area": "m2",
    "volume": "m3",
    "slope": "m/m (rise over run)",
    "angle": "rad",
    "weight": "kg",
    "load": "Pa",
    "temperature": "K",
    "pixels": "px",
}
GRAVEST_FIRST = (Severity.STOP, Severity.CHECK, Severity.NOTE)


def assemble(
    visit: Visit,
    photos: Sequence[Photo],
    sightings: Sequence[Sighting],
    sighting_problems: Sequence[SightingProblem],
    network: Network,
    solution: Solution,
    planes: PlaneSet,
    drainage: Sequence[PlaneDrainage],
    judgement: Judgement,
    next_measurements: Sequence[NextMeasurement] = (),
) -> PlaneFile:
    """Put everything that the stages found into one plane file.

    Returns
    -------
    PlaneFile
        The same for the same input, whatever the day: no clock is read, and what has no order of
        its own is sorted.
    """
    findings = sort_findings(
        [
            *find_photo_findings(photos, sighting_problems),
            *check_levels(visit),
            *network.findings,
            *solution.findings,
            *judgement.findings,
        ]
    )
    outlines = trace_outlines(visit, network, solution)
    document: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "software": {"name": "roof-plane-survey", "version": _software_version()},
        HASH_KEY: "",
        "units": UNITS,
        "visit": _write_visit(visit),
        "frame": write_frame(network, solution),
        "totals": write_totals(planes, solution),
        "planes": write_planes(planes, drainage, judgement),
        "edges": write_edges(planes.edges),
        "points": write_points(planes.points),
        "field_readings": write_field_readings(planes),
        "outlets": write_outlets(visit, planes),
        "penetrations": write_penetrations(visit, planes, outlines),
        "outlines": _write_outlines(outlines),
        "findings": [_write_finding(finding) for finding in findings],
        "next_measurements": [write_next_measurement(found) for found in next_measurements],
        "cautions": [
            {"rule": caution.rule, "sentence": caution.sentence} for caution in judgement.cautions
        ],
        "rules": _write_rules(judgement, findings),
        "photos": write_photos(visit, photos, sightings, sighting_problems, network, solution),
        "targets": write_targets(visit, solution),
        "observations": write_observations(network, solution),
        "adjustment": write_adjustment(solution),
    }
    document = cleaned(document)
    document[HASH_KEY] = content_hash(document)
    return PlaneFile(document)


def sort_findings(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings without repeats, the gravest first, then by place and code."""
    unique = dict.fromkeys(findings)
    return sorted(
        unique, key=lambda f: (GRAVEST_FIRST.index(f.severity), f.where, f.code, f.what, f.cure)
    )


def _software_version() -> str:
    try:
        return version("roof-plane-survey")
    except PackageNotFoundError:  # run from a source tree that was never installed
        return "unknown"


def _write_visit(visit: Visit) -> Json:
    day = visit.conditions
    return {
        "name": visit.name,
        "date": visit.date,
        "place": visit.place,
        "by": visit.by,
        "units": visit.units,
        "building": visit.building,
        "work": visit.work,
        "covering": visit.covering,
        "plies": visit.plies,
        "conditions": {
            "weather": day.weather,
            "temperature": number_or_null(day.temperature),
            "wind": day.wind,
            "last_rain": day.last_rain,
        },
        "notes": list(visit.notes),
    }


def _write_outlines(outlines: Sequence[Traced]) -> list[Json]:
    """Return polygons traced in photos (damage, tide lines, penetrations), by name and photo."""
    return [
        {
            "name": traced.mark.name,
            "purpose": traced.mark.purpose,
            "plane": traced.mark.plane,
            "photo": traced.mark.photo,
            "outline_px": [[number(x, "px"), number(y, "px")] for x, y in traced.mark.px],
            "outline_plane": None if traced.outline is None else coordinates(traced.outline),
            "area": write_measured(traced.area),
        }
        for traced in outlines
    ]


def _write_finding(finding: Finding) -> Json:
    return {
        "code": finding.code,
        "severity": finding.severity.value,
        "where": finding.where,
        "what": finding.what,
        "cure": finding.cure,
        "rule": finding.rule,
    }


def _write_rules(judgement: Judgement, findings: Sequence[Finding]) -> list[Json]:
    """Return the limits that anything in the file stands on, by id."""
    used = set(judgement.rules_used) | {finding.rule for finding in findings}
    return [_write_limit(limits()[id]) for id in sorted(used - {""}) if id in limits()]


def _write_limit(limit: Limit) -> Json:
    return {
        "id": limit.id,
        "topic": limit.topic,
        "value": None if limit.value is None else float(limit.value),
        "written": limit.written,
        "unit": limit.unit,
        "bound": limit.bound,
        "code": limit.code,
        "edition": limit.edition,
        "clause": limit.clause,
        "region": limit.region,
        "says": limit.says,
        "sources": list(limit.sources),
        "confirmed": limit.confirmed,
        "not_read": limit.not_read,
    }
