"""Writes a target sheet as a print-ready vector PDF, with notes on mounting it."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from survey.errors import InputError
from survey.storage import write_atomically
from survey.target.artwork import Box, Label, Polygon, Shape, sheet_shapes
from survey.target.notes import Section, assembly_notes, mounting_notes
from survey.target.sheets import SheetCode, parse_code
from survey.target.tiling import STRIP, Tile, Tiling, plan_tiles

POINT = 0.0254 / 72  # metres
PLAIN, BOLD = "Helvetica", "Helvetica-Bold"
CROP_MARK, CROP_GAP = 0.005, 0.0015  # length of a cut mark and its distance from the print, metres
HAIRLINE = 0.00012


def write_sheet(path: Path | str, code: str, *, paper: str | None = None) -> None:
    """Write a target sheet as PDF: the sheet (or the pages of a board), then its notes.

    Parameters
    ----------
    path : Path or str
        PDF to write; what stands there is replaced in one step.
    code : str
        Sheet code, e.g. ``"letter-1"`` or ``"board-24-1"``.
    paper : str, optional
        Paper that a board is tiled over: "letter" (default), "a4", "tabloid" or "a3". A single
        sheet is printed on its own paper.

    Raises
    ------
    InputError
        If there is no such sheet or paper.
    StorageError
        If the file can't be written.

    Notes
    -----
    The same code and paper give the same bytes.
    """
    write_atomically(Path(path), format_sheet(code, paper=paper))


def format_sheet(code: str, *, paper: str | None = None) -> bytes:
    """Return the PDF that `write_sheet` writes."""
    sheet = parse_code(code)
    wanted = paper.strip().lower() if paper else None
    if not sheet.size.tiled and wanted not in (None, sheet.size.name):
        raise InputError(
            f"sheet {sheet.text} is printed on {sheet.size.title} paper, not on {paper!r}",
            cure=f"leave the paper out, or print {wanted}-{sheet.number} instead",
        )
    buffer = io.BytesIO()
    canvas = Canvas(buffer, invariant=1, pageCompression=1)
    canvas.setTitle(f"Target sheet {sheet.text}")
    canvas.setSubject("Print at 100 % (actual size); tape both check lines after printing")
    canvas.setCreator("survey target")
    if sheet.size.tiled:
        tiling = plan_tiles(sheet.size, wanted)
        _notes_page(canvas, sheet, _portrait(tiling.page), assembly_notes(sheet, tiling), tiling)
        _tile_pages(canvas, sheet, tiling)
        _notes_page(canvas, sheet, _portrait(tiling.page), mounting_notes(sheet), None)
    else:
        page = (sheet.size.width, sheet.size.height)
        _begin_page(canvas, page)
        canvas.translate(page[0] / POINT / 2, page[1] / POINT / 2)
        _draw(canvas, sheet_shapes(sheet))
        canvas.showPage()
        _notes_page(canvas, sheet, page, mounting_notes(sheet), None)
    canvas.save()
    return buffer.getvalue()


def _portrait(page: tuple[float, float]) -> tuple[float, float]:
    return min(page), max(page)


def _begin_page(canvas: Any, page: tuple[float, float]) -> None:
    canvas.setPageSize((page[0] / POINT, page[1] / POINT))


def _draw(canvas: Any, shapes: Sequence[Shape]) -> None:
    """Draw shapes about the canvas's origin."""
    canvas.setFillGray(0)
    for shape in shapes:
        match shape:
            case Box(left, bottom, right, top):
                canvas.rect(
                    left / POINT,
                    bottom / POINT,
                    (right - left) / POINT,
                    (top - bottom) / POINT,
                    stroke=0,
                    fill=1,
                )
            case Polygon(corners):
                path = canvas.beginPath()
                path.moveTo(corners[0][0] / POINT, corners[0][1] / POINT)
                for x, y in corners[1:]:
                    path.lineTo(x / POINT, y / POINT)
                path.close()
                canvas.drawPath(path, stroke=0, fill=1)
            case Label():
                _draw_label(canvas, shape)


def _draw_label(canvas: Any, label: Label) -> None:
    canvas.saveState()
    canvas.translate(label.x / POINT, label.y / POINT)
    if label.turned:
        canvas.rotate(90)
    canvas.setFont(BOLD if label.bold else PLAIN, label.height / POINT)
    draw = {
        "left": canvas.drawString,
        "middle": canvas.drawCentredString,
        "right": canvas.drawRightString,
    }[label.anchor]
    draw(0, 0, label.text)
    canvas.restoreState()


def _tile_pages(canvas: Any, sheet: SheetCode, tiling: Tiling) -> None:
    shapes = sheet_shapes(sheet)
    width, height = tiling.page
    for number, tile in enumerate(tiling.tiles, start=1):
        _begin_page(canvas, tiling.page)
        canvas.saveState()
        # The tile stands in the middle of the page.
        canvas.translate(
            (width / 2 - (tile.left + tile.right) / 2) / POINT,
            (height / 2 - (tile.top + tile.bottom) / 2) / POINT,
        )
        right = tile.right + (STRIP if tile.strip_right else 0.0)
        bottom = tile.bottom - (STRIP if tile.strip_below else 0.0)
        canvas.saveState()
        window = canvas.beginPath()
        window.rect(
            tile.left / POINT,
            bottom / POINT,
            (right - tile.left) / POINT,
            (tile.top - bottom) / POINT,
        )
        canvas.clipPath(window, stroke=0, fill=0)
        _draw(canvas, shapes)
        canvas.restoreState()
        _draw_cut_marks(canvas, tile)
        canvas.restoreState()
        _draw_page_name(canvas, sheet, tiling, tile, number)
        canvas.showPage()


def _draw_cut_marks(canvas: Any, tile: Tile) -> None:
    """Draw marks outside the four corners of a tile; joins that go under get a small J."""
    canvas.setLineWidth(HAIRLINE / POINT)
    canvas.setStrokeGray(0)
    near, far = CROP_GAP, CROP_GAP + CROP_MARK
    under = STRIP if tile.strip_below else 0.0
    beside = STRIP if tile.strip_right else 0.0
    lines = []
    for x in (tile.left, tile.right):
        lines += [
            (x, tile.top + near, x, tile.top + far),
            (x, tile.bottom - under - near, x, tile.bottom - under - far),
        ]
    for y in (tile.bottom, tile.top):
        lines += [
            (tile.left - near, y, tile.left - far, y),
            (tile.right + beside + near, y, tile.right + beside + far, y),
        ]
    for x0, y0, x1, y1 in lines:
        canvas.line(x0 / POINT, y0 / POINT, x1 / POINT, y1 / POINT)


def _draw_page_name(canvas: Any, sheet: SheetCode, tiling: Tiling, tile: Tile, number: int) -> None:
    canvas.setFillGray(0)
    canvas.setFont(PLAIN, 7)
    sides = [side for side, wanted in (("left", tile.column > 0), ("top", tile.row > 0)) if wanted]
    cut = f"cut along the marks at the {' and '.join(sides)}" if sides else "cut nothing off"
    text = f"{sheet.text}   page {tile.name}   {number} of {len(tiling.tiles)}   {cut}"
    canvas.drawCentredString(tiling.page[0] / POINT / 2, 0.0042 / POINT, text)


def _notes_page(
    canvas: Any,
    sheet: SheetCode,
    page: tuple[float, float],
    sections: Sequence[Section],
    tiling: Tiling | None,
) -> None:
    """Set notes in one column on a page, type growing with the paper."""
    _begin_page(canvas, page)
    width, height = page[0] / POINT, page[1] / POINT
    grow = min(width / 612, height / 792)
    margin = 54 * grow
    heading = "How to put the board together" if tiling else "Before you hang it"
    canvas.setFillGray(0)
    canvas.rect(margin, height - margin - 4 * grow, width - 2 * margin, 4 * grow, stroke=0, fill=1)
    canvas.setFont(BOLD, 20 * grow)
    canvas.drawString(margin, height - margin - 32 * grow, heading)
    canvas.setFont(PLAIN, 11 * grow)
    canvas.drawRightString(
        width - margin,
        height - margin - 32 * grow,
        f"Target {sheet.size.title.upper()} {sheet.number}   ({sheet.text})",
    )
    top = height - margin - 52 * grow
    if tiling is not None:
        top = _draw_map(canvas, tiling, margin, top, grow)
    lead = ParagraphStyle("lead", fontName=BOLD, fontSize=11.5 * grow, leading=15 * grow)
    body = ParagraphStyle(
        "body",
        fontName=PLAIN,
        fontSize=10 * grow,
        leading=13.4 * grow,
        leftIndent=14 * grow,
        bulletIndent=3 * grow,
        spaceAfter=2 * grow,
    )
    for section in sections:
        top -= 9 * grow
        top = _set(canvas, Paragraph(section.title, lead), margin, top, width - 2 * margin)
        top -= 2 * grow
        for line in section.lines:
            paragraph = Paragraph(line, body, bulletText="•")
            top = _set(canvas, paragraph, margin, top, width - 2 * margin) - 2 * grow
    if tiling is None:
        top = _draw_blanks(canvas, margin, top - 22 * grow, width - 2 * margin, grow)
    assert top > margin / 2, "the notes don't fit on one page"
    canvas.showPage()


def _draw_blanks(canvas: Any, left: float, top: float, width: float, grow: float) -> float:
    """Draw a row of boxes to write the tape readings into; return where they end."""
    titles = ("ACROSS reads", "DOWN reads", "Taped by, on")
    gap, high = 10 * grow, 40 * grow
    wide = (width - gap * (len(titles) - 1)) / len(titles)
    canvas.setLineWidth(0.8 * grow)
    canvas.setFont(PLAIN, 8 * grow)
    for number, title in enumerate(titles):
        x = left + number * (wide + gap)
        canvas.rect(x, top - high, wide, high, stroke=1, fill=0)
        canvas.drawString(x + 5 * grow, top - 11 * grow, title)
    return top - high


def _set(canvas: Any, paragraph: Any, left: float, top: float, width: float) -> float:
    """Set a paragraph under `top`; return where it ends."""
    _, height = paragraph.wrap(width, 10_000)
    paragraph.drawOn(canvas, left, top - height)
    return float(top - height)


def _draw_map(canvas: Any, tiling: Tiling, left: float, top: float, grow: float) -> float:
    """Draw which page goes where, small; return where the drawing ends."""
    first, last = tiling.tiles[0], tiling.tiles[-1]
    scale = 170 * grow / (last.right - first.left)
    canvas.setLineWidth(0.8 * grow)
    canvas.setFont(BOLD, 13 * grow)
    for tile in tiling.tiles:
        x = left + (tile.left - first.left) * scale
        y = top - (first.top - tile.bottom) * scale
        wide, high = (tile.right - tile.left) * scale, (tile.top - tile.bottom) * scale
        canvas.setFillGray(0.94 if (tile.column + tile.row) % 2 else 1)
        canvas.rect(x, y, wide, high, stroke=1, fill=1)
        canvas.setFillGray(0)
        canvas.drawCentredString(x + wide / 2, y + high / 2 - 4.5 * grow, tile.name)
    return float(top - (first.top - last.bottom) * scale - 10 * grow)
