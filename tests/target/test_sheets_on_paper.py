"""The printed sheets: what a PDF reader puts on paper is what the layout says."""

from __future__ import annotations

import hashlib

import numpy as np
import pypdfium2
import pytest

from survey.errors import InputError
from survey.target import detect_targets, format_sheet, sheet_codes, sheet_layout, sheet_size
from survey.target.sheets import SADDLES, SIZES, code_of_marker, parse_code
from survey.target.tiling import STRIP, plan_tiles
from survey.visit.model import SheetBoard, TargetSpec
from tests.target.paper import POINTS, apply, draw, rasterise, turn_about

DPI = 300
ONE_PAGE = ("letter-1", "a4-16", "tabloid-3", "a3-2")


def found_on(pixels, code):
    sightings, problems = detect_targets(pixels, [TargetSpec("board", SheetBoard(code))])
    assert problems == ()
    assert len(sightings) == 1
    return sightings[0]


@pytest.mark.parametrize("code", ONE_PAGE)
def test_every_corner_lies_on_paper_where_the_layout_says(code):
    page = pypdfium2.PdfDocument(format_sheet(code))[0]
    width, height = page.get_size()
    assert np.allclose([width / POINTS, height / POINTS], sheet_size(code), atol=1e-6)
    pixels, matrix = rasterise(page, dpi=DPI, turn_deg=1.0)
    seen = found_on(pixels, code)
    assert len(seen.corners_px) == SADDLES
    on_page = seen.corners_target * [1, -1] * POINTS + [width / 2, height / 2]
    assert np.abs(seen.corners_px - apply(matrix, on_page)).max() < 0.05


@pytest.mark.parametrize("code", ONE_PAGE)
def test_printed_pattern_has_its_size_in_millimetres(code):
    """Outermost ink of the frame at 600 dpi; pdfium rounds both edges outwards."""
    page = pypdfium2.PdfDocument(format_sheet(code))[0]
    pixels, _ = rasterise(page, dpi=600)
    height, width = pixels.shape
    layout = sheet_layout(code)
    module = layout.width / 13 * 600 / 0.0254
    middle_row = round(height / 2 - 6 * module)  # through the frame's first row of modules
    middle_column = round(width / 2 - 6 * module)
    half = round(6.6 * module)
    across = np.flatnonzero(pixels[middle_row, width // 2 - half : width // 2 + half] < 128)
    down = np.flatnonzero(pixels[height // 2 - half : height // 2 + half, middle_column] < 128)
    for dark, nominal in ((across, layout.width), (down, layout.height)):
        printed = (dark[-1] - dark[0] + 1) / 600 * 25.4
        assert abs(printed - nominal * 1000) < 2 * 25.4 / 600


def assembled(code, paper, *, dpi, turn_deg):
    """All pages of a board laid side by side as cut, and the matrix from metres (y up) to px."""
    tiling = plan_tiles(parse_code(code).size, paper)
    document = pypdfium2.PdfDocument(format_sheet(code, paper=paper))
    assert len(document) == len(tiling.tiles) + 2  # assembling before, mounting after
    side = round(sheet_size(code)[0] * dpi / 0.0254)
    upright = turn_about([0, 0], np.full(2, (side - 1) / 2), dpi / 0.0254, turn_deg)
    matrix = upright * [1, -1, 1]
    u, v = np.meshgrid(np.arange(side), np.arange(side))
    back = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))
    x, y = (back[k, 0] * u + back[k, 1] * v + back[k, 2] for k in (0, 1))
    board = np.full((side, side), 255, np.uint8)
    for number, tile in enumerate(tiling.tiles, start=1):
        page = document[number]
        assert np.allclose(np.array(page.get_size()) / POINTS, tiling.page, atol=1e-6)
        # The tile stands in the middle of its page.
        middle = np.array([[tile.left + tile.right, tile.bottom + tile.top]]) / 2
        page_middle = np.array(page.get_size()) / 2
        to_px = turn_about(page_middle, apply(matrix, middle)[0], dpi / 72, turn_deg)
        drawn = draw(page, (side, side), to_px)
        own = (x >= tile.left) & (x < tile.right) & (y > tile.bottom) & (y <= tile.top)
        board[own] = drawn[own]
    return board, matrix


@pytest.mark.parametrize(("code", "paper"), [("board-18-2", None), ("board-24-5", "a4")])
def test_joined_pages_make_the_board(code, paper):
    board, matrix = assembled(code, paper, dpi=150, turn_deg=1.0)
    seen = found_on(board, code)
    assert len(seen.corners_px) == SADDLES
    assert np.abs(seen.corners_px - apply(matrix, seen.corners_target)).max() < 0.05


@pytest.mark.parametrize(("code", "paper"), [("board-18-2", None), ("board-24-5", "a4")])
def test_print_goes_on_past_the_joins_to_be_laid_under(code, paper):
    """Each page's strip shows what its neighbour's edge shows."""
    tiling = plan_tiles(parse_code(code).size, paper)
    document = pypdfium2.PdfDocument(format_sheet(code, paper=paper))
    tiles = {(tile.column, tile.row): (number, tile) for number, tile in enumerate(tiling.tiles, 1)}
    inked = 0
    for (column, row), (number, tile) in tiles.items():
        beside = tiles.get((column + 1, row))
        assert tile.strip_right == (beside is not None)
        if beside is None:
            continue
        size = (round(0.005 * 150 / 0.0254), round((tile.top - tile.bottom) * 150 / 0.0254))
        shown = []
        for page_number, of in ((number, tile), beside):
            page = document[page_number]
            middle = np.array([of.left + of.right, of.bottom + of.top]) / 2
            start = (np.array([tile.right, tile.top]) - middle) * [1, -1] * POINTS
            at = np.array(page.get_size()) / 2 + start
            matrix = turn_about(at, np.array([-0.5, -0.5]), 150 / 72, 0.0)
            shown.append(draw(page, size, matrix)[3:-3, 1:-1])
        inked += int((shown[0] < 128).sum())
        assert (np.abs(shown[0].astype(int) - shown[1]) > 100).mean() < 0.02
    assert inked > 1000


@pytest.mark.parametrize("name", [name for name, size in SIZES.items() if size.tiled])
@pytest.mark.parametrize("paper", ["letter", "a4", "tabloid", "a3"])
def test_joins_stay_half_a_module_from_every_measured_corner(name, paper):
    size = SIZES[name]
    tiling = plan_tiles(size, paper)
    corners = sheet_layout(f"{name}-1").points
    for tile in tiling.tiles:
        for side, axis in ((tile.left, 0), (tile.right, 0), (tile.top, 1), (tile.bottom, 1)):
            assert np.abs(corners[:, axis] - side).min() >= 0.49 * size.module
        assert tile.right - tile.left + STRIP * tile.strip_right <= tiling.page[0] - 0.0199
        assert tile.top - tile.bottom + STRIP * tile.strip_below <= tiling.page[1] - 0.0199
    area = sum((t.right - t.left) * (t.top - t.bottom) for t in tiling.tiles)
    assert area == pytest.approx(size.width * size.height, rel=1e-9)


@pytest.mark.parametrize("code", ["letter-4", "board-18-1"])
def test_same_code_gives_the_same_bytes(code):
    first, second = (hashlib.sha256(format_sheet(code)).hexdigest() for _ in range(2))
    assert first == second


def test_every_code_has_its_own_marker_and_comes_back_from_it():
    codes = sheet_codes()
    numbers = [parse_code(code).marker_id for code in codes]
    assert len(codes) == len(set(numbers)) == 96
    for code, number in zip(codes, numbers, strict=True):
        back = code_of_marker(number)
        assert back is not None
        assert back.text == code
    assert code_of_marker(96) is None
    assert code_of_marker(-1) is None


@pytest.mark.parametrize("code", ["letter-0", "letter-17", "letter", "b4-1", "", "letter-1-1"])
def test_unknown_code_is_refused_with_the_known_ones(code):
    with pytest.raises(InputError, match="no target sheet") as told:
        sheet_layout(code)
    assert "letter" in str(told.value)
    assert "board-24" in str(told.value)


def test_wrong_paper_is_refused():
    with pytest.raises(InputError, match="Letter paper"):
        format_sheet("letter-1", paper="a4")
    with pytest.raises(InputError, match="no paper 'b5'"):
        format_sheet("board-18-1", paper="b5")


def test_frame_surrounds_the_marker_with_a_quiet_zone():
    """13 modules: frame 2, quiet 1, marker 7, quiet 1, frame 2; saddles 1 and 2 modules in."""
    layout = sheet_layout("tabloid-1")
    module = layout.width / 13
    saddles = layout.points[:SADDLES] / module
    assert layout.width == pytest.approx(13 * 0.75 * 0.0254)
    assert np.abs(np.abs(saddles).max(axis=1) - 5.5).max() < 1e-9
    assert np.allclose(np.abs(layout.points[SADDLES:]), 3.5 * module)
    assert np.allclose(layout.points[SADDLES], [-3.5 * module, 3.5 * module])
