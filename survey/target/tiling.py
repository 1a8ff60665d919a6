"""How a large board is split over pages of paper."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

from survey.errors import InputError
from survey.target.sheets import INCH, MODULES, SheetSize

MARGIN = 0.010  # of paper kept free of print for the printer's grip, metres
STRIP = 0.006  # print that goes on past the right and lower join, to be laid under, metres
PAPERS = {
    "letter": (8.5 * INCH, 11.0 * INCH),
    "a4": (0.210, 0.297),
    "tabloid": (11.0 * INCH, 17.0 * INCH),
    "a3": (0.297, 0.420),
}


@dataclass(frozen=True, slots=True)
class Tile:
    """One page's part of a board; metres, target frame. Rows and columns count from the top left.

    `strip_right`, `strip_below`: whether print goes on past that side, under the neighbour.
    """

    column: int
    row: int
    left: float
    bottom: float
    right: float
    top: float
    strip_right: bool
    strip_below: bool

    @property
    def name(self) -> str:
        """Letter of the column and number of the row, e.g. ``"B1"``."""
        return f"{'ABCDEFGH'[self.column]}{self.row + 1}"


@dataclass(frozen=True, slots=True)
class Tiling:
    """All pages of a board, row by row; `page` width and height of the paper as it lies."""

    page: tuple[float, float]
    columns: int
    rows: int
    tiles: tuple[Tile, ...]


def plan_tiles(size: SheetSize, paper: str | None) -> Tiling:
    """Split a board over the fewest pages.

    Joins run through the middle of modules, half a module from every corner that is measured.

    Raises
    ------
    InputError
        If the paper is unknown.
    """
    name = paper or "letter"
    if name not in PAPERS:
        raise InputError(
            f"there is no paper {name!r} to print a board on",
            cure=f"write one of {', '.join(PAPERS)}",
        )
    width, height = PAPERS[name]
    options = []
    for page in ((width, height), (height, width)):
        across = _split(size.width, size.module, page[0] - 2 * MARGIN)
        down = _split(size.height, size.module, page[1] - 2 * MARGIN)
        if across and down:
            options.append((page, across, down))
    page, across, down = min(options, key=lambda option: len(option[1]) * len(option[2]))
    columns, rows = len(across) - 1, len(down) - 1
    tiles = tuple(
        Tile(
            column=column,
            row=row,
            left=across[column],
            right=across[column + 1],
            top=-down[row],
            bottom=-down[row + 1],
            strip_right=column < columns - 1,
            strip_below=row < rows - 1,
        )
        for row in range(rows)
        for column in range(columns)
    )
    return Tiling(page, columns, rows, tiles)


def _split(length: float, module: float, room: float) -> list[float]:
    """Edges of the fewest parts that fit in `room`, the widest as narrow as can be."""
    half = length / 2
    middles = [(k + 0.5 - MODULES / 2) * module for k in range(MODULES)]
    for joins in range(MODULES):
        fitting = []
        for chosen in combinations(middles, joins):
            edges = [-half, *chosen, half]
            parts = [b - a for a, b in pairwise(edges)]
            needed = [part + STRIP for part in parts[:-1]] + [parts[-1]]
            if max(needed) <= room:
                uneven = sum(part**2 for part in parts)
                fitting.append((round(max(needed), 6), round(uneven, 6), edges))
        if fitting:
            return min(fitting)[2]
    return []
