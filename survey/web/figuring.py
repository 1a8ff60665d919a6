"""What the measuring processes do once photos are searched: figures, predictions, advice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from survey.photo.model import CameraPrior
from survey.web.advice import advise
from survey.web.measuring import Worker
from survey.web.naming import point_names
from survey.web.predictions import predict_points, predict_sides
from survey.web.progress import Progress, measure_progress
from survey.web.rectifying import rectify


def quick(worker: Worker) -> None:
    """Adjust at every change; then say where points should be and what would help most."""
    progress: Progress | None = None
    version = -1
    while (requests := worker.inbox.newest()) is not None:
        if "measure" in requests:
            request = requests["measure"]
            progress = measure_request(worker, request, thorough=False)
            version = request["version"]
            document = progress.as_document()
            worker.tell("result", version=version, round=request["round"], **document)
        wanted = (requests.get("predict") or requests.get("measure") or {}).get("photo")
        if wanted is not None:
            worker.tell("predictions", version=version, **predict(worker, progress, wanted))
        if "rectify" in requests:
            worker.tell(
                "rectified", version=version, **square(worker, progress, requests["rectify"])
            )
        if "measure" in requests and worker.inbox.is_empty() and progress is not None:
            worker.tell("advice", version=version, help_most=advice(worker, progress))


def check(worker: Worker) -> None:
    """Measure as `survey measure` does."""
    while (requests := worker.inbox.newest()) is not None:
        request = requests["measure"]
        document = measure_request(worker, request, thorough=True).as_document()
        worker.tell("result", version=request["version"], round=request["round"], **document)


def measure_request(worker: Worker, request: Mapping[str, Any], *, thorough: bool) -> Progress:
    """Measure the visit of a request with what has been seen so far."""
    visit, photos = worker.open(request)
    known = [seen for _, seen in worker.seen(visit, photos) if seen is not None]
    return measure_progress(
        visit,
        photos,
        [one for seen in known for one in seen.sightings],
        [one for seen in known for one in seen.problems],
        thorough=thorough,
    )


def predict(worker: Worker, progress: Progress | None, photo: str) -> dict[str, Any]:
    """Predict the points of one photo, and the sides between them."""
    camera = _cameras(worker).get(photo)
    if progress is None or progress.solution is None or camera is None:
        return {"photo": photo, "points": [], "edges": []}
    points = predict_points(progress.solution, photo, camera, point_names(progress.visit))
    return {"photo": photo, "points": points, "edges": predict_sides(progress.visit, points)}


def square(worker: Worker, progress: Progress | None, request: Mapping[str, Any]) -> dict[str, Any]:
    """Describe the rectified image of one plane."""
    asked = {"plane": request["plane"], "asked": request["photo"]}
    if progress is None or progress.solution is None:
        missing = {"why": "nothing is measured yet", "cure": "mark the roof's corners first"}
        return {**asked, "photo": None, "photos": [], **missing}
    cameras = _cameras(worker)
    told = rectify(progress.visit, progress.solution, cameras, request["plane"], request["photo"])
    return {**asked, **told}


def advice(worker: Worker, progress: Progress) -> list[dict[str, Any]]:
    """Say which mark or reading would help most."""
    if progress.solution is None:
        return []
    return advise(progress.visit, progress.solution, _cameras(worker))


def _cameras(worker: Worker) -> dict[str, CameraPrior]:
    photos = worker.photos[1] if worker.photos else ()
    return {photo.name: photo.camera for photo in photos if photo.camera is not None}
