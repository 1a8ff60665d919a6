"""What stands around the house: lawn, bushes, trees, fence, clutter, sky and sun."""

from __future__ import annotations

import bpy
import materials
import numpy as np
import place as p
from shapes import Heap, box, copies, grass_patch, leaves, mesh, prism, tube

SUN_ELEVATION, SUN_FROM = np.radians(41), np.radians(214)  # from: bearing, clockwise from +y


def build_garden(paints, rng: np.random.Generator, draft: bool) -> None:
    """Everything but the house."""
    ground = materials.soil()
    mesh("ground", [(-60, -60, 0), (70, -60, 0), (70, 70, 0), (-60, 70, 0)], [(0, 1, 2, 3)], ground)
    _grass(np.random.default_rng(23), draft)
    _path(paints, rng)
    _bushes(rng)
    _trees(rng)
    _fence(rng)
    _clutter(paints, rng)
    _sky()


def _grass(rng, draft) -> None:
    green = materials.leaf("grass", (0.045, 0.095, 0.012), (0.16, 0.22, 0.045), (0.26, 0.235, 0.10))
    side = 1.0
    patches = [
        grass_patch(f"grass {i}", side, 1500 if draft else 3600, 0.062, green, rng)
        for i in range(4)
    ]
    places = [[] for _ in patches]
    for x in np.arange(-9, 21, 0.92):
        for y in np.arange(-26, 10, 0.92):
            on_house = -0.3 < x < p.HOUSE_WIDTH + 0.3 and y > -0.5
            on_bed = 0 < x < p.HOUSE_WIDTH and y > -0.9
            on_porch = p.PORCH_X0 - 0.2 < x < p.PORCH_X1 + 0.2 and y > -4.0
            on_path = abs(x - 7.35) < 1.0 and y < -3.5
            if not (on_house or on_bed or on_porch or on_path):
                places[rng.integers(len(patches))].append(
                    (x + rng.uniform(-0.1, 0.1), y + rng.uniform(-0.1, 0.1), 0.0)
                )
    for patch, where in zip(patches, places, strict=True):
        copies(patch, where, rng, (0.9, 1.15))
    # ragged grass along the path
    edge = [
        (7.35 + s * (0.62 + 0.5 + rng.normal(0, 0.015)), y, 0.0)
        for s in (-1, 1)
        for y in np.arange(-24, -3.9, 0.8)
    ]
    edge += [
        (x, -3.96, 0.0) for x in np.arange(p.PORCH_X0, p.PORCH_X1 + 0.3, 0.7) if not 6.0 < x < 8.7
    ]
    copies(patches[0], edge, rng, (0.8, 1.0))


def _path(paints, rng) -> None:
    mulch = materials.wood("mulch", (0.12, 0.075, 0.045), (0.04, 0.026, 0.018), 0.95)
    chips = rng.uniform([0.05, -0.95, 0.012], [3.7, -0.02, 0.03], (5200, 3))
    more = rng.uniform([p.PORCH_X1, -0.95, 0.012], [p.HOUSE_WIDTH, -0.02, 0.03], (1400, 3))
    leaves("chips", np.vstack([chips, more]), 0.05, mulch, rng, 0.4)
    for x0, x1 in ((0.0, 3.75), (p.PORCH_X1, p.HOUSE_WIDTH)):
        box("bed", (x0, x1), (-1.0, 0.0), (-0.05, 0.012), mulch)
    for row, y in enumerate(np.arange(-24.5, -4.6, 1.22)):
        box(
            f"slab {row}",
            (6.76, 7.94),
            (y, y + 1.2),
            (-0.1, 0.02 + rng.normal(0, 0.003)),
            paints.concrete,
            0.012,
        )


def _bush(name, size, count, leaf, material, rng):
    points = []
    lobes = rng.normal(0, 0.33, (7, 3)) * size * [1, 1, 0.5] + [0, 0, size * 0.55]
    for _ in range(count):
        lobe = lobes[rng.integers(len(lobes))]
        ray = rng.normal(size=3)
        ray /= np.linalg.norm(ray)
        point = lobe + ray * size * 0.45 * rng.uniform(0.75, 1.0)
        if point[2] > 0.02:
            points.append(point)
    return leaves(name, points, leaf, material, rng, 0.1)


def _bushes(rng) -> None:
    dark = materials.leaf("box leaf", (0.025, 0.06, 0.013), (0.08, 0.15, 0.035))
    light = materials.leaf("shrub leaf", (0.04, 0.075, 0.012), (0.13, 0.17, 0.035))
    round_bush = _bush("bush", 0.55, 5200, 0.042, dark, rng)
    loose_bush = _bush("shrub", 0.75, 5200, 0.06, light, rng)
    copies(
        round_bush,
        [(0.75, -0.55, 0), (3.25, -0.62, 0), (-6.5, 3.5, 0), (14.5, 2.2, 0), (4.4, -4.05, 0)],
        rng,
        (0.75, 1.0),
    )
    copies(
        loose_bush,
        [
            (-1.0, 3.2, 0),
            (-1.1, 6.0, 0),
            (12.6, 4.4, 0),
            (12.7, 7.2, 0),
        ],
        rng,
        (0.6, 1.05),
    )
    copies(loose_bush, [(8.75, -4.15, 0), (5.6, -4.2, 0)], rng, (0.5, 0.58))


def _tree(name, tall, crown, count, material, bark, rng):
    points = []
    lobes = [
        np.array([*(rng.normal(0, 0.5, 2) * crown), tall - crown * rng.uniform(0.1, 1.5)])
        for _ in range(24)
    ]
    for _ in range(count):
        lobe = lobes[rng.integers(len(lobes))]
        ray = rng.normal(size=3)
        ray /= np.linalg.norm(ray)
        points.append(lobe + ray * crown * 0.42 * rng.uniform(0.55, 1.0) * [1, 1, 0.8])
    tree = leaves(name, points, 0.21, material, rng, 0.15)
    heap = Heap()
    for low, high, thick in [((0, 0, -0.2), (0.1, 0, tall * 0.75), 0.16)] + [
        ((0.05, 0, tall * rng.uniform(0.3, 0.6)), tuple(lobe), 0.06) for lobe in lobes[:7]
    ]:
        low, high = np.array(low), np.array(high)
        for k in range(6):
            a, b = (
                np.array([np.cos(t), np.sin(t), 0]) for t in (k * np.pi / 3, (k + 1) * np.pi / 3)
            )
            heap.quad(
                [low + a * thick, low + b * thick, high + b * thick * 0.4, high + a * thick * 0.4],
                0.5,
            )
    trunk = heap.build(f"{name} trunk", bark)
    return tree, trunk


def _trees(rng) -> None:
    bark = materials.wood("bark", (0.10, 0.08, 0.06), (0.04, 0.032, 0.025), 0.9)
    greens = [
        materials.leaf("maple", (0.04, 0.085, 0.016), (0.14, 0.21, 0.045)),
        materials.leaf("oak", (0.055, 0.09, 0.018), (0.18, 0.22, 0.055)),
    ]
    spots = [
        [
            (-14, 17, 0),
            (-7, 24, 0),
            (3, 27, 0),
            (12, 23, 0),
            (21, 19, 0),
            (28, 8, 0),
            (-22, 6, 0),
            (-16, -2, 0),
            (33, -6, 0),
            (25, 28, 0),
            (-12, 33, 0),
        ],
        [
            (-19, 13, 0),
            (-2, 21, 0),
            (8, 30, 0),
            (17, 27, 0),
            (26, 14, 0),
            (31, 2, 0),
            (-24, -8, 0),
            (-4, -34, 0),
            (10, -37, 0),
            (22, -33, 0),
            (-16, -29, 0),
            (37, 12, 0),
            (-28, 24, 0),
            (-4.0, -19.5, 0),
            (-13.5, -17.5, 0),
        ],
    ]
    for index, (green, where) in enumerate(zip(greens, spots, strict=True)):
        tall = 8.5 + 1.5 * index
        tree, trunk = _tree(f"tree {index}", tall, tall * 0.36, 26000, green, bark, rng)
        seed = int(rng.integers(1 << 30))
        for part in (tree, trunk):  # crown and trunk turn alike
            copies(part, where, np.random.default_rng(seed), (0.75, 1.15))

    _thicket(greens, rng)


def _thicket(greens, rng) -> None:
    """Undergrowth all around, so that no bare horizon shows."""
    kinds = []
    for index, green in enumerate(greens):
        lobes = rng.uniform(-1, 1, (34, 3)) * [6.5, 1.8, 1.9] + [0, 0, 2.4]
        points = []
        for _ in range(24000):
            ray = rng.normal(size=3)
            ray /= np.linalg.norm(ray)
            points.append(lobes[rng.integers(34)] + ray * 1.5 * rng.uniform(0.6, 1))
        points = [q for q in points if q[2] > 0]
        kinds.append(leaves(f"thicket {index}", points, 0.3, green, rng, 0.15))
    for ring, radius in enumerate((34, 41, 50)):
        for angle in np.arange(0, 360, 16):
            bearing = np.radians(angle + rng.uniform(-4, 4) + 8 * ring)
            out = radius * rng.uniform(0.95, 1.1)
            twin = bpy.data.objects.new("thicket", kinds[int(rng.integers(2))].data)
            twin.location = (6 + out * np.sin(bearing), -2 + out * np.cos(bearing), -0.2)
            twin.rotation_euler = (0, 0, -bearing + np.pi * rng.integers(2))
            twin.scale = (1, 1, rng.uniform(0.8, 1.35) + 0.25 * ring)
            bpy.context.scene.collection.objects.link(twin)
    for kind in kinds:
        kind.hide_render, kind.location = True, (0, 0, -50)


def _fence(rng) -> None:
    board = materials.wood("fence", (0.29, 0.25, 0.20), (0.15, 0.13, 0.11), 0.9)
    heap = Heap()

    def run(start, along, count):
        start, along = np.array(start, float), np.array(along, float)
        for k in range(count):
            a, b = start + along * 0.145 * k, start + along * (0.145 * k + 0.139)
            top = np.array([0, 0, 1.75 + rng.normal(0, 0.008)])
            heap.quad([a, b, b + top, a + top], rng.uniform())

    run((-12, 10.5, 0), (1, 0, 0), 80)
    run((p.HOUSE_WIDTH, 8.5, 0), (1, 0, 0), 90)
    run((24.6, 8.5, 0), (0.12, -0.99, 0), 110)
    heap.build("fence", board)


def _clutter(paints, rng) -> None:
    green = materials.painted("hose", (0.03, 0.13, 0.04), 0.4)
    turns = np.linspace(0, 2 * np.pi * 5.3, 260)
    reel = [
        (
            2.9 + 0.27 * np.cos(t) + rng.normal(0, 0.006),
            -1.75 + 0.27 * np.sin(t),
            0.025 + 0.016 * (t / (2 * np.pi)),
        )
        for t in turns
    ]
    s = np.linspace(0, 1, 80)
    trail = [(3.17 + 2.6 * t, -1.9 - 3.4 * t + 0.45 * np.sin(7 * t), 0.03) for t in s]
    tube("hose coil", reel, 0.013, green)
    tube("hose", trail, 0.013, green)
    _bin(np.array([12.15, 1.5]), materials.painted("bin", (0.028, 0.05, 0.032), 0.5, 0.4), paints)
    _bin(np.array([12.2, 2.3]), materials.painted("bin 2", (0.03, 0.045, 0.10), 0.5, 0.4), paints)
    _ladder(materials.metal("ladder", (0.70, 0.71, 0.72), 0.35))
    clay = materials.painted("pot", (0.33, 0.13, 0.07), 0.85, 0.4)
    plant = materials.leaf("geranium", (0.02, 0.06, 0.01), (0.09, 0.15, 0.03))
    for x in (p.PORCH_X0 + 2.75, p.PORCH_X1 - 2.75):
        rings = [(0.10, 0.0), (0.145, 0.2), (0.155, 0.2), (0.155, 0.24), (0.13, 0.24), (0.12, 0.2)]
        vertices, count = [], 20
        for radius, z in rings:
            vertices += [
                (x + radius * np.cos(t), -3.25 + radius * np.sin(t), p.PORCH_FLOOR + z)
                for t in np.arange(count) * 2 * np.pi / count
            ]
        faces = [
            (
                r * count + k,
                r * count + (k + 1) % count,
                (r + 1) * count + (k + 1) % count,
                (r + 1) * count + k,
            )
            for r in range(len(rings) - 1)
            for k in range(count)
        ]
        mesh("pot", vertices, faces, clay, smooth=True)
        points = rng.normal(0, 0.09, (420, 3)) * [1, 1, 0.8] + [x, -3.25, p.PORCH_FLOOR + 0.36]
        leaves("plant", points, 0.05, plant, rng)
    chair = materials.painted("chair", (0.10, 0.19, 0.14), 0.6)
    x, y, z = 9.6, -1.5, p.PORCH_FLOOR
    box("seat", (x, x + 0.55), (y - 0.5, y), (z + 0.38, z + 0.42), chair)
    box("back", (x, x + 0.55), (y - 0.03, y + 0.02), (z + 0.42, z + 1.0), chair)
    for dx in (0.0, 0.5):
        for dy in (-0.5, -0.05):
            box("leg", (x + dx, x + dx + 0.05), (y + dy, y + dy + 0.05), (z, z + 0.6), chair)
        box("arm", (x + dx - 0.03, x + dx + 0.08), (y - 0.52, y), (z + 0.6, z + 0.63), chair)


def _bin(at, colour, paints) -> None:
    low, high, tall = 0.24, 0.30, 1.0
    corners = [
        (at[0] + s * low, at[1] + t * low, 0.06) for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    corners += [
        (at[0] + s * high, at[1] + t * high * 1.1, tall)
        for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    mesh("bin", corners, [(0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)], colour)
    prism(
        "bin lid",
        [
            (at[0] - 0.32, at[1] - 0.37, tall),
            (at[0] - 0.32, at[1] + 0.36, tall + 0.02),
            (at[0] - 0.32, at[1] + 0.36, tall + 0.09),
            (at[0] - 0.32, at[1] - 0.37, tall + 0.04),
        ],
        (1, 0, 0),
        0.64,
        colour,
    )
    for s in (-1, 1):
        tube(
            "bin wheel",
            [(at[0] + s * 0.2, at[1] + 0.27, 0.1), (at[0] + s * 0.26, at[1] + 0.27, 0.1)],
            0.1,
            paints.boot,
            24,
        )


def _ladder(metal) -> None:
    foot = np.array([p.PORCH_X0 - 0.95, -1.2, 0.02])
    head = np.array([p.PORCH_X0 - 0.03, -1.2, 4.0])
    run = (head - foot) / np.linalg.norm(head - foot)
    length = np.linalg.norm(head - foot)
    side = np.array([0, 0.22, 0])
    for s in (-1, 1):
        tube("stile", [foot + s * side, head + s * side], 0.028, metal)
    for k in np.arange(0.3, length - 0.1, 0.3):
        tube("rung", [foot + run * k - side, foot + run * k + side], 0.016, metal)


def _sky() -> None:
    """Physical sky with thin clouds, and the sun as a lamp of its true width."""
    world = bpy.data.worlds.new("sky")
    bpy.context.scene.world = world
    world.use_nodes = True
    tree = world.node_tree
    background = tree.nodes["Background"]
    sky = tree.nodes.new("ShaderNodeTexSky")
    sky.sky_type, sky.sun_disc = "NISHITA", False
    sky.sun_elevation, sky.sun_rotation = float(SUN_ELEVATION), float(SUN_FROM)
    sky.air_density, sky.dust_density, sky.ozone_density = 1.0, 1.2, 1.3
    place, part = tree.nodes.new("ShaderNodeTexCoord"), tree.nodes.new("ShaderNodeMapping")
    part.inputs["Scale"].default_value = (1.0, 1.0, 3.2)
    cloud = tree.nodes.new("ShaderNodeTexNoise")
    for key, value in (("Scale", 2.6), ("Detail", 9.0), ("Roughness", 0.58), ("Distortion", 0.35)):
        cloud.inputs[key].default_value = value
    ramp = tree.nodes.new("ShaderNodeValToRGB")
    ramp.color_ramp.elements[0].position, ramp.color_ramp.elements[1].position = 0.5, 0.78
    mix = tree.nodes.new("ShaderNodeMixRGB")
    mix.inputs["Color2"].default_value = (5.6, 5.7, 5.9, 1)
    for source, target in (
        (place.outputs["Generated"], part.inputs["Vector"]),
        (part.outputs[0], cloud.inputs["Vector"]),
        (cloud.outputs["Fac"], ramp.inputs[0]),
        (ramp.outputs[0], mix.inputs["Fac"]),
        (sky.outputs[0], mix.inputs["Color1"]),
        (mix.outputs[0], background.inputs["Color"]),
    ):
        tree.links.new(source, target)
    background.inputs["Strength"].default_value = 0.17
    lamp = bpy.data.lights.new("sun", "SUN")
    lamp.energy, lamp.angle, lamp.color = 5.2, np.radians(0.53), (1.0, 0.94, 0.85)
    sun = bpy.data.objects.new("sun", lamp)
    sun.rotation_euler = (np.pi / 2 - SUN_ELEVATION, 0, np.pi - SUN_FROM)
    bpy.context.scene.collection.objects.link(sun)
