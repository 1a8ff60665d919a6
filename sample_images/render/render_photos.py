"""Render the photos of the sample visit without a lens: run with Blender's Python module (4.5).

    python render_photos.py OUT_DIR [--scale 0.25] [--samples 5] [--only front_left.jpg ...]

Reads the targets' pictures NAME.png from OUT_DIR (`develop.py targets` writes them) and writes one
16-bit PNG a photo with a margin that the lens needs, and `visible.json`: which named points and
places on the porch each photo sees.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import bpy
import garden
import house
import numpy as np
import place as p
import porch
from mathutils import Matrix, Vector

MARGIN = 1.02  # the render is this much wider than the photo


def build(out: Path, draft: bool) -> None:
    """The whole scene."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    paints = house.Paints()
    house.build_house(paints, np.random.default_rng(20))
    porch.build_porch(paints, np.random.default_rng(21))
    sizes = json.loads((out / "targets.json").read_text())
    for target in p.targets():
        house.hang(target, sizes[target.name], str(out / f"{target.name}.png"), paints)
    garden.build_garden(paints, np.random.default_rng(22), draft)


def set_camera(shot: p.Shot, scale: float) -> None:
    """Aim the camera: the picture's centre is the principal point, pixels are square."""
    scene = bpy.context.scene
    width, height = (round(side * MARGIN * scale / 4) * 4 for side in shot.size)
    scene.render.resolution_x, scene.render.resolution_y = width, height
    scene.render.resolution_percentage = 100
    data = bpy.data.cameras.new(shot.name)
    data.sensor_fit, data.sensor_width = "HORIZONTAL", 36.0
    data.lens = 36.0 * shot.focal * scale / width
    data.clip_start, data.clip_end = 0.05, 500
    thing = bpy.data.objects.new(shot.name, data)
    right, down, forward = shot.rotation
    pose = Matrix.Identity(4)
    for column, axis in enumerate((right, -down, -forward)):
        for row in range(3):
            pose[row][column] = float(axis[row])
    for row in range(3):
        pose[row][3] = float(shot.centre[row])
    thing.matrix_world = pose
    scene.collection.objects.link(thing)
    scene.camera = thing


def set_quality(samples: int, threads: int) -> None:
    """Path tracing on the processor, few samples, denoised."""
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    cycles = scene.cycles
    cycles.device, cycles.samples, cycles.seed = "CPU", samples, 7
    cycles.use_adaptive_sampling = False
    cycles.use_denoising, cycles.denoiser = True, "OPENIMAGEDENOISE"
    cycles.denoising_input_passes, cycles.denoising_prefilter = "RGB_ALBEDO_NORMAL", "FAST"
    cycles.use_auto_tile = False
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 4, 2, 2
    cycles.transparent_max_bounces, cycles.transmission_bounces = 8, 2
    cycles.caustics_reflective = cycles.caustics_refractive = False
    cycles.sample_clamp_indirect = 4.0
    cycles.pixel_filter_type, cycles.filter_width = "BLACKMAN_HARRIS", 1.5
    scene.render.threads_mode, scene.render.threads = "FIXED", threads
    scene.render.use_persistent_data = True
    scene.view_settings.view_transform = "AgX"
    scene.view_settings.look = "AgX - Medium High Contrast"
    scene.view_settings.exposure = 0.45
    scene.render.image_settings.file_format = "PNG"
    scene.render.image_settings.color_depth = "16"
    scene.render.image_settings.color_mode = "RGB"


def sees(shot: p.Shot, point: np.ndarray, slack: float = 0.05) -> bool:
    """Whether nothing stands between the camera and a point."""
    ray = Vector((point - shot.centre).tolist())
    distance = ray.length
    graph = bpy.context.evaluated_depsgraph_get()
    start = Vector(shot.centre.tolist())
    hit, where, *_ = bpy.context.scene.ray_cast(graph, start, ray.normalized(), distance=500)
    return not hit or (where - start).length > distance - slack


def visibility() -> dict[str, dict[str, list]]:
    """For each photo the named points and the porch grid places in view and unhidden."""
    grid = [(a * p.FT, u * p.FT) for u in range(0, 13, 1) for a in range(0, 23, 1)]
    report = {}
    for shot in p.SHOTS:

        def shown(point, shot=shot):
            u, v = shot.project(point)[0]
            return 8 < u < shot.size[0] - 8 and 8 < v < shot.size[1] - 8 and sees(shot, point)

        report[shot.name] = {
            "points": [name for name, point in p.named_points().items() if shown(point)],
            "porch": [[a, u] for a, u in grid if shown(p.above(p.porch_point(a, u), 0.002))],
        }
    return report


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("out", type=Path)
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--samples", type=int, default=5)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--only", nargs="*")
    chosen = parser.parse_args(arguments)
    build(chosen.out, chosen.scale < 0.5)
    set_quality(chosen.samples, chosen.threads)
    (chosen.out / "visible.json").write_text(json.dumps(visibility(), indent=1))
    for shot in p.SHOTS:
        if chosen.only and shot.name not in chosen.only:
            continue
        set_camera(shot, chosen.scale)
        bpy.context.scene.render.filepath = str(chosen.out / f"{Path(shot.name).stem}.png")
        bpy.ops.render.render(write_still=True)
        print(f"rendered {shot.name}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
