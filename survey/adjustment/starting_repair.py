"""A start that does not fit is tried again: grown from other targets, lost photos placed anew.

Growth goes photo by photo, so one early mistake (a twofold pose, a resection from few marks) can
carry a photo or a whole side of the house away. After polishing such a photo shows: most of what
it says is gross. It is then placed anew from everything the other photos have settled.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np

from survey.adjustment.equations import compile_network
from survey.adjustment.model import (
    CAMERA,
    PLANE,
    POINT,
    TARGET,
    Network,
    PlaneParameters,
    Pose,
    State,
)
from survey.adjustment.robust import GROSS_SQUARE
from survey.adjustment.starting import Start, StartFinder, state_of
from survey.adjustment.starting_growth import (
    LEAST_MARKS,
    Branches,
    Growth,
    Sight,
    find_gravity,
    grow,
    place_photo,
)
from survey.adjustment.starting_index import Site
from survey.adjustment.starting_points import PointFinder
from survey.adjustment.starting_polish import Polished, polish

FITTING = 2.0  # mean bounded square of a reading up to which a start is taken as it is
MOST_LEADS = 5  # other targets and photos to grow from
GAIN = 9.0  # chi-square that a repair must win
LOST = 0.3  # share of gross readings from which a photo is placed anew
MOST_REPAIRS = 6
UNPLACED = (
    "photo-does-not-fit",
    "photo-not-tied",
    "mirrored-photo",
)  # findings on a photo left out


def misfit(network: Network, state: State, score: float) -> float:
    """Mean bounded square of the readings that a state speaks of; about 1 when all is well."""
    system, _ = compile_network(network, state)
    placed = score - GROSS_SQUARE[0] * len(system.left_out)
    return placed / max(system.groups, 1)


def leads(finder: StartFinder) -> list[Sight]:
    """Sightings to grow from, the most promising first, one a photo."""
    ordered = sorted(finder.candidates, key=finder.worth, reverse=True)
    first: dict[str, Sight] = {}
    for sight in ordered:
        first.setdefault(sight[0], sight)
    return list(first.values())


def better_start(
    network: Network, finder: StartFinder, start: Start, polished: Polished
) -> tuple[Start, Polished]:
    """Grow from other targets, and place lost photos anew, while that fits better.

    Returns the start as it was when it fits already. `finder` keeps the best lead.
    """
    if _is_sound(network, finder, polished):
        return start, polished
    best_lead = finder.lead
    for lead in leads(finder)[1 : MOST_LEADS + 1]:
        finder.lead = lead
        other = finder.find()
        again = polish(network, other.state)
        if again.score < polished.score - GAIN:
            start, polished, best_lead = other, again, lead
        if _is_sound(network, finder, polished):
            break
    finder.lead = best_lead
    polished = repaired(network, finder, polished)
    return _without_stale_findings(start, polished.state), polished


def _is_sound(network: Network, finder: StartFinder, polished: Polished) -> bool:
    fits = misfit(network, polished.state, polished.score) <= FITTING
    return fits and not unplaced_photos(finder, polished.state)


def _without_stale_findings(start: Start, state: State) -> Start:
    """Drop what the start says of photos that a repair has placed since."""
    placed = {name for kind, name in state if kind == CAMERA}
    kept = tuple(f for f in start.findings if f.code not in UNPLACED or f.where not in placed)
    return replace(start, findings=kept)


def repaired(network: Network, finder: StartFinder, polished: Polished) -> Polished:
    """Place lost photos anew, the most lost first, as long as the whole fits better for it."""
    tried: set[str] = set()
    for _ in range(MOST_REPAIRS):
        lost = lost_photos(network, polished.state) + unplaced_photos(finder, polished.state)
        lost = [p for p in lost if p not in tried]
        if not lost:
            break
        tried.add(lost[0])
        state = placed_anew(finder, polished.state, lost[0])
        again = polish(network, state)
        if again.score < polished.score - GAIN:
            polished = again
            tried.clear()
    return polished


def lost_photos(network: Network, state: State) -> list[str]:
    """Photos much of whose readings are gross at a state, the most lost first."""
    system, complete = compile_network(network, state)
    if system.rows == 0:
        return []
    residuals = system.residuals(system.unknowns.pack(complete))
    squares = np.add.reduceat((residuals / system.sd) ** 2, system.group_first)
    gross = squares > np.where(system.group_size == 1, *GROSS_SQUARE)
    said: dict[str, list[bool]] = defaultdict(list)
    for index, is_gross in zip(system.observation[system.group_first], gross, strict=True):
        photo = getattr(system.observations[index], "photo", None)
        if photo is not None:
            said[photo].append(bool(is_gross))
    share = {photo: float(np.mean(flags)) for photo, flags in said.items()}
    return sorted((p for p in share if share[p] >= LOST), key=lambda p: (-share[p], p))


def unplaced_photos(finder: StartFinder, state: State) -> list[str]:
    """Photos that show enough to be placed and are not: a target, or marks of placed points."""
    index = finder.index
    shown = {photo: 0 for photo in index.network.cameras if (CAMERA, photo) not in state}
    for photo, _ in finder.candidates:
        if photo in shown:
            shown[photo] += LEAST_MARKS
    for point, lines in index.sightlines.items():
        for photo in lines:
            if photo in shown and (POINT, point) in state:
                shown[photo] += 1
    return sorted((p for p in shown if shown[p] >= LEAST_MARKS), key=lambda p: (-shown[p], p))


def placed_anew(finder: StartFinder, state: State, photo: str) -> State:
    """Place one photo again from what the others have settled; returns starting values."""
    site = Site()
    for (kind, name), value in state.items():
        if kind == CAMERA and name != photo and isinstance(value, Pose):
            site.cameras[name] = value
        elif kind == TARGET and isinstance(value, Pose):
            site.targets[name] = value
        elif kind == PLANE and isinstance(value, PlaneParameters):
            site.planes[name] = value
        elif kind == POINT and isinstance(value, np.ndarray):
            site.points[name] = value
    index = finder.index
    for target in list(site.targets):  # what this photo alone has placed is lost with it
        if not any(p in site.cameras for p, t in finder.candidates if t == target):
            del site.targets[target]
    for point, lines in index.sightlines.items():
        others = sum(p in site.cameras for p in lines)
        if photo in lines and others < 2 and len(site.points) > 3:
            site.points.pop(point, None)
    growth = Growth(index, finder.candidates, Branches(), site, PointFinder(index, site))
    find_gravity(growth)
    place_photo(growth, photo)
    grow(growth)
    return state_of(index, site)
