"""What each edge does to water."""

from __future__ import annotations

import numpy as np
import pytest

from survey.drainage.edges import Role, borders_of, edge_role
from survey.visit.model import Edge, EdgeKind
from tests.drainage.roofs import plane_set, shed_roof


@pytest.mark.parametrize(
    ("kind", "said", "beyond", "role"),
    [
        (EdgeKind.EAVE, {"meets": "gutter"}, None, Role.OPEN),
        (EdgeKind.EAVE, {}, None, Role.OPEN),
        (EdgeKind.EAVE, {"meets": "wall"}, None, Role.DAM),
        (EdgeKind.RAKE, {"meets": "open"}, None, Role.OPEN),
        (EdgeKind.RAKE, {"drains": False}, None, Role.DAM),
        (EdgeKind.HEADWALL, {}, None, Role.DAM),
        (EdgeKind.SIDEWALL, {"drains": True}, None, Role.OPEN),
        (EdgeKind.PARAPET, {}, None, Role.DAM),
        (EdgeKind.UNKNOWN, {}, None, Role.UNKNOWN),
        (EdgeKind.EAVE, {"meets": "something green"}, None, Role.UNKNOWN),
        (EdgeKind.TRANSITION, {}, True, Role.DAM),
        (EdgeKind.TRANSITION, {}, False, Role.OPEN),
        (EdgeKind.TRANSITION, {}, None, Role.UNKNOWN),
        (EdgeKind.TRANSITION, {"meets": "steep roof"}, None, Role.DAM),
        (EdgeKind.VALLEY, {}, True, Role.OPEN),
    ],
)
def test_an_edge_drains_by_what_is_told_of_it(kind, said, beyond, role):
    assert edge_role(Edge("e", "A", "B", kind, **said), beyond)[0] is role


def test_a_parapet_holds_water_to_its_height_and_a_wall_without_end():
    edges = {
        "AB": dict(kind=EdgeKind.PARAPET, dam_height=0.1),
        "BC": dict(kind=EdgeKind.SIDEWALL),
        "CD": dict(kind=EdgeKind.EAVE),
    }
    plane, measured = shed_roof(edges=edges)
    heights = [b.dam_height for b in borders_of(plane, plane_set(plane, measured))]
    assert heights == [0.1, np.inf, 0.0, np.inf]


def test_a_side_that_no_edge_describes_is_unknown():
    plane, measured = shed_roof(edges={"AB": dict(kind=EdgeKind.EAVE)})
    roles = [b.role for b in borders_of(plane, plane_set(plane, measured))]
    assert roles == [Role.OPEN, Role.UNKNOWN, Role.UNKNOWN, Role.UNKNOWN]
