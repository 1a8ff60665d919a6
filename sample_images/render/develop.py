"""Turn renders into photos: lens, focus, vignette, sensor noise, JPEG and Exif.

python develop.py targets BUILD_DIR     draw the targets' pictures for the renderer
python develop.py photos BUILD_DIR OUT_DIR
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import place as p
from PIL import Image

from survey.target import sheet_image, sheet_size

PICTURE_PX_PER_MM = 2.5
QUALITY = 90
MAKE, MODEL = "Fieldlark", "Fieldlark P4"
LENS_NAME = {"main": "P4 rear camera 5.6mm f/1.8", "tele": "P4 rear tele camera 7.4mm f/2.4"}
CLOCK = (
    "10:12:41",
    "10:13:20",
    "10:15:02",
    "10:17:33",
    "10:19:46",
    "10:31:05",
    "10:36:52",
    "10:41:18",
)
DATE = "2024:09:17"
BLUR = (0.62, 0.58, 0.66, 0.60, 0.64, 0.60, 0.68, 0.62)  # Gaussian sd, pixels
SHAKE = {"ladder_right.jpg": (1.1, 35.0), "left_side.jpg": (0.7, 80.0)}  # length px, direction


def write_target_pictures(build: Path) -> None:
    """Draw each target's sheet as NAME.png, with the sheets' nominal sizes in targets.json."""
    build.mkdir(parents=True, exist_ok=True)
    sizes = {}
    for target in p.targets():
        cv2.imwrite(str(build / f"{target.name}.png"), sheet_image(target.code, PICTURE_PX_PER_MM))
        sizes[target.name] = sheet_size(target.code)
    (build / "targets.json").write_text(json.dumps(sizes))


def undistorted(shot: p.Shot, pixels: np.ndarray) -> np.ndarray:
    """Normalised pinhole coordinates of distorted pixels (..., 2), by fixed-point iteration."""
    k1, k2 = p.LENSES[shot.lens]
    seen = (pixels - np.array(shot.principal_point)) / shot.focal
    straight = seen.copy()
    for _ in range(12):
        r2 = (straight**2).sum(axis=-1, keepdims=True)
        straight = seen / (1 + k1 * r2 + k2 * r2**2)
    return straight


def through_lens(shot: p.Shot, render: np.ndarray) -> np.ndarray:
    """Resample a pinhole render into the photo's distorted pixel frame, with lateral colour."""
    width, height = shot.size
    u, v = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    straight = undistorted(shot, np.dstack([u, v]))
    centre = (np.array(render.shape[1::-1]) - 1) / 2
    channels = []
    for channel, spread in enumerate((1.00012, 1.0, 0.9999)):  # blue, green, red
        source = (straight * shot.focal * spread + centre).astype(np.float32)
        channels.append(
            cv2.remap(
                render[..., channel],
                source[..., 0],
                source[..., 1],
                cv2.INTER_LANCZOS4,
                borderMode=cv2.BORDER_REPLICATE,
            )
        )
    return np.dstack(channels)


def shaken(picture: np.ndarray, length: float, direction_deg: float) -> np.ndarray:
    """Smear by a small straight movement during the exposure."""
    steps = np.linspace(-0.5, 0.5, 7) * length
    angle = np.radians(direction_deg)
    total = np.zeros_like(picture)
    size = picture.shape[1::-1]
    for step in steps:
        move = np.float32([[1, 0, step * np.cos(angle)], [0, 1, step * np.sin(angle)]])
        total += cv2.warpAffine(
            picture, move, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
    return total / len(steps)


def exposed(shot: p.Shot, picture: np.ndarray, blur: float, rng: np.random.Generator) -> np.ndarray:
    """Focus, vignette, sensor noise and the phone's own sharpening; 0-255 in and out."""
    picture = cv2.GaussianBlur(picture, (0, 0), blur)
    if shot.name in SHAKE:
        picture = shaken(picture, *SHAKE[shot.name])
    linear = (np.clip(picture, 0, 255) / 255) ** 2.2
    width, height = shot.size
    u, v = np.meshgrid(np.arange(width), np.arange(height))
    cx, cy = shot.principal_point
    radius2 = ((u - cx) ** 2 + (v - cy) ** 2) / (0.25 * (width**2 + height**2))
    linear *= (1 - 0.20 * radius2 - 0.05 * radius2**2)[..., None].astype(np.float32)
    grain = rng.normal(size=linear.shape).astype(np.float32)
    grey = cv2.GaussianBlur(grain.mean(axis=2) * 3**0.5, (0, 0), 0.55)
    colour = cv2.GaussianBlur(grain - grain.mean(axis=2, keepdims=True), (0, 0), 1.1)
    noise = grey[..., None] * 1.6 + colour * 1.4
    linear += noise * np.sqrt(0.000012 + 0.00022 * np.clip(linear, 0, 1))
    picture = 255 * np.clip(linear, 0, 1) ** (1 / 2.2)
    soft = cv2.GaussianBlur(picture, (0, 0), 1.1)
    picture = picture + 0.35 * (picture - soft)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def exif_of(shot: p.Shot, clock: str, light: int) -> Image.Exif:
    """Exif as a phone writes it, without a place."""
    exif = Image.Exif()
    stamp = f"{DATE} {clock}"
    exif[0x010F], exif[0x0110], exif[0x0131], exif[0x0132] = MAKE, MODEL, "P4 4.2", stamp
    exif[0x0112] = 6 if shot.portrait else 1
    details = exif.get_ifd(0x8769)
    details[0x9003], details[0x9004] = stamp, stamp
    details[0x829A], details[0x829D] = 1 / light, 1.8 if shot.lens == "main" else 2.4
    details[0x8827] = 64
    details[0x920A] = p.FOCAL_MM[shot.lens]
    details[0xA405] = p.MAIN_F35 if shot.lens == "main" else p.TELE_F35
    details[0xA002], details[0xA003] = p.SENSOR
    details[0xA433], details[0xA434] = MAKE, LENS_NAME[shot.lens]
    return exif


def develop(build: Path, out: Path) -> None:
    """Write every photo whose render is there."""
    out.mkdir(parents=True, exist_ok=True)
    for index, shot in enumerate(p.SHOTS):
        source = build / f"{Path(shot.name).stem}.png"
        if not source.exists():
            continue
        render = cv2.imread(str(source), cv2.IMREAD_UNCHANGED).astype(np.float32) / 257
        rng = np.random.default_rng(900 + index)
        picture = exposed(shot, through_lens(shot, render), BLUR[index], rng)
        picture = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)
        if shot.portrait:
            picture = np.ascontiguousarray(np.rot90(picture))
        exif = exif_of(shot, CLOCK[index], 900 + 60 * index)
        Image.fromarray(picture).save(out / shot.name, quality=QUALITY, subsampling=2, exif=exif)


if __name__ == "__main__":
    if sys.argv[1] == "targets":
        write_target_pictures(Path(sys.argv[2]))
    else:
        develop(Path(sys.argv[2]), Path(sys.argv[3]))
