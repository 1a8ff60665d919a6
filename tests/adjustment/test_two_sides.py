"""A sound visit seen from two sides is put together rightly and raises no alarm.

Truth and photographs come from `tests/scenes`, whose projection shares no code with the package.
"""

from __future__ import annotations

import numpy as np
import pytest

from survey.adjustment import adjust, build_network
from survey.figures import Figure
from survey.findings import Severity
from survey.planes import derive_planes
from tests.scenes.two_sides import two_sided_visit

KINDS = {
    "the ladder sees the upper corners": {},
    "the ladder sees one corner": {"ladder_sees": (("H1", "BL"), ("H2", "BR", "TL"))},
    "no Exif": {"unknown_lens": True, "lawn": 3},
    "boards of a single marker": {
        "kind": "marker",
        "ladder_sees": (("E1", "H1", "H2"), ("E2", "H2")),
    },
}


def measured(scene):
    network = build_network(scene.visit, scene.photos, scene.sightings)
    solution = adjust(network)
    return solution, derive_planes(solution, scene.visit)


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("seed", range(3))
def test_a_sound_visit_from_two_sides_is_put_together(kind, seed):
    scene = two_sided_visit(np.random.default_rng([41, seed]), **KINDS[kind])
    solution, planes = measured(scene)
    grave = [f for f in solution.findings if f.severity is not Severity.NOTE]
    assert [f for f in grave if f.code != "focal-length-unsure"] == []
    given = 0
    for edge in planes.edges:
        match edge.length:
            case Figure(value=value) as length:
                true = scene.world.distance(edge.edge.start, edge.edge.end)
                assert abs(value - true) < 2.0 * length.half_width
                given += 1
    assert given == len(planes.edges)
