"""What could not be placed on the site, and what would place it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from survey.adjustment.model import Array, PointInPhoto, TargetCorners
from survey.adjustment.starting_index import Index, Site
from survey.adjustment.starting_poses import resect
from survey.findings import Finding, Severity
from survey.geometry import undistort

LEAST_MARKS = 4
MIRROR_MARKS = 5  # marks of placed points that show a mirrored photo
MIRROR_FIT = 9.0  # mean capped chi-square of a mark under which the mirrored photo fits


def not_placed(
    index: Index,
    whole: Site,
    candidates: Mapping[tuple[str, str], object],
    pieces: Sequence[Site],
) -> list[Finding]:
    """Name photos, pieces and points without a place."""
    findings = [
        _photo_not_tied(index, whole, photo)
        for photo in index.network.cameras
        if photo not in whole.cameras
    ]
    findings += [
        _piece_not_tied(piece, pieces[0]) for piece in pieces[1:] if piece.cameras or piece.targets
    ]
    findings += _sightings_too_poor(index, candidates)
    findings += _points_not_placed(index, whole)
    return findings


def _marked(index: Index, photo: str) -> list[str]:
    marks = index.of(PointInPhoto)
    return list(dict.fromkeys(mark.point for mark in marks if mark.photo == photo))


def _listed(names: Iterable[str], most: int = 4) -> str:
    names = list(names)
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown


def _photo_not_tied(index: Index, whole: Site, photo: str) -> Finding:
    marked = _marked(index, photo)
    placed = [point for point in marked if point in whole.points]
    if len(placed) >= MIRROR_MARKS and _fits_mirrored(index, whole, photo, placed):
        return Finding(
            "mirrored-photo",
            Severity.CHECK,
            photo,
            f"the {len(placed)} marks in {photo} fit the other photos only if it is mirrored left "
            "to right, so it was not used",
            "use the original photo; selfie cameras and scanned film come out mirrored",
        )
    if len(placed) >= LEAST_MARKS:
        return Finding(
            "photo-does-not-fit",
            Severity.CHECK,
            photo,
            f"no stand for {photo} fits its marks {_listed(placed)} to where the other photos put "
            "them, so it was not used",
            "check the names of its points, and that it shows this house as it was on this visit",
        )
    need = LEAST_MARKS - len(placed)
    return Finding(
        "photo-not-tied",
        Severity.CHECK,
        photo,
        f"{photo} shows no target that another photo shows and only {len(placed)} point"
        f"{'' if len(placed) == 1 else 's'} whose place is known, so it was not used",
        f"mark {need} more point{'s' if need > 1 else ''} in it that other photos show, or show a "
        "target in it",
    )


def _fits_mirrored(index: Index, whole: Site, photo: str, placed: list[str]) -> bool:
    """Whether a photo's marks fit known points once left and right are swapped."""
    lens, fixed = index.lenses[photo], index.fixed[photo]
    places: list[Array] = []
    image: list[Array] = []
    width = index.network.cameras[photo].size_px[0]
    marks = {m.point: m for m in index.of(PointInPhoto) if m.photo == photo}
    for point in placed:
        u, v = marks[point].px
        places.append(whole.points[point])
        image.append(undistort(np.array([[width - 1 - u, v]]), lens, fixed)[0])
    weights = np.full(len(places), lens[0] / 1.5)
    poses = resect(np.array(places), np.array(image), weights, [])
    return bool(poses) and poses[0].chi_square < MIRROR_FIT * len(places)


def _piece_not_tied(piece: Site, first: Site) -> Finding:
    photos, others = sorted(piece.cameras), sorted(first.cameras)
    return Finding(
        "photos-not-tied",
        Severity.CHECK,
        ", ".join(photos),
        f"{_listed(photos)} and {_listed(others) or 'the readings'} share no target and no marked "
        "point, so they were measured apart: no length from one to the other",
        "mark three points in both, or take one photo that shows targets of both",
    )


def _sightings_too_poor(
    index: Index, candidates: Mapping[tuple[str, str], object]
) -> list[Finding]:
    return [
        Finding(
            "target-pose-not-found",
            Severity.CHECK,
            f"{seen.target} in {seen.photo}",
            f"the corners of target {seen.target} in {seen.photo} are too few or too nearly on one "
            "line to tell how it hangs",
            "take the photo again with the whole target in view, nearer and less slanted",
        )
        for seen in index.of(TargetCorners)
        if (seen.photo, seen.target) not in candidates
    ]


def _points_not_placed(index: Index, whole: Site) -> list[Finding]:
    findings = []
    for point, lines in index.sightlines.items():
        if point in whole.points:
            continue
        photos = [photo for photo in lines if photo in whole.cameras]
        if not photos:
            continue  # the photo's own finding says it
        surfaces = [facet.on[1] for facet in index.facets.get(point, [])]
        told = f"; {_listed(surfaces)} itself has no place yet" if surfaces else ""
        findings.append(
            Finding(
                "point-not-fixed",
                Severity.CHECK,
                point,
                f"point {point} is marked in {_listed(photos)} only and lies on no plane or target "
                f"whose place is known{told}, so its distance is not known",
                "mark it in a second photo from another stand, or say on which plane it lies or "
                "how far it stands off the target's plane",
            )
        )
    return findings
