"""Small pieces of SVG: numbers with a fixed number of places, escaped text, paths, arrows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape, quoteattr

Place = tuple[float, float]


def number(value: float) -> str:
    """Write a coordinate to 1/100, without an idle sign or noughts."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def attributes(**values: Any) -> str:
    """Write attributes; an underscore stands for a hyphen, None leaves one out."""
    parts = []
    for name, value in values.items():
        if value is None:
            continue
        shown = number(value) if isinstance(value, float) else str(value)
        parts.append(f"{name.strip('_').replace('_', '-')}={quoteattr(shown)}")
    return " ".join(parts)


def element(name: str, content: str = "", **values: Any) -> str:
    """Write one element."""
    opening = f"<{name} {attributes(**values)}".rstrip()
    return f"{opening}>{content}</{name}>" if content else f"{opening}/>"


def text(at: Place, words: str, **values: Any) -> str:
    """Write words at a place."""
    return element("text", escape(words), x=float(at[0]), y=float(at[1]), **values)


def haloed(at: Place, words: str, **values: Any) -> str:
    """Write words with a white rim, legible over lines and hatching."""
    rim: dict[str, Any] = {"stroke": "#fff", "stroke_width": 3, "stroke_linejoin": "round"}
    under = text(at, words, **{**values, **rim, "aria_hidden": "true"})
    return under + text(at, words, **values)


def path(places: Sequence[Place], *, closed: bool = False, **values: Any) -> str:
    """Write a line through places."""
    if len(places) < 2:
        return ""
    steps = "L".join(f"{number(x)} {number(y)}" for x, y in places)
    return element("path", d=f"M{steps}{'Z' if closed else ''}", **values)


def arrow_head(tip: Place, come_from: Place, size: float, **values: Any) -> str:
    """Write a filled triangle that points at `tip`, coming from another place."""
    dx, dy = tip[0] - come_from[0], tip[1] - come_from[1]
    length = math.hypot(dx, dy)
    if length < 1e-9:
        return ""
    ux, uy = dx / length * size, dy / length * size
    base = (tip[0] - ux, tip[1] - uy)
    corners = [
        tip,
        (base[0] - 0.45 * uy, base[1] + 0.45 * ux),
        (base[0] + 0.45 * uy, base[1] - 0.45 * ux),
    ]
    return path(corners, closed=True, **values)


def document(width: float, height: float, title: str, description: str, body: str) -> str:
    """Wrap a drawing, with a title and a description for readers who don't see it."""
    opening = (
        '<svg xmlns="http://www.w3.org/2000/svg" '
        f'width="{number(width)}" height="{number(height)}" '
        f'viewBox="0 0 {number(width)} {number(height)}" role="img" '
        'font-family="Helvetica, Arial, sans-serif" font-size="11">'
    )
    told = element("title", escape(title)) + element("desc", escape(description))
    return f"{opening}\n{told}\n{body}\n</svg>\n"
