"""A sheet as a picture, for tests and for rendered scenes."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from survey.target.artwork import Box, Label, Polygon, sheet_shapes
from survey.target.model import Array
from survey.target.sheets import parse_code

Picture = npt.NDArray[np.uint8]


def sheet_image(code: str, px_per_mm: float) -> Picture:
    """Draw the whole sheet (paper or assembled board) as grey levels, 0 ink to 255 paper.

    Parameters
    ----------
    code : str
        Sheet code, e.g. ``"letter-1"``.
    px_per_mm : float
        Pixels to a millimetre.

    Returns
    -------
    (h, w) uint8 array
        The middle of the sheet is the middle of the array: a point (x, y) of the target frame,
        metres, lies at column ``1000 px_per_mm x + (w - 1) / 2`` and row
        ``(h - 1) / 2 - 1000 px_per_mm y``, counted from the centre of the top-left pixel.
        Edges of rectangles are drawn with the exact share of each pixel that they cover.
    """
    sheet = parse_code(code)
    scale = px_per_mm * 1000.0
    shape = (round(sheet.size.height * scale), round(sheet.size.width * scale))
    white = np.ones(shape, dtype=np.float32)
    labels = []
    for item in sheet_shapes(sheet):
        if isinstance(item, Box):
            _draw_box(white, item, scale)
        elif isinstance(item, Polygon):
            _draw_polygon(white, item, scale)
        else:
            labels.append(item)
    picture = np.rint(white * 255.0).clip(0, 255).astype(np.uint8)
    return _draw_labels(picture, labels, scale)


def _cover(low: float, high: float, count: int) -> Array:
    """Share of each of `count` pixels between the edges `low` and `high` (pixel 0 spans 0..1)."""
    starts = np.arange(count, dtype=np.float64)
    cover: Array = np.minimum(starts + 1, high) - np.maximum(starts, low)
    return cover.clip(0.0, 1.0)


def _draw_box(white: npt.NDArray[np.float32], box: Box, scale: float) -> None:
    height, width = white.shape
    columns = _cover(box.left * scale + width / 2, box.right * scale + width / 2, width)
    rows = _cover(height / 2 - box.top * scale, height / 2 - box.bottom * scale, height)
    inked_rows, inked_columns = np.flatnonzero(rows), np.flatnonzero(columns)
    if len(inked_rows) and len(inked_columns):
        area = np.ix_(inked_rows, inked_columns)
        white[area] -= np.outer(rows[inked_rows], columns[inked_columns])
    np.maximum(white, 0.0, out=white)


def _draw_polygon(white: npt.NDArray[np.float32], polygon: Polygon, scale: float) -> None:
    height, width = white.shape
    corners = np.array(polygon.corners) * scale * [1.0, -1.0] + [width / 2 - 0.5, height / 2 - 0.5]
    mask = np.zeros(white.shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.rint(corners * 256).astype(np.int32)], 255, cv2.LINE_AA, 8)
    np.minimum(white, 1.0 - mask / np.float32(255.0), out=white)


def _draw_labels(picture: Picture, labels: list[Label], scale: float) -> Picture:
    image = Image.fromarray(picture)
    height, width = picture.shape
    anchors = {"left": "ls", "middle": "ms", "right": "rs"}
    for label in labels:
        font = ImageFont.load_default(max(4.0, label.height * scale))
        x, y = label.x * scale + width / 2, height / 2 - label.y * scale
        if not label.turned:
            ImageDraw.Draw(image).text((x, y), label.text, 0, font, anchors[label.anchor])
            continue
        left, top, right, bottom = font.getbbox(label.text, anchor=anchors[label.anchor])
        word = Image.new("L", (int(right - left) + 2, int(bottom - top) + 2), 255)
        ImageDraw.Draw(word).text((1 - left, 1 - top), label.text, 0, font, anchors[label.anchor])
        turned = word.transpose(Image.Transpose.ROTATE_90)
        image.paste(turned, (round(x + top) - 1, round(y - right) - 1))
    return np.asarray(image, dtype=np.uint8).copy()
