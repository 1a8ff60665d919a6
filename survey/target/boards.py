"""Every kind of board by its declaration: layout, markers, checker corners, print scale."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from survey.errors import InputError
from survey.target.decoding import words_of
from survey.target.model import Array, Layout
from survey.target.sheets import (
    MARKER_DICTIONARY,
    SADDLES,
    frame_saddles,
    parse_code,
    pattern_cells,
    sheet_layout,
)
from survey.visit.model import ForeignBoard, SheetBoard, TargetSpec

UNMEASURED_SD = 0.03  # "fit to page" prints at 94 to 97 %; common practice
ASPECT_SD = 0.005  # a printer's two axes against each other; common practice


@dataclass(frozen=True, slots=True)
class Checker:
    """Checker corners of a board: where they are, and the cells round each.

    `points` (n, 2) metres, target frame; `cell` side of a cell, metres; `around` (n, m, m) share of
    ink of the cells round each corner, row 0 on top; pixels farther from a corner than `arm` cells
    along both axes show something else (a marker) and aren't looked at.
    """

    points: Array
    cell: float
    around: Array
    arm: float


@dataclass(frozen=True, slots=True)
class BoardPlan:
    """What to look for of one board.

    `markers` maps a marker's number to its outer corners (4, 2), metres, target frame, from the
    marker's own top left, clockwise as printed.
    """

    kind: str  # "sheet", "marker", "marker grid" or "charuco"
    name: str
    layout: Layout
    dictionary: str
    markers: dict[int, Array]
    checker: Checker | None


def layout_of(target: TargetSpec | SheetBoard | ForeignBoard) -> Layout:
    """Known points of a declared target, or of a board, as nominally printed.

    Raises
    ------
    InputError
        If there is no such sheet, dictionary or marker, or the board's sizes can't be.
    """
    return plan_of(target.board if isinstance(target, TargetSpec) else target).layout


def print_scale(spec: TargetSpec) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return printed over nominal size along x and y, and the standard deviation of each.

    From the measured check lines. Where only one was measured the other is taken to be the same,
    with the spread that a printer's two axes show; where none was, nominal with 3 %.
    """
    layout = layout_of(spec)
    nominal = (layout.check_across, layout.check_down)
    read = (spec.across, spec.down)
    scales = [None if r is None else r / n for r, n in zip(read, nominal, strict=True)]
    sds = [spec.check_sd / n for n in nominal]
    match scales:
        case [float() as across, float() as down]:
            return (across, down), (sds[0], sds[1])
        case [float() as across, None]:
            return (across, across), (sds[0], float(np.hypot(sds[0], ASPECT_SD)))
        case [None, float() as down]:
            return (down, down), (float(np.hypot(sds[1], ASPECT_SD)), sds[1])
        case _:
            return (1.0, 1.0), (UNMEASURED_SD, UNMEASURED_SD)


@lru_cache(maxsize=256)
def plan_of(board: SheetBoard | ForeignBoard) -> BoardPlan:
    """Work out what to look for of a declared board.

    Raises
    ------
    InputError
        As `layout_of`.
    """
    if isinstance(board, SheetBoard):
        return _sheet_plan(board.code)
    builders = {"marker": _marker_plan, "marker grid": _grid_plan, "charuco": _charuco_plan}
    if board.kind not in builders:
        raise InputError(
            f"there is no kind of board {board.kind!r}", cure=f"write one of {', '.join(builders)}"
        )
    if not board.marker > 0:
        raise InputError(
            f"a marker's side can't be {board.marker} m", cure="measure the black square's side"
        )
    return builders[board.kind](board)


def _sheet_plan(code: str) -> BoardPlan:
    sheet = parse_code(code)
    layout = sheet_layout(code)
    return BoardPlan(
        kind="sheet",
        name=sheet.text,
        layout=layout,
        dictionary=MARKER_DICTIONARY,
        markers={sheet.marker_id: layout.points[SADDLES:]},
        checker=Checker(
            points=layout.points[:SADDLES],
            cell=sheet.size.module,
            around=sheet_surroundings(),
            arm=0.5,
        ),
    )


@lru_cache(maxsize=1)
def sheet_surroundings() -> Array:
    """Return the 4 x 4 modules round each saddle of a frame; they never touch the marker."""
    framed = np.pad(pattern_cells(0), 1).astype(np.float64)
    middle = (framed.shape[0]) / 2
    cells = []
    for x, y in frame_saddles():
        column, row = int(x + middle), int(middle - y)
        cells.append(framed[row - 2 : row + 2, column - 2 : column + 2])
    return np.array(cells)


def _square(side: float) -> Array:
    return np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * (side / 2)


def _marker_plan(board: ForeignBoard) -> BoardPlan:
    words_of(board.dictionary, (board.first_id,))
    corners = _square(board.marker)
    name = f"marker {board.first_id} of {board.dictionary}"
    side = board.marker
    layout = Layout(name, corners, side, side, side, side)
    return BoardPlan("marker", name, layout, board.dictionary, {board.first_id: corners}, None)


def _grid_plan(board: ForeignBoard) -> BoardPlan:
    if board.gap is None or board.gap <= 0 or board.columns < 1 or board.rows < 1:
        raise InputError(
            "a marker grid needs columns, rows and the gap between its markers",
            cure='add columns, rows and gap = "10 mm", as printed',
        )
    pitch = board.marker + board.gap
    width = board.columns * pitch - board.gap
    height = board.rows * pitch - board.gap
    markers = {}
    for row in range(board.rows):
        for column in range(board.columns):
            middle = [
                column * pitch + (board.marker - width) / 2,
                -row * pitch - (board.marker - height) / 2,
            ]
            markers[board.first_id + row * board.columns + column] = _square(board.marker) + middle
    words_of(board.dictionary, tuple(markers))
    name = f"{board.columns} x {board.rows} marker grid"
    layout = Layout(name, np.vstack(list(markers.values())), width, height, width, height)
    return BoardPlan("marker grid", name, layout, board.dictionary, markers, None)


def _charuco_plan(board: ForeignBoard) -> BoardPlan:
    square = board.square
    if square is None or square <= board.marker or board.columns < 2 or board.rows < 2:
        raise InputError(
            "a charuco board needs columns, rows and a square larger than its marker",
            cure='add columns, rows and square = "30 mm", as printed',
        )
    first = board.first_id
    numbers = tuple(range(first, first + board.columns * board.rows // 2))
    words_of(board.dictionary, numbers)
    drawn = cv2.aruco.CharucoBoard(
        (board.columns, board.rows),
        square,
        board.marker,
        cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary)),
        np.array(numbers, dtype=np.int32),
    )
    drawn.setLegacyPattern(board.legacy_layout)
    width, height = board.columns * square, board.rows * square

    def in_target_frame(points: Array) -> Array:
        # The library keeps them in single precision: back to a tenth of a micrometre.
        exact: Array = np.column_stack([points[:, 0] - width / 2, height / 2 - points[:, 1]])
        return exact.round(7)

    objects = [np.asarray(points, dtype=np.float64) for points in drawn.getObjPoints()]
    markers = {
        int(number): in_target_frame(points)
        for number, points in zip(np.ravel(drawn.getIds()), objects, strict=True)
    }
    corners = in_target_frame(np.asarray(drawn.getChessboardCorners(), dtype=np.float64))
    name = f"{board.columns} x {board.rows} charuco board"
    layout = Layout(name, corners, width, height, width, height)
    checker = Checker(
        points=corners,
        cell=square,
        around=_charuco_surroundings(corners, list(markers.values()), square),
        arm=min(0.5, 0.9 * (square - board.marker) / (2 * square)),
    )
    return BoardPlan("charuco", name, layout, board.dictionary, markers, checker)


def _charuco_surroundings(corners: Array, markers: list[Array], square: float) -> Array:
    """Return the 2 x 2 squares round each corner; those that hold a marker are light."""
    middles = np.array([marker.mean(axis=0) for marker in markers])
    steps = np.array([[[-1, 1], [1, 1]], [[-1, -1], [1, -1]]]) * (square / 2)
    wanted = corners[:, None, None, :] + steps
    apart = np.linalg.norm(wanted[:, :, :, None, :] - middles, axis=-1).min(axis=-1)
    dark: Array = (apart > square / 4).astype(np.float64)
    return dark
