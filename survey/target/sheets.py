"""Our own target sheets in numbers: sizes, codes, and where every known point lies.

All sheets share one pattern of 13 x 13 modules about the sheet's centre. In the middle stands one
large 7 x 7 marker (5 x 5 bits and a dark border) that is decoded from afar; a white quiet zone of
one module surrounds it; outside runs a checker frame two modules wide, whose 44 saddle points carry
the measurement. Counting modules from the top left, a frame cell is dark when column + row is even,
so that the four outer corners are dark.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from survey.errors import InputError
from survey.target.model import Array, Layout

INCH = 0.0254
MODULES = 13  # along one side of the whole pattern
MARKER_MODULES = 7  # along one side of the marker, its dark border included
FRAME_MODULES = 2  # width of the checker frame
SADDLES = 44  # saddle points of the frame, the first points of every layout
NUMBERS = 16  # sheets of one size that can be told apart
MARKER_DICTIONARY = "DICT_5X5_100"  # any two of its words differ in at least 7 of 25 bits


@dataclass(frozen=True, slots=True)
class SheetSize:
    """One size of sheet; metres. `tiled` sheets are printed over several pages and joined.

    `check_x` is where the vertical check line stands right of the centre, `check_y` how far the
    horizontal one lies under it.
    """

    name: str
    title: str
    width: float
    height: float
    module: float
    check_across: float
    check_down: float
    check_x: float
    check_y: float
    tiled: bool
    us: bool  # lengths are printed in inches first


def _size(name: str, title: str, unit: float, figures: tuple[float, ...], tiled: bool) -> SheetSize:
    width, height, module, across, down, check_x, check_y = (unit * figure for figure in figures)
    us = unit == INCH
    return SheetSize(name, title, width, height, module, across, down, check_x, check_y, tiled, us)


_MM = 0.001
SIZES: dict[str, SheetSize] = {
    size.name: size
    for size in (
        _size("letter", "Letter", INCH, (8.5, 11.0, 0.55, 7.0, 10.0, 3.84, 3.95), False),
        _size("a4", "A4", _MM, (210.0, 297.0, 13.5, 170.0, 260.0, 95.5, 98.0), False),
        _size("tabloid", "Tabloid", INCH, (11.0, 17.0, 0.75, 9.5, 15.0, 5.1, 5.3), False),
        _size("a3", "A3", _MM, (297.0, 420.0, 20.0, 250.0, 380.0, 138.0, 142.0), False),
        _size("board-18", "Board 18", INCH, (18.0, 18.0, 1.25, 16.0, 16.0, 8.5, 8.5), True),
        _size("board-24", "Board 24", INCH, (24.0, 24.0, 1.7, 22.0, 22.0, 11.45, 11.45), True),
    )
}


@dataclass(frozen=True, slots=True)
class SheetCode:
    """A sheet's printed code taken apart."""

    size: SheetSize
    number: int

    @property
    def text(self) -> str:
        """The code as printed, e.g. ``"letter-1"``."""
        return f"{self.size.name}-{self.number}"

    @property
    def marker_id(self) -> int:
        """Number of the marker within `MARKER_DICTIONARY`; no two codes share one."""
        return list(SIZES).index(self.size.name) * NUMBERS + self.number - 1


def parse_code(code: str) -> SheetCode:
    """Take a sheet code such as ``"letter-1"`` apart.

    Raises
    ------
    InputError
        If there is no such sheet.
    """
    match = re.fullmatch(r"(.+?)-([0-9]{1,2})", code.strip().lower())
    size = SIZES.get(match[1]) if match else None
    if match is None or size is None or not 1 <= int(match[2]) <= NUMBERS:
        raise InputError(
            f"there is no target sheet {code!r}",
            cure=f"write one of {', '.join(SIZES)}, a hyphen and a number from 1 to {NUMBERS}, "
            'such as "letter-1"',
        )
    return SheetCode(size, int(match[2]))


def code_of_marker(marker_id: int) -> SheetCode | None:
    """Sheet that carries marker `marker_id`, or None if none of ours does."""
    sizes = list(SIZES.values())
    if not 0 <= marker_id < len(sizes) * NUMBERS:
        return None
    return SheetCode(sizes[marker_id // NUMBERS], marker_id % NUMBERS + 1)


def sheet_codes() -> tuple[str, ...]:
    """Return the codes of all sheets that can be printed, size by size."""
    return tuple(f"{name}-{number}" for name in SIZES for number in range(1, NUMBERS + 1))


def sheet_size(code: str) -> tuple[float, float]:
    """Width and height of the whole sheet (paper or assembled board), metres.

    The pattern's centre is the sheet's centre.
    """
    size = parse_code(code).size
    return size.width, size.height


def sheet_layout(code: str) -> Layout:
    """Known points of a sheet, target frame.

    The first `SADDLES` points are the frame's saddle points, row by row from the top, left to
    right; the last four the marker's outer corners: top left, top right, bottom right, bottom left.
    """
    size = parse_code(code).size
    side = MODULES * size.module
    return Layout(
        name=parse_code(code).text,
        points=np.vstack([frame_saddles(), marker_corners()]) * size.module,
        width=side,
        height=side,
        check_across=size.check_across,
        check_down=size.check_down,
    )


def marker_corners() -> Array:
    """Return the marker's outer corners, modules, target frame (x right, y up), from top left."""
    half = MARKER_MODULES / 2
    return np.array([[-half, half], [half, half], [half, -half], [-half, -half]])


def frame_saddles() -> Array:
    """Return the frame's saddle points, modules, target frame, row by row from the top."""
    first, last = 1, MODULES - 1
    cells = [
        (column, row)
        for row in range(first, last + 1)
        for column in range(first, last + 1)
        if row in (first, last) or column in (first, last)
    ]
    columns, rows = np.array(cells, dtype=np.float64).T
    return np.column_stack([columns - MODULES / 2, MODULES / 2 - rows])


def pattern_cells(marker_id: int) -> npt.NDArray[np.bool_]:
    """Which of the 13 x 13 modules are dark; row 0 on top, column 0 on the left."""
    rows, columns = np.indices((MODULES, MODULES))
    depth = np.minimum.reduce([rows, columns, MODULES - 1 - rows, MODULES - 1 - columns])
    dark: npt.NDArray[np.bool_] = (depth < FRAME_MODULES) & ((rows + columns) % 2 == 0)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    marker = dictionary.generateImageMarker(marker_id, MARKER_MODULES, borderBits=1)
    start = (MODULES - MARKER_MODULES) // 2
    inside = slice(start, start + MARKER_MODULES)
    dark[inside, inside] = marker == 0
    return dark
