"""Everything the published limits say of a visit, in one judgement."""

from __future__ import annotations

from survey.drainage.model import PlaneDrainage
from survey.findings import Finding
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.rules.access import cautions_for, find_deck_findings
from survey.rules.model import Caution, Judgement, PlaneJudgement
from survey.rules.openings import find_saddle_findings
from survey.rules.overflow import find_overflow_findings
from survey.rules.pitches import find_pitch_findings, pitch_notes
from survey.rules.places import roof_planes
from survey.rules.reroofing import find_re_cover_bars
from survey.rules.slopes import covering_intended, judge_coverings, judge_falls, minimum_slopes
from survey.rules.unanswered import find_unanswered
from survey.rules.water import find_water_findings
from survey.visit.model import Visit


def judge(visit: Visit, planes: PlaneSet, drainage: tuple[PlaneDrainage, ...]) -> Judgement:
    """Hold every roof plane against the published limits.

    Parameters
    ----------
    visit : Visit
    planes : PlaneSet
    drainage : tuple of PlaneDrainage
        Of the roof planes; a plane without one is not judged for water.

    Returns
    -------
    Judgement
        Coverings allowed, doubtful and forbidden by each plane's pitch, findings, cautions. A
        covering is allowed only when the whole 95 % interval of the pitch is at or above its
        minimum, and forbidden only when the whole interval is under it.
    """
    roofs = roof_planes(planes)
    water = {judged.plane: judged for judged in drainage}
    judged = tuple(_judge_plane(plane, visit) for plane in roofs)
    findings: list[Finding] = []
    for plane in roofs:
        of_plane = water.get(plane.spec.name)
        findings += find_pitch_findings(plane, visit, of_plane)
        findings += find_deck_findings(plane.spec)
        findings += find_re_cover_bars(plane.spec, visit)
        findings += find_water_findings(plane, visit, of_plane)
        findings += find_overflow_findings(plane, visit, planes, of_plane)
        findings += find_saddle_findings(plane, visit, planes)
    findings += find_unanswered(visit, roofs)
    cautions = cautions_for(visit, roofs)
    return Judgement(judged, tuple(findings), cautions, _rules_used(judged, findings, cautions))


def _judge_plane(plane: MeasuredPlane, visit: Visit) -> PlaneJudgement:
    name = plane.spec.name
    return PlaneJudgement(
        plane=name,
        intended=covering_intended(plane.spec, visit),
        minimum=minimum_slopes(visit).get(name),
        coverings=judge_coverings(plane, visit),
        falls=judge_falls(plane.pitch, visit.units),
        notes=pitch_notes(plane, visit),
    )


def _rules_used(
    judged: tuple[PlaneJudgement, ...],
    findings: list[Finding],
    cautions: tuple[Caution, ...],
) -> tuple[str, ...]:
    used = {covering.rule for plane in judged for covering in plane.coverings}
    used |= {fall.rule for plane in judged for fall in plane.falls}
    used |= {finding.rule for finding in findings}
    used |= {caution.rule for caution in cautions}
    used |= {"positive-drainage-time", "osha-low-slope", "ibc-low-slope", "trade-low-slope"}
    return tuple(sorted(used - {""}))
