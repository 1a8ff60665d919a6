"""What is said on the page that comes with a target sheet: assembling, measuring, mounting."""

from __future__ import annotations

from dataclasses import dataclass

from survey.target.artwork import format_nominal
from survey.target.sheets import SheetCode
from survey.target.tiling import Tiling

PHONE_FOCAL = 3029.0  # px; 4032 x 3024 photo of a 26 mm equivalent lens (by the diagonal)
MODULE_PX = 4.0  # smallest that is read for sure; own simulation


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and its points."""

    title: str
    lines: tuple[str, ...]


def reach(module: float) -> float:
    """Distance at which a sheet's module is `MODULE_PX` wide in a phone photo, metres."""
    return PHONE_FOCAL * module / MODULE_PX


def mounting_notes(sheet: SheetCode) -> tuple[Section, ...]:
    """Return the notes for one sheet or assembled board."""
    size = sheet.size
    far = reach(size.module)
    metres, feet = f"{far:.0f} m", f"{far / 0.3048:.0f} ft"
    across = format_nominal(size.check_across, size)
    down = format_nominal(size.check_down, size)
    return (
        Section(
            "1  Print",
            (
                'Print at 100 % ("actual size"), black on white, on matt paper. No "fit to page", '
                "no glossy paper, no gloss laminate: a reflection hides the print.",
                "Every target of one visit needs its own number. Print another number for the "
                "second one.",
            ),
        ),
        Section(
            "2  Measure both check lines after printing",
            (
                f"ACROSS should be {across}, DOWN {down}; tape each from the outside of one end "
                "mark to the outside of the other, to 1/32 in or 0.5 mm.",
                "Write what the tape says into visit.toml (across, down), even when it is not the "
                "printed figure. Every length on the roof is scaled by it: 1 % here is 1 % there.",
                "Measure again when the sheet got wet.",
            ),
        ),
        Section(
            "3  Mount",
            (
                "Glue or tape it flat on a rigid backing: plywood, rigid foam board, aluminium "
                "sheet. A board that bows 3/8 in (10 mm) shows as an error of its own.",
                "Hang it with the arrow up. Hold a bubble level to its edge and face: level, and "
                "plumb on a wall, or lying on the roof with the face on the surface. Write down "
                "which.",
                "Use two targets, one near each end of what is measured. The second one is worth "
                "more than anything else you can add to a photo.",
                f"Whole sheet in the photo, nothing in front of it, not in hard half shade. A 12 "
                f"megapixel phone photo without zoom reads this size to about {metres} ({feet}) "
                f"square on; nearer is better.",
            ),
        ),
        Section(
            "4  Stay safe",
            (
                "Do not climb to hang a target if a wall at ground level will do.",
                "Keep ladders, poles and yourself well away from power lines and service drops.",
                "Tie the board down: wind takes it off a roof and onto people below.",
                "Falls kill. Work on a roof or ladder only with the protection that your rules "
                "ask for. Nothing this sheet is used for says that a roof is safe to walk on.",
            ),
        ),
    )


def assembly_notes(sheet: SheetCode, tiling: Tiling) -> tuple[Section, ...]:
    """How the pages of a board are joined."""
    size = sheet.size
    pages = len(tiling.tiles)
    return (
        Section(
            "1  Print",
            (
                f"{pages} pages follow, {tiling.columns} across and {tiling.rows} down. Print "
                'them at 100 % ("actual size") on one printer, in one go, on matt paper.',
            ),
        ),
        Section(
            "2  Cut",
            (
                "The page name and what to cut off stand at the foot of each page.",
                "Cut with a straightedge and a sharp knife from cut mark to cut mark, on the left "
                "and the top side of every page that has a neighbour there. Leave the right and "
                "lower sides: print goes on past the join there, to be laid under.",
            ),
        ),
        Section(
            "3  Join",
            (
                "Work on a flat backing, row by row from A1. Lay each cut edge over its "
                "neighbour's print so that it runs from join mark to join mark and every square "
                "that it crosses goes on straight.",
                "A step of 1/64 in (0.4 mm) shows; one of 1/16 in (1.5 mm) spoils the board. Fix "
                "with spray or stick glue, not with shiny tape across the print.",
            ),
        ),
        Section(
            "4  Check",
            (
                f"ACROSS {format_nominal(size.check_across, size)} and DOWN "
                f"{format_nominal(size.check_down, size)} run over all pages: tape both on the "
                "finished board and write both into visit.toml.",
                "Both diagonals of the pattern must be equal within 1/16 in (1.5 mm), or the "
                "board is out of square: join it again.",
            ),
        ),
    )
