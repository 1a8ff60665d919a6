"""The porch: floor, steps, posts, rails, the low-slope roof with its dish, gutter and openings."""

from __future__ import annotations

import bpy
import numpy as np
import place as p
from house import Paints
from shapes import Heap, box, mesh, prism, tube
from truth import fill_low_spots

X0, X1, Y0 = p.PORCH_X0, p.PORCH_X1, -p.PORCH_DEPTH
POSTS = (X0 + 0.35, X0 + 2.3, X1 - 2.3, X1 - 0.35)
POST_Y = Y0 + 0.34
STEPS = (X0 + 2.55, X1 - 2.55)


def build_porch(paints: Paints, rng: np.random.Generator) -> None:
    """Everything of the porch."""
    _floor(paints)
    _posts_and_rails(paints, rng)
    _roof_surface(paints)
    _roof_edges(paints)
    _gutter(paints)
    _penetrations(paints)
    _litter(paints, rng)


def _floor(paints) -> None:
    for row, y in enumerate(np.arange(Y0 + 0.15, -0.02, 0.14)):
        box(
            f"floor board {row}",
            (X0 + 0.1, X1 - 0.1),
            (y, y + 0.134),
            (p.PORCH_FLOOR - 0.03, p.PORCH_FLOOR),
            paints.floor,
        )
    box(
        "skirt",
        (X0 + 0.12, X1 - 0.12),
        (Y0 + 0.17, Y0 + 0.2),
        (0.02, p.PORCH_FLOOR - 0.03),
        paints.white,
    )
    box(
        "skirt right",
        (X1 - 0.15, X1 - 0.12),
        (Y0 + 0.2, 0),
        (0.02, p.PORCH_FLOOR - 0.03),
        paints.white,
    )
    box(
        "skirt left",
        (X0 + 0.12, X0 + 0.15),
        (Y0 + 0.2, 0),
        (0.02, p.PORCH_FLOOR - 0.03),
        paints.white,
    )
    for step in range(2):
        top = p.PORCH_FLOOR - 0.16 * (step + 1)
        front = Y0 + 0.15 - 0.30 * (step + 1)
        box("tread", STEPS, (front, Y0 + 0.17), (top - 0.05, top), paints.floor)
        box(
            "riser",
            (STEPS[0] + 0.02, STEPS[1] - 0.02),
            (front + 0.03, Y0 + 0.17),
            (0.0, top - 0.05),
            paints.white,
        )


def _posts_and_rails(paints, rng) -> None:
    top = p.PORCH_CEILING
    box(
        "beam",
        (X0 + 0.24, X1 - 0.24),
        (POST_Y - 0.07, POST_Y + 0.07),
        (top - 0.22, top),
        paints.white,
    )
    for x in (X0 + 0.31, X1 - 0.31):
        box("side beam", (x - 0.06, x + 0.06), (POST_Y + 0.07, 0), (top - 0.22, top), paints.white)
    for x in POSTS:
        lean = rng.normal(0, 0.001) * (top - p.PORCH_FLOOR)
        half = 0.072
        foot, head = p.PORCH_FLOOR, top - 0.22
        square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
        low = [(x + a, POST_Y + b, foot) for a, b in square]
        high = [(x + a + lean, POST_Y + b, head) for a, b in square]
        mesh(
            "post",
            low + high,
            [(0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)],
            paints.white,
        )
        box(
            "post base",
            (x - 0.1, x + 0.1),
            (POST_Y - 0.1, POST_Y + 0.1),
            (foot, foot + 0.16),
            paints.white,
            0.008,
        )
        box(
            "post cap",
            (x - 0.1, x + 0.1),
            (POST_Y - 0.1, POST_Y + 0.1),
            (head - 0.1, head),
            paints.white,
            0.008,
        )
    for a, b in ((POSTS[0], POSTS[1]), (POSTS[2], POSTS[3])):
        _railing(np.array([a + 0.07, POST_Y]), np.array([b - 0.07, POST_Y]), paints)
    for x in (POSTS[0], POSTS[3]):
        _railing(np.array([x, POST_Y + 0.07]), np.array([x, -0.03]), paints)


def _railing(start, end, paints) -> None:
    low, high = p.PORCH_FLOOR + 0.09, p.PORCH_FLOOR + 0.92
    along = (end - start) / np.linalg.norm(end - start)
    across = np.array([-along[1], along[0]])
    for z, half in ((low, 0.02), (high, 0.036)):
        corners = [(*(q + s * across * half), z) for q in (start, end) for s in (-1, 1)]
        outline = [corners[0], corners[1], corners[3], corners[2]]
        prism("rail", outline, (0, 0, 1), 0.04, paints.white)
    for q in np.arange(0.1, np.linalg.norm(end - start) - 0.05, 0.115):
        x, y = start + along * q
        box(
            "baluster",
            (x - 0.016, x + 0.016),
            (y - 0.016, y + 0.016),
            (low + 0.03, high),
            paints.white,
        )


def _roof_surface(paints) -> None:
    """The membrane as a mesh of 1 in cells, with how deep each node lies under its spill level."""
    along = np.linspace(0, p.PORCH_WIDTH, 265)
    up = np.linspace(0, p.PORCH_DEPTH, 145)
    a, u = np.meshgrid(along, up)
    z = p.surface_height(a, u)
    spill = fill_low_spots(z)
    level = spill[spill - z > 1e-6].max()
    wet = spill - z > 1e-6
    # outside the water the ground counts as above it, also down-slope of the lip
    depth = np.clip(np.where(wet, level - z, -np.abs(level - z)), -0.02, None)
    beside = wet.copy()
    for _ in range(3):  # the stain reaches three cells beyond the water
        beside[1:] |= beside[:-1]
        beside[:-1] |= beside[1:]
        beside[:, 1:] |= beside[:, :-1]
        beside[:, :-1] |= beside[:, 1:]
    depth = np.where(beside, depth, -0.02)
    vertices = np.column_stack([a.ravel() + X0, u.ravel() + Y0, z.ravel() + p.EAVE_Z])
    index = np.arange(a.size).reshape(a.shape)
    faces = np.column_stack(
        [
            index[:-1, :-1].ravel(),
            index[:-1, 1:].ravel(),
            index[1:, 1:].ravel(),
            index[1:, :-1].ravel(),
        ]
    )
    thing = mesh("membrane", vertices, faces.tolist(), paints.membrane, smooth=True)
    for name, values in (("depth", depth), ("up", u)):
        attribute = thing.data.attributes.new(name, "FLOAT", "POINT")
        attribute.data.foreach_set("value", values.ravel().astype(np.float32))
    bpy.context.view_layer.update()


def _roof_edges(paints) -> None:
    """Fascia, drip edge and the soffit under the membrane."""
    ceiling = p.PORCH_CEILING
    box(
        "ceiling", (X0 + 0.05, X1 - 0.05), (Y0 + 0.05, 0.0), (ceiling, ceiling + 0.02), paints.white
    )
    corners = {name: point for name, point in p.named_points().items() if name.startswith("porch")}
    left, right = corners["porch eave left"], corners["porch eave right"]
    wall_left, wall_right = corners["porch wall left"], corners["porch wall right"]
    inward = {"front": (0, 1, 0), "left": (1, 0, 0), "right": (-1, 0, 0)}
    for side, a, b in (
        ("front", left, right),
        ("left", wall_left, left),
        ("right", right, wall_right),
    ):
        axis = np.array(inward[side], float)
        down = np.array([0, 0, 1.0])
        board = [
            a - down * 0.045,
            b - down * 0.045,
            [*b[:2], ceiling - 0.03],
            [*a[:2], ceiling - 0.03],
        ]
        prism(f"{side} fascia", np.array(board) + axis * 0.006, axis, 0.02, paints.white)
        metal = [a - down * 0.001, b - down * 0.001, b - down * 0.045, a - down * 0.045]
        prism(f"{side} drip", metal, axis, 0.004, paints.drip)
    foot = np.array([wall_left, wall_right]) - np.array([0.0, 0.004, 0.0])
    flashing = [foot[0], foot[1], p.above(foot[1], 0.10), p.above(foot[0], 0.10)]
    prism("headwall flashing", flashing, (0, 1, 0), 0.012, paints.drip)


def _gutter(paints) -> None:
    """A box gutter below the drip edge, its lip 1-1/2 in lower, and a downspout."""
    top = p.named_points()["porch eave right"][2] - 0.04
    back, front, low = Y0 - 0.002, Y0 - 0.125, top - 0.11
    for name, y, z in (
        ("gutter back", (back, back - 0.003), (low, top)),
        ("gutter floor", (back, front + 0.03), (low, low + 0.003)),
        ("gutter face", (front + 0.03, front + 0.026), (low, low + 0.06)),
        ("gutter lip", (front, front + 0.006), (top - 0.05, top)),
    ):
        box(name, (X0 + 0.01, X1 - 0.01), y, z, paints.gutter)
    prism(
        "gutter ogee",
        [
            (X0 + 0.01, front + 0.03, low + 0.06),
            (X0 + 0.01, front, top - 0.05),
            (X0 + 0.01, front + 0.004, top - 0.05),
            (X0 + 0.01, front + 0.034, low + 0.06),
        ],
        (1, 0, 0),
        X1 - X0 - 0.02,
        paints.gutter,
    )
    for x in (X0 + 0.01, X1 - 0.01):
        outline = [
            (x, back, top),
            (x, front, top),
            (x, front, top - 0.05),
            (x, front + 0.03, low + 0.06),
            (x, front + 0.03, low),
            (x, back, low),
        ]
        prism("end cap", outline, (1, 0, 0), 0.003, paints.gutter)
    x, y = X1 - 0.13, Y0 - 0.06
    path = [
        (x, y, low),
        (x, y, low - 0.1),
        (X1 - 0.33, POST_Y - 0.13, p.PORCH_CEILING - 0.5),
        (X1 - 0.33, POST_Y - 0.13, 0.25),
        (X1 - 0.33, POST_Y - 0.5, 0.08),
    ]
    tube("downspout", path, 0.036, paints.gutter)


def _litter(paints, rng) -> None:
    """Dry leaves blown against the wall and the curb, a patch of new cap sheet."""
    points = []
    for along, up, spread, count in (
        (20.5, 11.6, 1.2, 60),
        (2.0, 11.6, 1.5, 45),
        (11, 11.7, 5, 70),
        (4.6, 10.3, 0.9, 30),
        (15.4, 4.6, 0.8, 26),
        (11, 6, 8, 45),
    ):
        for _ in range(count):
            at = np.clip(rng.normal([along, up], [spread, min(spread, 0.25)]), 0.1, [21.9, 11.9])
            if up == 6:
                at = rng.uniform([0.5, 0.5], [21.5, 11.5])
            points.append(p.above(p.porch_point(*(at * p.FT)), 0.004))
    heap = Heap()
    for point in points:
        turn, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.015, 0.035)
        a = np.array([np.cos(turn), np.sin(turn), rng.normal(0, 0.12)]) * size
        b = np.array([-np.sin(turn), np.cos(turn), rng.normal(0, 0.3)]) * size * 0.6
        heap.quad([point - a, point + b, point + a, point - b], rng.uniform())
    heap.build("litter", paints.litter)
    x, y = np.array([7.3, 8.7]) * p.FT, np.array([2.0, 4.6]) * p.FT
    xs, ys = np.meshgrid(np.linspace(*x, 12), np.linspace(*y, 24))
    corners = [
        p.above(p.porch_point(i, j), 0.0025) for i, j in zip(xs.ravel(), ys.ravel(), strict=True)
    ]
    faces = [
        (r * 12 + c, r * 12 + c + 1, (r + 1) * 12 + c + 1, (r + 1) * 12 + c)
        for r in range(23)
        for c in range(11)
    ]
    mesh("patch", corners, faces, paints.patch, smooth=True)


def _penetrations(paints) -> None:
    along, up, width, length, height = p.CURB
    x, y = X0 + along, Y0 + up
    z = p.porch_point(along, up)[2]
    box(
        "curb",
        (x - width / 2, x + width / 2),
        (y - length / 2, y + length / 2),
        (z - 0.06, z + height),
        paints.membrane_plain,
        0.006,
    )
    box(
        "curb cap",
        (x - width / 2 - 0.03, x + width / 2 + 0.03),
        (y - length / 2 - 0.03, y + length / 2 + 0.03),
        (z + height, z + height + 0.035),
        paints.drip,
        0.008,
    )
    box(
        "skylight",
        (x - width / 2 + 0.03, x + width / 2 - 0.03),
        (y - length / 2 + 0.03, y + length / 2 - 0.03),
        (z + height + 0.035, z + height + 0.055),
        paints.glass,
    )
    box(
        "skylight back",
        (x - width / 2 + 0.04, x + width / 2 - 0.04),
        (y - length / 2 + 0.04, y + length / 2 - 0.04),
        (z + height + 0.0352, z + height + 0.037),
        paints.curtain,
    )
    along, up, diameter, height = p.PIPE
    foot = p.porch_point(along, up)
    tube("vent pipe", [foot, p.above(foot, height)], diameter / 2, paints.pipe, 24)
    tube("vent boot", [foot, p.above(foot, 0.07)], diameter / 2 + 0.03, paints.boot, 24)
    tube("vent flange", [p.above(foot, -0.02), p.above(foot, 0.006)], 0.2, paints.boot, 40)
