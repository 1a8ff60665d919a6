"""The ``[[target]]`` table: which board was put up, what its check lines measured, how it hangs."""

from __future__ import annotations

from survey.visit.model import ForeignBoard, SheetBoard, TargetSpec
from survey.visit.problems import nearest, shown
from survey.visit.tables import Table, default_of, value_or

DICTIONARY_SIZES = {
    **{
        f"DICT_{bits}X{bits}_{count}": count
        for bits in (4, 5, 6, 7)
        for count in (50, 100, 250, 1000)
    },
    "DICT_ARUCO_ORIGINAL": 1024,
    "DICT_APRILTAG_16h5": 30,
    "DICT_APRILTAG_25h9": 35,
    "DICT_APRILTAG_36h10": 2320,
    "DICT_APRILTAG_36h11": 587,
    "DICT_ARUCO_MIP_36h12": 250,
}
"""Marker dictionaries by OpenCV's name, with the number of markers in each."""

SHEET_SIZES = ("letter", "a4", "tabloid", "a3", "board-18", "board-24")
SHEET_NUMBERS = 16
SHEET_CODES = tuple(f"{size}-{n}" for size in SHEET_SIZES for n in range(1, SHEET_NUMBERS + 1))
"""Codes of our own sheets, as `survey.target` prints them."""

BOARD_KINDS = ("marker", "marker grid", "charuco")
MOUNTS = {
    "plumb and level": (True, True, False),
    "plumb": (True, False, False),
    "level": (False, True, False),
    "flat": (False, False, True),
    "loose": (False, False, False),
}
"""How a target was mounted: plumb (face vertical), level (x axis horizontal), flat by a bubble."""


def target_from(table: Table) -> TargetSpec:
    """Read one ``[[target]]``."""
    mounted = table.choice("mounted", tuple(MOUNTS), "loose") or "loose"
    plumb, level, flat = MOUNTS[mounted]
    target = TargetSpec(
        name=table.name(),
        board=_board(table),
        across=table.length("across", 0.01, 5.0),
        down=table.length("down", 0.01, 5.0),
        check_sd=value_or(
            table.length("check_sd", 0.00001, 0.05), default_of(TargetSpec, "check_sd")
        ),
        plane=table.optional_name("plane"),
        thickness=value_or(
            table.length("thickness", 0.0, 1.0), default_of(TargetSpec, "thickness")
        ),
        plumb=plumb,
        level=level,
        flat=flat,
        mount_sd=value_or(table.angle("mount_sd", 0.001, 20.0), default_of(TargetSpec, "mount_sd")),
    )
    table.finish()
    return target


def _board(table: Table) -> SheetBoard | ForeignBoard:
    """Return the board by its sheet code, or as declared."""
    sheet = table.optional_name("sheet")
    board = table.table("board", "board")
    if (sheet is None) == (board is None) and not (table.has("sheet") or table.has("board")):
        table.wrong(
            "[[target]] does not say what is printed on it",
            'add sheet = "letter-1" (its printed code), or board = { kind = "marker", ... }',
        )
    if sheet is not None and board is not None:
        table.wrong("a target is either a sheet or a board", "keep one of the two", "board")
    if board is not None:
        return _foreign_board(board)
    if sheet is not None and sheet not in SHEET_CODES:
        sizes = f"{', '.join(SHEET_SIZES)}, a hyphen and a number from 1 to {SHEET_NUMBERS}"
        close = nearest(sheet, SHEET_CODES)
        table.wrong(
            f"sheet = {shown(sheet)} is no sheet code",
            f'did you mean "{close}"?' if close else f"sheets are {sizes}",
            "sheet",
        )
    return SheetBoard(sheet or "letter-1")


def _foreign_board(table: Table) -> ForeignBoard:
    """Read a board printed elsewhere: marker, marker grid or ChArUco board."""
    kind = table.choice("kind", BOARD_KINDS)
    if kind is None and "kind" not in table.values:
        table.wrong("board has no kind", 'add kind = "marker", "marker grid" or "charuco"')
    dictionary = table.choice("dictionary", tuple(DICTIONARY_SIZES))
    if dictionary is None and "dictionary" not in table.values:
        table.wrong("board has no dictionary", 'add dictionary = "DICT_6X6_250"')
    marker = table.length("marker", 0.001, 2.0)
    if marker is None and not table.has("marker"):
        table.wrong("board has no marker size", 'add marker = "150 mm", the black square\'s side')
    is_marker = kind == "marker"
    board = ForeignBoard(
        kind=kind or "marker",
        dictionary=dictionary or "DICT_6X6_250",
        marker=marker or 0.1,
        first_id=table.count("first_id", 0, 5000, 0) or 0,
        columns=table.count("columns", 1, 100, 1) or 1,
        rows=table.count("rows", 1, 100, 1) or 1,
        square=table.length("square", 0.001, 2.0),
        gap=table.length("gap", 0.0, 2.0),
        legacy_layout=bool(table.flag("legacy_layout", False)),
    )
    table.finish()
    if kind is not None:
        _check_sizes(table, board, is_marker)
    return board


def _check_sizes(table: Table, board: ForeignBoard, is_marker: bool) -> None:
    """Note what a board of this kind still needs, and what can't be."""
    if not is_marker and board.columns * board.rows < 2:
        table.wrong(f'a "{board.kind}" needs columns and rows', "add both, as printed")
    if board.kind == "marker grid" and board.gap is None and not table.has("gap"):
        table.wrong("a marker grid needs the gap between markers", 'add gap = "10 mm"')
    if board.kind == "charuco":
        if board.square is None and not table.has("square"):
            table.wrong("a charuco board needs its square's side", 'add square = "30 mm"')
        elif board.square is not None and board.square <= board.marker:
            table.wrong(
                "the square of a charuco board must be larger than its marker",
                "check which is which",
                "square",
            )
    used = {"marker": 1, "marker grid": board.columns * board.rows}.get(
        board.kind, board.columns * board.rows // 2
    )
    size = DICTIONARY_SIZES[board.dictionary]
    if board.first_id + used > size:
        table.wrong(
            f"{board.dictionary} has markers 0 to {size - 1}, but this board would use "
            f"{board.first_id} to {board.first_id + used - 1}",
            "check first_id, columns and rows",
            "first_id",
        )
