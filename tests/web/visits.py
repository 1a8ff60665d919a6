"""Small invented visits for the page's tests."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np

SIZE = (1300, 1001)  # odd height: levels must cope
NAME = "front.jpg"


def picture(size: tuple[int, int] = SIZE, seed: int = 5) -> np.ndarray:
    """A light roof with sharp corners before a darker background, a little noise."""
    rng = np.random.default_rng(seed)
    width, height = size
    image = np.full((height, width, 3), (96, 104, 110), dtype=np.float32)
    roof = np.array(CORNERS) * [width, height]
    fine = np.round(roof * 16).astype(np.int32)
    cv2.fillPoly(image, [fine], (190, 186, 180), lineType=cv2.LINE_AA, shift=4)
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    image += rng.normal(0, 2.0, image.shape)
    return np.clip(np.rint(image), 0, 255).astype(np.uint8)


CORNERS = ((0.15, 0.80), (0.82, 0.84), (0.70, 0.30), (0.28, 0.28))


@cache
def jpeg(size: tuple[int, int] = SIZE, seed: int = 5) -> bytes:
    done, data = cv2.imencode(".jpg", picture(size, seed), [cv2.IMWRITE_JPEG_QUALITY, 93])
    assert done
    return data.tobytes()


def write_photo(path: Path, size: tuple[int, int] = SIZE, seed: int = 5) -> Path:
    path.write_bytes(jpeg(size, seed))
    return path


def write_empty_visit(folder: Path, photos: int = 2) -> Path:
    """A visit of nothing but photos."""
    (folder / "photos").mkdir(parents=True)
    (folder / "visit.toml").write_text('# by hand\nname = "porch"  # short\n', encoding="utf-8")
    for index in range(photos):
        name = NAME if index == 0 else f"photo {index}.jpg"
        write_photo(folder / "photos" / name, seed=5 + index)
    return folder
