"""A porch photographed from the lawn and from a ladder, framed as people frame: corners cut off.

The lawn side shows one board on the house wall, the ladder side another on the roof; no photo shows
both. What joins them are corners, and lines of sight to corners that the other side has fixed.
"""

from __future__ import annotations

import numpy as np

from survey.visit.model import PlaneKind, PlaneSpec
from tests.scenes.houses import (
    DEPARTURE,
    MOUNT,
    PORCH,
    PORCH_EDGES,
    WALL_AXES,
    board_of,
    hung,
    porch_board,
    porch_world,
)
from tests.scenes.making import Lens, Scene, VisitMaker
from tests.scenes.world import TrueBoard

WALL = PlaneSpec("wall", PlaneKind.WALL, ("BL", "BR", "TR", "TL"))
CORNERS = (*PORCH.outline, *WALL.outline)
NO_EXIF = Lens(focal=0.3, centre=80.0)  # what is believed of a lens that nothing is told of


def two_sided_visit(
    rng: np.random.Generator,
    *,
    ladder_sees: tuple[tuple[str, ...], ...] = (("H1", "H2", "BR"), ("H1", "H2", "BL")),
    lawn: int = 2,
    boards: tuple[float, float] = (0.25, 0.25),
    kind: str = "frame",
    unknown_lens: bool = False,
) -> Scene:
    """Photograph a porch from both sides; tape its eave and right rake, read its slope once.

    Parameters
    ----------
    rng : Generator
    ladder_sees : tuple of tuples
        For each ladder photo, the corners that its frame shows.
    lawn : int
        Photos from the lawn, each with the wall board and every corner.
    boards : tuple
        Sides of the wall's and the roof's board, metres.
    kind : str
        "frame" (44 corners) or "marker" (8).
    unknown_lens : bool
        Whether the program is told nothing of the lens (its files carry no Exif).
    """
    width, run = rng.uniform(4.5, 7.0), rng.uniform(2.6, 3.6)
    world = porch_world(rng, width=width, run=run, rise=rng.uniform(0.4, 1.5))
    left, right, top = -rng.uniform(1.5, 2.2), width + rng.uniform(1.5, 2.2), 5.0
    for name, x, z in (
        ("BL", left, 0.2),
        ("BR", right, 0.2),
        ("TR", right, top),
        ("TL", left, top),
    ):
        world.points[name] = np.array([x, DEPARTURE * rng.standard_normal(), z])
    maker = VisitMaker(world, rng, NO_EXIF if unknown_lens else None)
    if unknown_lens:  # believed to 30 %, yet a lens like any other
        maker.focal_bias = 1 + 0.1 * rng.standard_normal()
        maker.centre_bias = 10.0 * rng.standard_normal(2)
    points, sd_px = board_of(boards[0], kind)
    at = np.array([right - 0.7, -0.0127, 1.6])
    hanging = TrueBoard(points, sd_px, boards[0], at, hung(WALL_AXES, rng, MOUNT))
    maker.put_up("T1", hanging, plane="wall", thickness=0.0127, plumb=True, level=True)
    laid = porch_board(rng, world, (3.0, 1.8), boards[1], kind, MOUNT)
    maker.put_up("T2", laid, plane="porch")
    for number in range(lawn):
        x = (-1.5, width / 2, width + 1.5)[number] + 0.4 * rng.standard_normal()
        name = f"lawn-{number + 1}.jpg"
        maker.photograph(name, (x, -run - 5.5, 1.6), (width / 2, 0.0, 2.3))
        maker.mark_points(name, CORNERS)
        for wall_end in ("BL", "BR"):
            foot = world.points[wall_end] + np.array([0.0, 0.0, 0.4])
            lean = DEPARTURE * rng.standard_normal(2) * 3.5
            head = foot + np.array([lean[0], lean[1], 3.5])
            maker.mark_gravity(name, "plumb", (foot, head), None, wall_end)
    for number, sees in enumerate(ladder_sees):
        x = width * (0.3 + 0.4 * number) + 0.2 * rng.standard_normal()
        name = f"ladder-{number + 1}.jpg"
        maker.photograph(name, (x, -run - 2.2, 4.0), (width / 2, -run / 2, 2.6))
        maker.mark_points(name, sees)
    maker.tape("E1", "E2")
    maker.tape("E2", "H2")
    maker.slope("porch", float(np.arctan(world.pitch(PORCH.outline))))
    return maker.finish([PORCH, WALL], PORCH_EDGES)
