"""Meshes from plain numbers: boxes, lapped boards, shingle courses, leaves, tubes."""

from __future__ import annotations

from itertools import pairwise

import bpy
import numpy as np


def mesh(name: str, vertices, faces, material, tints=None, smooth: bool = False):
    """An object from vertices (n, 3) and faces; `tints` gives one grey value a face."""
    data = bpy.data.meshes.new(name)
    data.from_pydata([tuple(map(float, v)) for v in vertices], [], [tuple(f) for f in faces])
    data.materials.append(material)
    if tints is not None:
        attribute = data.attributes.new("tint", "FLOAT", "FACE")
        attribute.data.foreach_set("value", np.asarray(tints, dtype=np.float32))
    if smooth:
        data.polygons.foreach_set("use_smooth", [True] * len(data.polygons))
    data.update()
    thing = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(thing)
    return thing


_BOX_FACES = ((0, 3, 2, 1), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7))


def box(name: str, x, y, z, material, bevel: float = 0.0):
    """An upright box between the pairs x, y and z."""
    (x0, x1), (y0, y1), (z0, z1) = sorted(x), sorted(y), sorted(z)
    corners = [
        (x0, y0, z0),
        (x1, y0, z0),
        (x1, y1, z0),
        (x0, y1, z0),
        (x0, y0, z1),
        (x1, y0, z1),
        (x1, y1, z1),
        (x0, y1, z1),
    ]
    thing = mesh(name, corners, _BOX_FACES, material)
    if bevel:
        modifier = thing.modifiers.new("bevel", "BEVEL")
        modifier.width, modifier.segments = bevel, 2
    return thing


def prism(name: str, outline, axis, depth: float, material):
    """A polygon (n, 3) swept along `axis` by `depth`."""
    outline, axis = np.asarray(outline, float), np.asarray(axis, float)
    count = len(outline)
    vertices = np.vstack([outline, outline + axis * depth])
    sides = [(i, (i + 1) % count, (i + 1) % count + count, i + count) for i in range(count)]
    return mesh(
        name,
        vertices,
        [tuple(range(count))[::-1], tuple(range(count, 2 * count)), *sides],
        material,
    )


class Heap:
    """Quads gathered into one mesh with a tint a quad."""

    def __init__(self):
        self.vertices, self.faces, self.tints = [], [], []

    def quad(self, corners, tint: float):
        start = len(self.vertices)
        self.vertices.extend(corners)
        self.faces.append(tuple(range(start, start + len(corners))))
        self.tints.append(tint)

    def build(self, name: str, material, smooth: bool = False):
        return mesh(name, self.vertices, self.faces, material, self.tints, smooth)


def lapped_wall(name, origin, along, out, span, top, openings, material, rng, exposure=0.114):
    """Lap siding on a wall.

    `span(v)` gives the wall's left and right end at height v above `origin`; `openings` are
    (left, right, bottom, top) left bare. Boards lap 9 mm; butts stand at the wall plane less 4 mm.
    """
    origin, along, out = (np.asarray(a, float) for a in (origin, along, out))
    heap, up = Heap(), np.array([0.0, 0.0, 1.0])
    for course in range(int(np.ceil(top / exposure))):
        v0, v1 = course * exposure, min((course + 1) * exposure, top)
        left, right = span((v0 + v1) / 2)
        if right <= left:
            continue
        cuts = sorted((a, b) for a, b, low, high in openings if low < (v0 + v1) / 2 < high)
        start, stretches = left, []
        for a, b in cuts:
            stretches.append((start, a))
            start = b
        stretches.append((start, right))
        for a, b in stretches:
            joints = [a, *np.sort(rng.uniform(a, b, int((b - a) / 3.2))), b]
            for u0, u1 in pairwise(joints):
                low, high = origin - out * 0.004, origin - out * 0.013
                tint = rng.uniform(0, 1)
                heap.quad(
                    [
                        low + along * u0 + up * v0,
                        low + along * u1 + up * v0,
                        high + along * u1 + up * v1,
                        high + along * u0 + up * v1,
                    ],
                    tint,
                )
                heap.quad(
                    [
                        high + along * u0 + up * v0,
                        high + along * u1 + up * v0,
                        low + along * u1 + up * v0,
                        low + along * u0 + up * v0,
                    ],
                    0.2,
                )
    return heap.build(name, material)


def shingles(name, origin, along, up, width, length, material, rng, exposure=0.127):
    """Courses of shingle tabs; the butts touch the plane through `origin` from below."""
    origin, along, up = (np.asarray(a, float) for a in (origin, along, up))
    out, heap = np.cross(along, up), Heap()
    for course in range(int(np.ceil(length / exposure))):
        v0 = max(course * exposure + rng.uniform(-0.002, 0.002), 0.0)
        v1 = min((course + 1) * exposure + 0.01, length)
        u = -rng.uniform(0, 0.25)
        while u < width:
            tab = rng.uniform(0.14, 0.32)
            u0, u1 = max(u + 0.002, 0.0), min(u + tab - 0.002, width)
            u += tab
            if u1 - u0 < 0.01:
                continue
            butt, tint = -rng.choice([0.0, 0.004]), rng.beta(2.2, 2.2)
            a, b = origin + along * u0, origin + along * u1
            top, low = out * (butt - 0.008), out * (butt - 0.009)
            heap.quad(
                [
                    a + up * v0 + out * butt,
                    b + up * v0 + out * butt,
                    b + up * v1 + top,
                    a + up * v1 + top,
                ],
                tint,
            )
            heap.quad(
                [
                    a + up * v0 + low,
                    b + up * v0 + low,
                    b + up * v0 + out * butt,
                    a + up * v0 + out * butt,
                ],
                0.0,
            )
    return heap.build(name, material)


def leaves(name, points, size, material, rng, droop=0.0):
    """Leaf cards of about `size` at `points`, turned at random."""
    heap = Heap()
    for point in points:
        a = rng.normal(size=3)
        a /= np.linalg.norm(a)
        b = np.cross(a, rng.normal(size=3))
        b /= np.linalg.norm(b)
        a[2] -= droop
        length, tint = size * rng.uniform(0.6, 1.3), rng.uniform(0, 1)
        heap.quad(
            [
                point - b * length * 0.3,
                point + a * length * 0.5 - b * length * 0.1,
                point + a * length,
                point + b * length * 0.3,
            ],
            tint,
        )
    return heap.build(name, material)


def grass_patch(name, side, count, height, material, rng):
    """A square patch of grass blades about its origin."""
    heap = Heap()
    for x, y in rng.uniform(-side / 2, side / 2, (count, 2)):
        angle, tall = rng.uniform(0, 2 * np.pi), height * rng.uniform(0.45, 1.25)
        lean = rng.normal(0, 0.45, 2) * tall
        wide = np.array([np.cos(angle), np.sin(angle), 0]) * rng.uniform(0.0016, 0.003)
        foot, tint = np.array([x, y, 0.0]), rng.beta(2, 2)
        knee = foot + np.array([lean[0] * 0.35, lean[1] * 0.35, tall * 0.62])
        tip = foot + np.array([lean[0], lean[1], tall])
        heap.quad([foot - wide, foot + wide, knee + wide * 0.8, knee - wide * 0.8], tint)
        heap.quad([knee - wide * 0.8, knee + wide * 0.8, tip], tint)
    return heap.build(name, material)


def tube(name, points, radius, material, sides=10):
    """A round tube through points (n, 3)."""
    curve = bpy.data.curves.new(name, "CURVE")
    curve.dimensions, curve.bevel_depth, curve.bevel_resolution = "3D", radius, max(sides // 4, 2)
    curve.use_fill_caps = True
    spline = curve.splines.new("POLY")
    spline.points.add(len(points) - 1)
    for knot, point in zip(spline.points, points, strict=True):
        knot.co = (*map(float, point), 1)
    curve.materials.append(material)
    thing = bpy.data.objects.new(name, curve)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def copies(thing, places, rng, scale=(0.85, 1.2)):
    """Linked copies of an object at `places`, turned and scaled at random; hides the first."""
    for place in places:
        twin = bpy.data.objects.new(thing.name, thing.data)
        twin.location = tuple(map(float, place))
        twin.rotation_euler = (0, 0, rng.uniform(0, 2 * np.pi))
        size = rng.uniform(*scale)
        twin.scale = (size, size, size * rng.uniform(0.9, 1.15))
        bpy.context.scene.collection.objects.link(twin)
    thing.hide_render = True
    thing.location = (0, 0, -50)


def sheet(name, corners, material):
    """A printed sheet: corners from lower left, anticlockwise, with the picture's UV frame."""
    thing = mesh(name, corners, [(0, 1, 2, 3)], material)
    layer = thing.data.uv_layers.new(name="UVMap")
    for loop, uv in zip(layer.data, ((0, 0), (1, 0), (1, 1), (0, 1)), strict=True):
        loop.uv = uv
    return thing
