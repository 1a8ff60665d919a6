"""Whatever part of the sample visit is at hand: no crash, and no wrong figure without a word."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache

import pytest

from survey.errors import NotEnoughObserved
from survey.figures import Figure
from survey.measure import measure_seen
from survey.photo import read_photos
from survey.planefile import read_measured
from survey.target import find_targets
from survey.visit import open_visit
from survey.visit.model import RodReading
from tests.sample.made import PORCH, true_figures

WRONG = 3.0  # half-widths off at which a figure counts as wrong
# Findings that tell that figures may be wrong, and where to look.
WARNINGS = {
    "gross-error",
    "readings-contradict",
    "adjustment-does-not-fit",
    "edge-off-plane",
    "lens-contradicted",
    "print-scale-contradicted",
    "target-mounting-wrong",
    "target-moved",
    "target-not-flat",
    "target-pose-undecided",
    "target-tilted",
}


@cache
def whole():
    """The visit with its photos read and searched once."""
    visit = open_visit(PORCH)
    photos = read_photos(visit)
    return visit, photos, *find_targets(visit, photos)


def share(rng: random.Random, things, shares: tuple[float, ...]) -> tuple:
    chance = rng.choice(shares)
    return tuple(thing for thing in things if rng.random() < chance)


def part_of_the_visit(seed: int):
    """Some photos, targets found in them, marks and readings; boards told less of."""
    visit, photos, sightings, _ = whole()
    rng = random.Random(seed)
    kept = rng.sample(photos, rng.randint(0, len(photos)))
    names = {photo.name for photo in kept}
    found = share(rng, [s for s in sightings if s.photo in names], (1.0, 0.6))
    marks = share(rng, visit.marks, (1.0, 0.7, 0.4))
    readings = share(rng, visit.readings, (1.0, 0.5, 0.1, 0.0))
    if rng.random() < 0.3:
        readings = tuple(r for r in readings if not isinstance(r, RodReading))
    boards = tuple(
        replace(
            board,
            plumb=board.plumb and rng.random() < 0.7,
            level=board.level and rng.random() < 0.7,
            plane=board.plane if rng.random() < 0.8 else None,
        )
        for board in visit.targets
    )
    return replace(visit, marks=marks, readings=readings, targets=boards), kept, found


@pytest.mark.slow
@pytest.mark.parametrize("seed", [*range(12), 14, 16, 18, 24, 29])
def test_any_part_of_the_visit_is_measured_or_refused_in_words(seed):
    visit, photos, sightings = part_of_the_visit(seed)
    try:
        document = measure_seen(visit, photos, sightings, whole()[3]).document
    except NotEnoughObserved as refusal:
        assert refusal.args[0]
        return
    wrong = {}
    for edge in document["edges"]:
        length = read_measured(edge["length"])
        true = true_figures()["edges"].get(edge["name"])
        if isinstance(length, Figure) and true is not None:
            off = abs(length.value - float(true["length"]))
            if off > WRONG * length.half_width:
                wrong[edge["name"]] = off / length.half_width
    warned = WARNINGS & {finding["code"] for finding in document["findings"]}
    assert not wrong or warned, wrong
