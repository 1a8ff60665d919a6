"""Cluttered photographs made in numbers: roofs and walls with printed boards among them.

Every board's homography is known, so every corner's true place is. What spoils photographs is laid
over the boards: shade with a hard edge, glare, rails, branches, motion.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from survey.target import layout_of
from survey.visit.model import ForeignBoard, SheetBoard, TargetSpec
from tests.target.rendering import homography_of_pose, place_board

FOCAL = 3029.0
PX_PER_MM = 4.0  # of the pictures of foreign boards
PAPER_MM = 12.0  # round them


@dataclass(frozen=True)
class Placed:
    """A board in a photo: its declaration, its homography, pixels a module square on."""

    spec: TargetSpec
    homography: np.ndarray
    module_px: float
    yaw_deg: float


def clutter(rng, size):
    """Roofs and walls without a target, float32 grey; `size` (width, height)."""
    width, height = size
    image = np.full((height, width), rng.uniform(80, 150), np.float32)
    for cells, strength in ((6, 35), (30, 18), (150, 12), (max(width // 3, 2), 8)):
        noise = rng.standard_normal((max(2, cells * height // width), cells)).astype(np.float32)
        image += strength * cv2.resize(noise, size, interpolation=cv2.INTER_CUBIC)
    horizon = int(height * rng.uniform(0.35, 0.65))
    _shingles(rng, image[horizon:])
    top = int(height * 0.25)
    rng.choice([_siding, _bricks])(rng, image[:top])
    _windows(rng, image[:horizon], int(rng.integers(1, 5)))
    _leaves(rng, image, (top, horizon), width * height // 6000)
    return image.clip(5, 250)


def _shingles(rng, image):
    height, width = image.shape
    tall = int(rng.integers(18, 60))
    wide = int(tall * rng.uniform(1.5, 3))
    for row, top in enumerate(range(0, height, tall)):
        for left in range(-wide // 2 * (row % 2), width, wide):
            image[top : top + tall, max(left, 0) : max(left + wide, 0)] += rng.uniform(-35, 35)
            image[top : top + tall, max(left - 3, 0) : max(left, 0)] *= 0.5
        image[top + tall - 3 : top + tall] *= 0.45


def _siding(rng, image):
    tall = int(rng.integers(15, 70))
    image += 40
    for top in range(0, image.shape[0], tall):
        image[top : top + max(2, tall // 10)] *= 0.5


def _bricks(rng, image):
    height, width = image.shape
    tall = int(rng.integers(14, 40))
    for row, top in enumerate(range(0, height, tall)):
        for left in range(-tall * (row % 2), width, 3 * tall):
            place = np.s_[top : top + tall - 3, max(left, 0) : max(left + 3 * tall - 3, 0)]
            image[place] = image[place] * 0.6 + rng.uniform(-15, 15)


def _windows(rng, image, count):
    height, width = image.shape
    for _ in range(count):
        side = int(rng.uniform(0.1, 0.3) * min(height, width))
        left, top = int(rng.uniform(0, width - side)), int(rng.uniform(0, height - side))
        image[top : top + side, left : left + side] = 215
        panes = int(rng.integers(2, 5))
        step = side / panes
        for row in range(panes):
            for column in range(panes):
                y, x = int(top + row * step + 4), int(left + column * step + 4)
                image[y : int(y + step - 7), x : int(x + step - 7)] = rng.uniform(15, 90)


def _leaves(rng, image, rows, count):
    for _ in range(count):
        centre = rng.uniform([0, rows[0]], [image.shape[1], rows[1]])
        axes = rng.uniform(3, 22, 2)
        tone = float(rng.uniform(10, 200))
        turn = float(rng.uniform(0, 180))
        cv2.ellipse(image, (tuple(centre), tuple(axes * 2), turn), tone, -1, cv2.LINE_AA)


def picture_of(board):
    """A foreign board as OpenCV draws it, `PX_PER_MM`, with paper round it; None for a sheet."""
    if isinstance(board, SheetBoard):
        return None
    layout = layout_of(board)
    size = round(layout.width * 1000 * PX_PER_MM), round(layout.height * 1000 * PX_PER_MM)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    if board.kind == "marker":
        picture = dictionary.generateImageMarker(board.first_id, size[0])
    elif board.kind == "marker grid":
        picture = _grid_picture(board, dictionary, size)
    else:
        drawn = cv2.aruco.CharucoBoard(
            (board.columns, board.rows), board.square, board.marker, dictionary
        )
        drawn.setLegacyPattern(board.legacy_layout)
        picture = drawn.generateImage(size, marginSize=0)
    return np.pad(picture, round(PAPER_MM * PX_PER_MM), constant_values=255).astype(np.float32)


def _grid_picture(board, dictionary, size):
    """Markers to the pixel; OpenCV's own picture of a grid is up to a pixel off."""
    picture = np.full(size[::-1], 255, np.uint8)
    side, pitch = (round(mm * 1000 * PX_PER_MM) for mm in (board.marker, board.marker + board.gap))
    for index in range(board.columns * board.rows):
        row, column = divmod(index, board.columns)
        top, left = row * pitch, column * pitch
        marker = dictionary.generateImageMarker(board.first_id + index, side)
        picture[top : top + side, left : left + side] = marker
    return picture


def module_of(board):
    """Side of a marker's module, metres."""
    if isinstance(board, SheetBoard):
        return layout_of(board).width / 13
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    return board.marker / (dictionary.markerSize + 2)


def put_up(photo, spec, module_px, at_px, *, paper=225.0, ink=28.0, **turns):
    """Draw a board into a photo with `module_px` pixels a module where it is seen square on."""
    distance = FOCAL * module_of(spec.board) / module_px
    centre = (photo.shape[1] / 2 - 0.5, photo.shape[0] / 2 - 0.5)
    homography = homography_of_pose(FOCAL, centre, distance=distance, at_px=at_px, **turns)
    if isinstance(spec.board, ForeignBoard):
        finest = PX_PER_MM
        picture = picture_of(spec.board)
        # Shrunk until three pixels of the picture fall on one of the photo.
        while finest * 1000 * module_of(spec.board) > 6 * module_px:
            picture = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            finest /= 2
        place_board(photo, "", homography, paper=paper, ink=ink, picture=picture, px_per_mm=finest)
    else:
        place_board(photo, spec.board.code, homography, paper=paper, ink=ink)
    return Placed(spec, homography, module_px, turns.get("yaw_deg", 0.0))


def shade(photo, at_px, angle_deg, dark):
    """Shade with a hard edge through `at_px`; `dark` is what is left of the light."""
    rows, columns = np.indices(photo.shape)
    turn = np.radians(angle_deg)
    beyond = (columns - at_px[0]) * np.cos(turn) + (rows - at_px[1]) * np.sin(turn)
    # The sun is half a degree wide: the edge is soft over a pixel or two.
    photo *= (dark + (1 - dark) / (1 + np.exp(-beyond.clip(-30, 30)))).astype(np.float32)


def glare(photo, at_px, radius_px, strength):
    """A bright spot that washes out what it covers."""
    rows, columns = np.indices(photo.shape)
    apart = ((columns - at_px[0]) ** 2 + (rows - at_px[1]) ** 2) / radius_px**2
    photo += (strength * np.exp(-0.5 * apart)).astype(np.float32)


def branch(rng, photo, at_px, length_px, thick_px, tone):
    """A crooked twig through `at_px`."""
    turn = rng.uniform(0, np.pi)
    steps = np.linspace(-0.5, 0.5, 9)[:, None] * length_px
    along = np.array([np.cos(turn), np.sin(turn)])
    points = at_px + steps * along + rng.normal(0, 0.03 * length_px, (9, 2))
    shaped = np.rint(points * 16).astype(np.int32)
    cv2.polylines(photo, [shaped], False, float(tone), max(1, round(thick_px)), cv2.LINE_AA, 4)


def rails(photo, at_px, reach_px, pitch_px, thick_px, tone):
    """Upright balusters before what lies within `reach_px` of `at_px`."""
    top, bottom = int(max(at_px[1] - reach_px, 0)), int(at_px[1] + reach_px)
    for x in np.arange(at_px[0] - reach_px, at_px[0] + reach_px, pitch_px):
        left = int(max(x, 0))
        photo[top:bottom, left : left + max(1, round(thick_px))] = tone


def motion(photo, length_px, angle_deg):
    """Blur along a line, as a hand that moves while the shutter is open."""
    reach = int(np.ceil(length_px / 2)) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    turn = np.radians(angle_deg)
    for step in np.linspace(-length_px / 2, length_px / 2, 101):
        x, y = reach + step * np.cos(turn), reach + step * np.sin(turn)
        column, row = int(x), int(y)
        right, down = x - column, y - row
        kernel[row, column] += (1 - right) * (1 - down)
        kernel[row, column + 1] += right * (1 - down)
        kernel[row + 1, column] += (1 - right) * down
        kernel[row + 1, column + 1] += right * down
    return cv2.filter2D(photo, -1, kernel / kernel.sum())
