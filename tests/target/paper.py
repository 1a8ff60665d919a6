"""Printed pages as pixels, by pdfium."""

from __future__ import annotations

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium

POINTS = 72 / 0.0254  # PDF points in a metre


def rasterise(page: pypdfium2.PdfPage, *, dpi: float, turn_deg: float = 0.0):
    """Grey pixels (h, w) of a page, and the matrix (2, 3) to them from points of the page.

    Points count right and down from the page's top left; pixels from the centre of the top-left
    one. pdfium rounds upright rectangles to whole pixels, but not turned ones: a small turn about
    the middle shows where the edges truly lie.
    """
    scale = dpi / 72
    width, height = page.get_size()
    size = round(width * scale), round(height * scale)
    matrix = turn_about([width / 2, height / 2], (np.array(size) - 1) / 2, scale, turn_deg)
    return draw(page, size, matrix), matrix


def turn_about(point, px, scale, turn_deg):
    """Matrix (2, 3) that scales and turns, and takes `point` to `px`."""
    c, s = np.cos(np.radians(turn_deg)) * scale, np.sin(np.radians(turn_deg)) * scale
    turned = np.array([[c, -s], [s, c]])
    return np.column_stack([turned, px - turned @ np.asarray(point)])


def draw(page: pypdfium2.PdfPage, size, matrix):
    """Grey pixels (h, w) of a page seen through `matrix`, outside it white; `size` (w, h)."""
    bitmap = pypdfium2.PdfBitmap.new_native(*size, pdfium.FPDFBitmap_Gray)
    bitmap.fill_rect((255, 255, 255, 255), 0, 0, *size)
    (a, c, e), (b, d, f) = matrix
    pdfium.FPDF_RenderPageBitmapWithMatrix(
        bitmap,
        page,
        pdfium.FS_MATRIX(a, b, c, d, e + 0.5, f + 0.5),
        pdfium.FS_RECTF(0, 0, *size),
        pdfium.FPDF_GRAYSCALE,
    )
    return bitmap.to_numpy().reshape(size[1], size[0]).copy()


def apply(matrix, points):
    """Pixels of points under a matrix of `rasterise`."""
    return points @ matrix[:, :2].T + matrix[:, 2]
