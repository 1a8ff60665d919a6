"""What is printed on a sheet, as plain shapes that the PDF and the picture of a sheet share.

Metres, target frame (x right, y up, origin at the sheet's centre). Everything is black on white.
"""

from __future__ import annotations

from dataclasses import dataclass

from survey.target.sheets import INCH, MODULES, SheetCode, SheetSize, pattern_cells

LINE = 0.0003  # width of a check line and of its end marks
TICK = 0.005  # length of an end mark


@dataclass(frozen=True, slots=True)
class Box:
    """A filled rectangle."""

    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, slots=True)
class Polygon:
    """A filled polygon."""

    corners: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Label:
    """A line of text on its baseline; `anchor` "left", "middle" or "right"; `turned` a quarter."""

    x: float
    y: float
    text: str
    height: float  # of the type, metres
    anchor: str = "middle"
    turned: bool = False
    bold: bool = False


Shape = Box | Polygon | Label


def pattern_shapes(code: SheetCode) -> list[Box]:
    """Boxes of the pattern; a run of dark modules in a row is one box."""
    dark = pattern_cells(code.marker_id)
    module = code.size.module
    half = MODULES / 2
    boxes = []
    for row in range(MODULES):
        column = 0
        while column < MODULES:
            start = column
            while column < MODULES and dark[row, column]:
                column += 1
            if column > start:
                left, right = (start - half) * module, (column - half) * module
                boxes.append(Box(left, (half - row - 1) * module, right, (half - row) * module))
            column += 1
    return boxes


def format_nominal(length: float, size: SheetSize) -> str:
    """Write a check line's nominal length as it is printed beside it."""
    millimetres = f"{length * 1000:.1f}".removesuffix(".0") + " mm"
    inches = f"{length / INCH:.3f}".rstrip("0").rstrip(".") + " in"
    return f"{inches} ({millimetres})" if size.us else f"{millimetres} ({inches})"


def check_line_shapes(size: SheetSize) -> list[Shape]:
    """Both check lines: a fine rule with a fine square mark across each end, and its length."""
    across, down, x, y = size.check_across / 2, size.check_down / 2, size.check_x, -size.check_y
    half, tick = LINE / 2, TICK / 2
    type_height = 0.0028
    shapes: list[Shape] = [Box(-across, y - half, across, y + half)]
    shapes += [Box(x - half, -down, x + half, down)]
    # The outer side of an end mark is the line's end: tape from outside to outside.
    shapes += [
        Box(-across, y - tick, -across + LINE, y + tick),
        Box(across - LINE, y - tick, across, y + tick),
        Box(x - tick, -down, x + tick, -down + LINE),
        Box(x - tick, down - LINE, x + tick, down),
    ]
    words = "from outside of mark to outside of mark"
    middle_x, middle_y = middle_of_text(size)
    across_text = f"ACROSS  {format_nominal(size.check_across, size)} {words}"
    down_text = f"DOWN  {format_nominal(size.check_down, size)} {words}"
    shapes.append(Label(middle_x, y - 0.0042, across_text, type_height))
    shapes.append(Label(x + 0.0042, middle_y, down_text, type_height, turned=True))
    return shapes


def middle_of_text(size: SheetSize) -> tuple[float, float]:
    """Where the text along the upper and lower side, and along the right side, is centred.

    On tiled boards that is beside the joins of the usual papers.
    """
    if not size.tiled:
        return 0.0, 0.0
    return (-3 * size.module if size.width > 0.5 else 0.0), -3.6 * size.module


def arrow_shapes(x: float, y: float, size: float) -> list[Shape]:
    """Arrow pointing up with its tip at (x, y), `size` high."""
    width = size * 0.7
    neck = y - size * 0.55
    head = Polygon(((x, y), (x + width / 2, neck), (x - width / 2, neck)))
    return [head, Box(x - width / 6, y - size, x + width / 6, neck)]


def sheet_shapes(code: SheetCode) -> list[Shape]:
    """All that is printed on the face of a sheet."""
    size = code.size
    shapes: list[Shape] = [*pattern_shapes(code), *check_line_shapes(size)]
    top = MODULES / 2 * size.module
    room = size.height / 2 - top
    title = f"{size.title.upper()}  {code.number}"
    if size.tiled:
        baseline = top + room * 0.42
        x = middle_of_text(size)[0]
        shapes += arrow_shapes(x, baseline + 0.0075, 0.0095)
        shapes.append(Label(x - 0.012, baseline, "UP", 0.0055, "right", bold=True))
        shapes.append(Label(x + 0.012, baseline, title, 0.0055, "left", bold=True))
        return shapes
    arrow = min(0.022, room * 0.45)
    shapes += arrow_shapes(0.0, top + room * 0.72, arrow)
    baseline = top + room * 0.72 - arrow
    shapes.append(Label(-arrow, baseline, "UP", arrow * 0.45, "right", bold=True))
    shapes.append(Label(arrow, baseline, title, arrow * 0.45, "left", bold=True))
    return shapes
