"""The steep-roofed house: siding, trim, windows, door, shingles, porch and its low-slope roof."""

from __future__ import annotations

import materials
import numpy as np
import place as p
from shapes import box, lapped_wall, mesh, prism, sheet, shingles, tube

WHITE = (0.78, 0.77, 0.74)

# windows and the door of the front wall: (left, right, bottom, top), metres
UPPER_WINDOWS = [(x, x + 0.91, 3.42, 4.42) for x in (1.5, 4.6, 7.0, 9.4)]
LOWER_WINDOWS = [(4.75, 5.75, 1.2, 2.45), (8.9, 9.9, 1.2, 2.45)]
DOOR = (6.9, 7.85, p.PORCH_FLOOR, p.PORCH_FLOOR + 2.06)


class Paints:
    """The house's materials, made once."""

    def __init__(self):
        self.white = materials.painted("trim", WHITE)
        self.siding = materials.siding()
        self.shingle = materials.shingle()
        self.membrane = materials.membrane(1.0)
        self.membrane_plain = materials.painted("base flashing", (0.16, 0.155, 0.15), 0.85, 0.6)
        self.patch = materials.painted("patch", (0.065, 0.064, 0.062), 0.9, 0.6)
        self.litter = materials.leaf("litter", (0.10, 0.055, 0.02), (0.26, 0.15, 0.05))
        self.dark = materials.painted("dark room", (0.025, 0.024, 0.022), 0.9)
        self.door = materials.painted("door", (0.20, 0.045, 0.035), 0.35)
        self.glass = materials.glass()
        self.curtain = materials.curtain()
        self.concrete = materials.concrete()
        self.floor = materials.wood("floor", (0.30, 0.29, 0.27), (0.19, 0.18, 0.165))
        self.gutter = materials.painted("gutter", (0.72, 0.71, 0.68), 0.35, 0.4)
        self.drip = materials.metal("drip edge", (0.62, 0.62, 0.60), 0.45)
        self.brick = materials.brick()
        self.shutter = materials.painted("shutter", (0.035, 0.055, 0.075), 0.5)
        self.pipe = materials.metal("vent pipe", (0.35, 0.35, 0.36), 0.55)
        self.boot = materials.painted("pipe boot", (0.05, 0.05, 0.052), 0.7)


def build_house(paints: Paints, rng: np.random.Generator) -> None:
    """Walls, openings, trim and steep roof."""
    _siding(paints, rng)
    _trim(paints)
    for opening in UPPER_WINDOWS + LOWER_WINDOWS:
        _window(opening, paints, rng)
    _side_window(paints, rng)
    _door(paints)
    _slopes(paints, rng)
    _roof_boards(paints)
    _on_the_steep_roof(paints)


def _siding(paints, rng) -> None:
    """Lap siding of the front and both gables."""
    height = p.WALL_TOP - p.WALL_BASE
    openings = [
        (a, b, low - p.WALL_BASE, high - p.WALL_BASE)
        for a, b, low, high in (*UPPER_WINDOWS, *LOWER_WINDOWS, DOOR)
    ]
    lapped_wall(
        "front siding",
        (0, 0, p.WALL_BASE),
        (1, 0, 0),
        (0, -1, 0),
        lambda v: (0.05, p.HOUSE_WIDTH - 0.05),
        height,
        openings,
        paints.siding,
        rng,
    )
    spring = height + 0.3  # where the gable begins to close, under the roof boards
    gable_top = spring + p.HOUSE_DEPTH / 2 * p.STEEP_PITCH - 0.05

    def gable_span(v: float) -> tuple[float, float]:
        inset = max(v - spring, 0.0) / p.STEEP_PITCH
        return inset + 0.05, p.HOUSE_DEPTH - inset - 0.05

    lapped_wall(
        "left siding",
        (0, p.HOUSE_DEPTH, p.WALL_BASE),
        (0, -1, 0),
        (-1, 0, 0),
        gable_span,
        gable_top,
        [],
        paints.siding,
        rng,
    )
    lapped_wall(
        "right siding",
        (p.HOUSE_WIDTH, 0, p.WALL_BASE),
        (0, 1, 0),
        (1, 0, 0),
        gable_span,
        gable_top,
        [(2.2, 3.1, 3.3 - 0.4, 4.3 - 0.4)],
        paints.siding,
        rng,
    )


def _trim(paints) -> None:
    """Foundation, what is behind the windows, corner boards, frieze and water table."""
    box(
        "foundation",
        (0.02, p.HOUSE_WIDTH - 0.02),
        (0.02, p.HOUSE_DEPTH - 0.02),
        (-0.3, p.WALL_BASE),
        paints.concrete,
    )
    box("room", (0.3, p.HOUSE_WIDTH - 0.3), (1.6, 2.0), (0.4, p.WALL_TOP), paints.dark)
    box("storey", (0.05, p.HOUSE_WIDTH - 0.05), (0.03, 1.6), (2.8, 3.0), paints.dark)
    for x, sign in ((0, 1), (p.HOUSE_WIDTH, -1)):
        board = 0.115
        box(
            "corner board",
            (x, x + sign * board),
            (0, 0.02),
            (p.WALL_BASE, p.WALL_TOP),
            paints.white,
        )
        box(
            "corner return",
            (x, x + sign * 0.02),
            (0, board),
            (p.WALL_BASE, p.WALL_TOP),
            paints.white,
        )
    box(
        "frieze",
        (0.115, p.HOUSE_WIDTH - 0.115),
        (-0.002, 0.02),
        (p.WALL_TOP - 0.16, p.WALL_TOP),
        paints.white,
    )
    box(
        "water table",
        (0.115, p.HOUSE_WIDTH - 0.115),
        (-0.016, 0.02),
        (p.WALL_BASE, p.WALL_BASE + 0.1),
        paints.white,
    )


def _curtain(x, y, z, paints, rng) -> None:
    """A wavy curtain between x[0] and x[1]."""
    u = np.linspace(*x, 60)
    fold = y + 0.018 * np.sin((u - x[0]) * 75 + rng.uniform(0, 6)) * (0.6 + 0.4 * np.sin(u * 9))
    vertices = [(a, b, h) for h in z for a, b in zip(u, fold, strict=True)]
    faces = [(i, i + 1, i + 61, i + 60) for i in range(59)]
    mesh("curtain", vertices, faces, paints.curtain, smooth=True)


def _window(opening, paints, rng) -> None:
    left, right, low, high = opening
    trim, face = 0.10, -0.022
    for name, x, z in (
        ("left casing", (left - trim, left), (low - 0.03, high)),
        ("right casing", (right, right + trim), (low - 0.03, high)),
        ("head casing", (left - trim - 0.02, right + trim + 0.02), (high, high + trim + 0.02)),
    ):
        box(name, x, (face, 0.06), z, paints.white)
    box(
        "sill",
        (left - trim - 0.03, right + trim + 0.03),
        (-0.055, 0.06),
        (low - 0.07, low - 0.03),
        paints.white,
    )
    middle = (low + high) / 2
    for z0, z1, y in ((middle - 0.02, high, 0.035), (low - 0.03, middle + 0.02, 0.055)):
        stile = 0.042
        box("stile", (left, left + stile), (y, y + 0.03), (z0, z1), paints.white)
        box("stile", (right - stile, right), (y, y + 0.03), (z0, z1), paints.white)
        box("rail", (left, right), (y, y + 0.03), (z0, z0 + stile), paints.white)
        box("rail", (left, right), (y, y + 0.03), (z1 - stile, z1), paints.white)
        mesh(
            "pane",
            [
                (left, y + 0.012, z0),
                (right, y + 0.012, z0),
                (right, y + 0.012, z1),
                (left, y + 0.012, z1),
            ],
            [(0, 1, 2, 3)],
            paints.glass,
        )
    if low > 3:
        for x0 in (left - trim - 0.36, right + trim + 0.02):
            box("shutter", (x0, x0 + 0.34), (-0.03, 0.0), (low - 0.03, high + 0.06), paints.shutter)
            for z in np.arange(low + 0.03, high, 0.045):
                box(
                    "louvre",
                    (x0 + 0.045, x0 + 0.295),
                    (-0.037, -0.029),
                    (z, z + 0.03),
                    paints.shutter,
                )
    reach = (right - left) * rng.uniform(0.2, 0.42)
    _curtain((left, left + reach), 0.17, (low, high), paints, rng)
    _curtain((right - reach * rng.uniform(0.7, 1.1), right), 0.17, (low, high), paints, rng)
    if rng.uniform() < 0.6:
        drop = rng.uniform(0.2, 0.5) * (high - low)
        box("blind", (left, right), (0.13, 0.14), (high - drop, high), paints.curtain)


def _side_window(paints, rng) -> None:
    x = p.HOUSE_WIDTH
    left, right, low, high = 2.2, 3.1, 3.3 - 0.4 + p.WALL_BASE, 4.3 - 0.4 + p.WALL_BASE
    for y, z in (
        ((left - 0.1, left), (low, high)),
        ((right, right + 0.1), (low, high)),
        ((left - 0.12, right + 0.12), (high, high + 0.12)),
        ((left - 0.12, right + 0.12), (low - 0.07, low)),
        ((left, right), ((low + high) / 2 - 0.02, (low + high) / 2 + 0.02)),
    ):
        box("side casing", (x - 0.06, x + 0.022), y, z, paints.white)
    mesh(
        "side pane",
        [
            (x - 0.04, left, low),
            (x - 0.04, right, low),
            (x - 0.04, right, high),
            (x - 0.04, left, high),
        ],
        [(0, 1, 2, 3)],
        paints.glass,
    )
    box("side blind", (x - 0.13, x - 0.12), (left, right), (low + 0.35, high), paints.curtain)


def _door(paints) -> None:
    left, right, low, high = DOOR
    for x, z in (
        ((left - 0.12, left), (low, high)),
        ((right, right + 0.12), (low, high)),
        ((left - 0.14, right + 0.14), (high, high + 0.13)),
    ):
        box("door casing", x, (-0.025, 0.06), z, paints.white)
    box("door", (left, right), (0.03, 0.07), (low, high), paints.door)
    for x0, x1 in ((left + 0.13, left + 0.43), (right - 0.43, right - 0.13)):
        box("panel", (x0, x1), (0.018, 0.04), (low + 0.2, low + 0.95), paints.door, 0.012)
        mesh(
            "light",
            [
                (x0, 0.027, low + 1.15),
                (x1, 0.027, low + 1.15),
                (x1, 0.027, high - 0.2),
                (x0, 0.027, high - 0.2),
            ],
            [(0, 1, 2, 3)],
            paints.glass,
        )
        box("light back", (x0, x1), (0.0285, 0.0295), (low + 1.15, high - 0.2), paints.dark)
    tube(
        "knob",
        [(right - 0.07, 0.03, low + 0.98), (right - 0.07, -0.03, low + 0.98)],
        0.025,
        paints.drip,
    )


def _slopes(paints, rng) -> None:
    """Shingles of the front and back slopes."""
    left, right = -p.RAKE_OVERHANG, p.HOUSE_WIDTH + p.RAKE_OVERHANG
    slope = np.array([0, 1.0, p.STEEP_PITCH]) / np.hypot(1, p.STEEP_PITCH)
    back = slope * [1, -1, 1]
    length = np.hypot(1, p.STEEP_PITCH) * (p.RIDGE_Y + p.EAVE_OVERHANG)
    front = (left, -p.EAVE_OVERHANG, p.STEEP_EAVE)
    shingles("front shingles", front, (1, 0, 0), slope, right - left, length, paints.shingle, rng)
    shingles(
        "back shingles",
        (right, 2 * p.RIDGE_Y + p.EAVE_OVERHANG, p.STEEP_EAVE),
        (-1, 0, 0),
        back,
        right - left,
        length,
        paints.shingle,
        rng,
    )


def _roof_boards(paints) -> None:
    """Rake boards, deck, soffits, fascia and ridge cap."""
    left, right = -p.RAKE_OVERHANG, p.HOUSE_WIDTH + p.RAKE_OVERHANG
    eave, ridge, thick = -p.EAVE_OVERHANG, (p.RIDGE_Y, p.RIDGE_Z), 0.02
    far, low = 2 * p.RIDGE_Y + p.EAVE_OVERHANG, p.STEEP_EAVE - p.FASCIA
    drop = 0.13 * np.hypot(1, p.STEEP_PITCH)
    for x in (left, right - 0.025):  # rake boards, just under the shingles
        for a, b in ((eave, 1), (far, -1)):
            outline = [
                (x, a + 0.004 * b, p.STEEP_EAVE - 0.016),
                (x, ridge[0], ridge[1] - 0.018),
                (x, ridge[0], ridge[1] - drop - 0.05),
                (x, a + 0.004 * b, p.STEEP_EAVE - drop - 0.05),
            ]
            prism("rake board", outline, (1, 0, 0), 0.025, paints.white)
    prism(
        "deck",
        [
            (left + 0.03, eave + thick, p.STEEP_EAVE - 0.02),
            (left + 0.03, ridge[0], ridge[1] - 0.035),
            (left + 0.03, far - thick, p.STEEP_EAVE - 0.02),
            (left + 0.03, far - thick, p.STEEP_EAVE - 0.09),
            (left + 0.03, ridge[0], ridge[1] - 0.105),
            (left + 0.03, eave + thick, p.STEEP_EAVE - 0.09),
        ],
        (1, 0, 0),
        right - left - 0.06,
        paints.white,
    )
    for y0, y1 in ((eave + 0.004, 0.02), (p.HOUSE_DEPTH, far - 0.004)):
        box("soffit", (left + 0.03, right - 0.03), (y0, y1), (low, low + 0.012), paints.white)
    box(
        "fascia",
        (left + 0.003, right - 0.003),
        (eave + 0.006, eave + 0.026),
        (low - 0.005, p.STEEP_EAVE - 0.014),
        paints.white,
    )
    # ridge caps lie on the far slope's side so that the ridge stays the planes' meeting line
    tube(
        "ridge cap",
        [
            (left + 0.01, ridge[0] + 0.02, ridge[1] - 0.034),
            (right - 0.01, ridge[0] + 0.02, ridge[1] - 0.034),
        ],
        0.03,
        paints.shingle,
    )


def _on_the_steep_roof(paints) -> None:
    """Chimney behind the ridge, plumbing vents on the front slope, a lamp by the door."""
    x, y = 8.35, p.RIDGE_Y + 0.65
    box("chimney", (x, x + 0.85), (y, y + 0.55), (p.RIDGE_Z - 1.2, p.RIDGE_Z + 1.05), paints.brick)
    box(
        "chimney cap",
        (x - 0.06, x + 0.91),
        (y - 0.06, y + 0.61),
        (p.RIDGE_Z + 1.05, p.RIDGE_Z + 1.14),
        paints.concrete,
    )
    for flue in (x + 0.22, x + 0.62):
        tube(
            "flue",
            [(flue, y + 0.27, p.RIDGE_Z + 1.1), (flue, y + 0.27, p.RIDGE_Z + 1.4)],
            0.1,
            paints.brick,
            20,
        )
    for x, y in ((2.6, 3.1), (9.9, 2.2)):
        z = p.STEEP_EAVE + (y + p.EAVE_OVERHANG) * p.STEEP_PITCH
        tube("steep vent", [(x, y, z - 0.05), (x, y, z + 0.42)], 0.045, paints.pipe, 20)
        tube("steep boot", [(x, y, z - 0.05), (x, y, z + 0.1)], 0.085, paints.boot, 20)
    x, z = DOOR[1] + 0.34, p.PORCH_FLOOR + 1.75
    box("lamp plate", (x - 0.06, x + 0.06), (-0.02, 0.0), (z - 0.1, z + 0.1), paints.boot)
    box("lamp", (x - 0.055, x + 0.055), (-0.15, -0.04), (z - 0.12, z + 0.1), paints.curtain)
    box("lamp hood", (x - 0.08, x + 0.08), (-0.175, -0.015), (z + 0.1, z + 0.13), paints.boot)
    box("meter", (0.55, 0.80), (-0.14, 0.0), (2.55, 2.95), paints.pipe, 0.02)
    tube("conduit", [(0.68, -0.05, 0.35), (0.68, -0.05, 2.6)], 0.022, paints.pipe)


def hang(target: p.Hung, size, picture: str, paints: Paints) -> None:
    """A printed target on its backing board."""
    half = np.array(size) / 2
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    corners = target.to_site(square)
    normal = np.cross(target.right, target.up)
    sheet(target.name, corners, materials.printed(target.name, picture))
    grown = target.to_site(square + np.sign(square) * 0.004) - normal * 0.0005
    prism(
        f"{target.name} backing",
        grown[::-1],
        -normal,
        max(target.thickness - 0.0005, 0.003),
        paints.white,
    )
