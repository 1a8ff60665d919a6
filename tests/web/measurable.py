"""A small visit that can be measured: a sheet on a wall, photographed twice, in numbers."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from tests.target.rendering import homography_of_pose, photograph, project

SHEET = "letter-1"
SIZE = (1600, 1200)
FOCAL = 1250.0
CORNERS = {"A": (-0.62, -0.41), "B": (0.61, -0.40), "C": (0.60, 0.42), "D": (-0.60, 0.40)}
STANDS = {
    "left.jpg": {"distance": 1.9, "yaw_deg": 24.0, "pitch_deg": 4.0, "roll_deg": 1.0},
    "right.jpg": {"distance": 2.0, "yaw_deg": -26.0, "pitch_deg": -3.0, "roll_deg": -2.0},
}


def homography(photo: str) -> np.ndarray:
    centre = ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)
    return homography_of_pose(FOCAL, centre, **STANDS[photo])


def true_px(photo: str) -> dict[str, tuple[float, float]]:
    """Where each corner is in a photo."""
    px = project(homography(photo), np.array(list(CORNERS.values())))
    return {name: (float(x), float(y)) for name, (x, y) in zip(CORNERS, px, strict=True)}


def true_length(start: str, end: str) -> float:
    return float(np.hypot(*(np.array(CORNERS[start]) - CORNERS[end])))


@cache
def picture(photo: str) -> bytes:
    rng = np.random.default_rng(len(photo))
    image = photograph(SHEET, homography(photo), SIZE, blur_px=0.7, noise=1.5, rng=rng)
    done, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 95])
    assert done
    return data.tobytes()


def write_measurable(folder: Path, *, declared: bool = True, marked: bool = True) -> Path:
    """The visit: with `declared`, its target and wall stand in visit.toml; with `marked`, all
    corners are marked but D in the right photo."""
    (folder / "photos").mkdir(parents=True)
    for photo in STANDS:
        (folder / "photos" / photo).write_bytes(picture(photo))
    text = 'name = "shed wall"\nunits = "metric"\n'
    if declared:
        text += f'[[target]]\nname = "T1"\nsheet = "{SHEET}"\nmounted = "plumb and level"\n'
        text += 'plane = "wall"\n'
        text += '[[plane]]\nname = "wall"\nkind = "wall"\noutline = ["A", "B", "C", "D"]\n'
    (folder / "visit.toml").write_text(text)
    if marked:
        rng = np.random.default_rng(8)
        marks = [
            {"id": f"{name}-{photo[0]}", "kind": "point", "photo": photo, "point": name,
             "px": [round(float(v), 2) for v in np.array(px) + 0.4 * rng.standard_normal(2)],
             "sd_px": 0.5}
            for photo in STANDS for name, px in true_px(photo).items()
            if (name, photo) != ("D", "right.jpg")
        ]  # fmt: skip
        (folder / "marks.json").write_text(json.dumps({"format": 1, "points": [], "marks": marks}))
    return folder
