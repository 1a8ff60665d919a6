"""Drainage of one roof plane as a vector drawing: contours, flow, low spots, readings.

Drawn from the plane file alone. Everything is told apart by line, hatch and letter, so that it
reads in black and white; the one colour, a dark blue for water, repeats what the hatch says.
"""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from survey.outputs import svg
from survey.outputs.drawing_drainage_key import draw_key, key_height
from survey.outputs.svg import Place
from survey.planefile import PlaneFile, read_measured
from survey.units import System, format_length, format_measured

Entry = Mapping[str, Any]

BODY = 560.0  # px, longer side of the plane as drawn
MARGIN = 56.0
TITLE = 30.0
KEY_WIDTH = 300.0
WATER = "#123f7a"
INK = "#111"
EDGE_STYLES: dict[str, dict[str, Any]] = {
    "open": {"stroke_width": 1.4, "stroke_dasharray": "10 5"},
    "dam": {"stroke_width": 4.0},
    "unknown": {"stroke_width": 2.2, "stroke_dasharray": "2 4"},
}
HATCHES = {"shown": "wet-shown", "likely": "wet-likely", "possible": "wet-possible"}


@dataclass(frozen=True, slots=True)
class Sheet:
    """Where plane-frame places (u right, v up, metres) fall on the drawing (px)."""

    low: Place
    high: Place
    scale: float

    def at(self, place: Sequence[float]) -> Place:
        """Place on the drawing."""
        x = MARGIN + (place[0] - self.low[0]) * self.scale
        y = TITLE + MARGIN + (self.high[1] - place[1]) * self.scale
        return x, y

    def line(self, places: Sequence[Sequence[float]]) -> list[Place]:
        """Places on the drawing."""
        return [self.at(place) for place in places]

    @property
    def width(self) -> float:
        """Width of the plane, px."""
        return (self.high[0] - self.low[0]) * self.scale

    @property
    def height(self) -> float:
        """Height of the plane, px."""
        return (self.high[1] - self.low[1]) * self.scale


def draw_drainage(plane_file: PlaneFile, plane: str, *, system: System | None = None) -> str:
    """Draw the drainage of a plane as SVG.

    Parameters
    ----------
    plane_file : PlaneFile
    plane : str
        Name of a roof plane of it.
    system : "us" or "metric", optional
        How lengths are written; as the visit speaks when not given.

    Returns
    -------
    str
        The SVG document; the same for the same plane file.

    Raises
    ------
    KeyError
        If no plane of that name is in the file.
    """
    document = plane_file.document
    entry = next((p for p in document["planes"] if p["name"] == plane), None)
    if entry is None:
        raise KeyError(plane)
    said: System = system or ("metric" if document["visit"].get("units") == "metric" else "us")
    water = entry["drainage"] or {}
    outline = entry["outline_plane"] or []
    if len(outline) < 3:
        words = f"Drainage of {plane}: its outline is not observed"
        return svg.document(480.0, 60.0, words, words, svg.text((16.0, 36.0), words))
    sheet = _sheet(outline)
    spots = listed_spots(water)
    layers = [
        _hatches(),
        _strips(water, sheet),
        _contours(water, sheet, said),
        _arrows(water, sheet),
        _paths(water, sheet),
        _spots(spots, sheet),
        _edges(entry, water, sheet),
        _things(document, plane, water, sheet),
        _readings(document, plane, water, sheet),
    ]
    key = draw_key(
        water, spots, document, (MARGIN + sheet.width + 44.0, TITLE + MARGIN), KEY_WIDTH, said
    )
    width = MARGIN + sheet.width + 44.0 + KEY_WIDTH + 16.0
    height = max(TITLE + 2 * MARGIN + sheet.height + 24.0, key_height(water, spots, said))
    title = f"Drainage of {plane}"
    body = [
        svg.element("rect", width=width, height=height, fill="#fff"),
        svg.text((MARGIN, 26.0), title, font_size=16, font_weight="bold", fill=INK),
        *layers,
        _scale_bar(sheet, said),
        key,
    ]
    return svg.document(width, height, title, _describe(plane, water, spots, said), "\n".join(body))


def listed_spots(water: Entry) -> list[tuple[str, Entry]]:
    """Low spots worth a letter: possible or better, in the order of the file."""
    worth = [s for s in water.get("low_spots", ()) if s["likelihood"] in HATCHES]
    return list(zip(string.ascii_uppercase, worth, strict=False))


def _sheet(outline: Sequence[Sequence[float]]) -> Sheet:
    """Fit an outline to the drawing."""
    us, vs = [p[0] for p in outline], [p[1] for p in outline]
    low, high = (min(us), min(vs)), (max(us), max(vs))
    return Sheet(low, high, BODY / max(high[0] - low[0], high[1] - low[1], 1e-6))


def _describe(plane: str, water: Entry, spots: Sequence[tuple[str, Entry]], said: System) -> str:
    """Put the drawing in words."""
    if not water or water.get("not_judged"):
        return f"Plan of {plane}; where water stands is not judged."
    words = [f"Plan of {plane} with contours, the way water runs, and readings."]
    for letter, spot in spots:
        depth = format_measured(read_measured(spot["depth"]), said)
        words.append(f"Low spot {letter}: {spot['likelihood']}, depth {depth}.")
    if not spots:
        words.append("No low spot is shown by these readings.")
    return " ".join(words)


def _hatches() -> str:
    """Hatch patterns for water, and dots for slope under the minimum."""
    line: dict[str, Any] = {"stroke": WATER, "stroke_width": 1.1, "fill": "none"}
    box: dict[str, Any] = {"width": 8, "height": 8, "patternUnits": "userSpaceOnUse"}
    rising, falling = "M-2 2L2 -2M0 8L8 0M6 10L10 6", "M-2 6L2 10M0 0L8 8M6 -2L10 2"
    patterns = [
        (
            "wet-shown",
            svg.element("path", d=rising, **line) + svg.element("path", d=falling, **line),
        ),
        ("wet-likely", svg.element("path", d=rising, **line)),
        ("wet-possible", svg.element("path", d=rising, stroke_dasharray="2 2", **line)),
        ("too-flat", svg.element("circle", cx=2, cy=2, r=0.8, fill="#555")),
        ("curb", svg.element("path", d="M0 0L8 8M8 0L0 8", stroke=INK, stroke_width=0.6)),
    ]
    return svg.element(
        "defs", "".join(svg.element("pattern", body, id=name, **box) for name, body in patterns)
    )


def _strips(water: Entry, sheet: Sheet) -> str:
    """Parts under the minimum slope, dotted; parts that fall to a wall, ruled."""
    field = water.get("slope_field") or {}
    parts = [
        svg.path(sheet.line(strip), closed=True, fill="url(#too-flat)", stroke="none")
        for strip in field.get("strips", ())
    ]
    parts += [
        svg.path(
            sheet.line(strip), closed=True, fill="none", stroke=INK, stroke_dasharray="8 3 2 3"
        )
        for strip in field.get("backfall_strips", ())
    ]
    return "\n".join(parts)


def _contours(water: Entry, sheet: Sheet, said: System) -> str:
    """Contours with their heights."""
    parts = []
    for number, contour in enumerate(water.get("contours", ())):
        for line in contour["lines"]:
            parts.append(svg.path(sheet.line(line), fill="none", stroke="#777", stroke_width=0.7))
        longest = max(contour["lines"], key=len, default=None)
        if longest is not None and len(longest) > 2 and number % 2 == 0:
            share = (0.12, 0.88)[number // 2 % 2]
            place = sheet.at(longest[int(share * (len(longest) - 1))])
            height = format_length(contour["height"], said)
            parts.append(svg.haloed(place, height, font_size=8.5, fill="#555", dy=3))
    return "\n".join(parts)


def _arrows(water: Entry, sheet: Sheet) -> str:
    """Short arrows of local fall."""
    parts = []
    for arrow in water.get("arrows", ()):
        tail = sheet.at(arrow["at"])
        du, dv = arrow["direction"]
        tip = (tail[0] + 13.0 * du, tail[1] - 13.0 * dv)
        parts.append(svg.path([tail, tip], stroke="#444", stroke_width=0.8, fill="none"))
        parts.append(svg.arrow_head(tip, tail, 5.0, fill="#444"))
    return "\n".join(parts)


def _paths(water: Entry, sheet: Sheet) -> str:
    """Flow paths, dashed, with a head where water leaves."""
    parts = []
    for way in water.get("flow_paths", ()):
        line = sheet.line(way["points"])
        if len(line) < 2:
            continue
        style: dict[str, Any] = {
            "stroke": WATER,
            "stroke_width": 1.0,
            "stroke_dasharray": "7 4",
            "fill": "none",
        }
        parts.append(svg.path(line, **style))
        parts.append(svg.arrow_head(line[-1], line[-2], 7.0, fill=WATER))
    return "\n".join(parts)


def _spots(spots: Sequence[tuple[str, Entry]], sheet: Sheet) -> str:
    """Low spots: hatched where likely wet, dotted round where water may reach."""
    parts = []
    for letter, spot in spots:
        if len(spot["outer_outline"]) > 2:
            parts.append(
                svg.path(
                    sheet.line(spot["outer_outline"]), closed=True, fill="none", stroke=WATER,
                    stroke_width=0.9, stroke_dasharray="1.5 3",
                )
            )  # fmt: skip
        if len(spot["outline"]) > 2:
            hatch = HATCHES[spot["likelihood"]]
            style: dict[str, Any] = {"fill": f"url(#{hatch})", "stroke": WATER, "stroke_width": 1.6}
            dash = "6 3" if spot["only_if"] else None
            parts.append(
                svg.path(sheet.line(spot["outline"]), closed=True, stroke_dasharray=dash, **style)
            )
        place = sheet.at(spot["deepest"])
        parts.append(
            svg.haloed(
                place, letter, font_size=16, font_weight="bold", text_anchor="middle", dy=6,
                fill=INK,
            )
        )  # fmt: skip
    return "\n".join(parts)


def _edges(entry: Entry, water: Entry, sheet: Sheet) -> str:
    """Outline: open edges thin and broken, dams thick, unknown ones dotted with a question mark."""
    outline = entry["outline_plane"]
    roles = water.get("edge_roles", ())
    middle = (
        sum(p[0] for p in outline) / len(outline),
        sum(p[1] for p in outline) / len(outline),
    )
    parts = []
    for i, start in enumerate(outline):
        end = outline[(i + 1) % len(outline)]
        role = roles[i]["role"] if i < len(roles) else "unknown"
        name = roles[i]["edge"] if i < len(roles) else ""
        style = {"stroke": INK, "fill": "none", **EDGE_STYLES.get(role, EDGE_STYLES["unknown"])}
        a, b = sheet.at(start), sheet.at(end)
        parts.append(svg.path([a, b], **style))
        parts.append(
            _edge_label(a, b, sheet.at(middle), f"{name}{'' if role != 'unknown' else ' ?'}")
        )
    return "\n".join(parts)


def _edge_label(a: Place, b: Place, middle: Place, words: str) -> str:
    """Name of an edge, outside of it and along it."""
    mx, my = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
    dx, dy = mx - middle[0], my - middle[1]
    length = max((dx * dx + dy * dy) ** 0.5, 1e-6)
    x, y = mx + 16.0 * dx / length, my + 16.0 * dy / length + 3.0
    upright = abs(b[0] - a[0]) < abs(b[1] - a[1])
    turn = f"rotate(-90 {svg.number(x)} {svg.number(y)})" if upright else None
    return svg.haloed((x, y), words, font_size=10, text_anchor="middle", fill=INK, transform=turn)


def _things(document: Entry, plane: str, water: Entry, sheet: Sheet) -> str:
    """Curbs, outlets and tide lines."""
    parts = []
    for curb in water.get("curbs", ()):
        line = sheet.line(curb["outline"])
        parts.append(svg.path(line, closed=True, fill="#fff", stroke=INK))
        parts.append(svg.path(line, closed=True, fill="url(#curb)", stroke=INK))
        parts.append(
            svg.haloed((line[0][0], line[0][1] - 4.0), curb["name"], font_size=9, fill=INK)
        )
    for line_entry in water.get("tide_lines", ()):
        line = sheet.line(line_entry["outline"])
        parts.append(
            svg.path(line, closed=True, fill="none", stroke=INK, stroke_dasharray="9 3 1 3 1 3")
        )
        parts.append(svg.haloed(line[0], line_entry["name"], font_size=9, fill=INK))
    for outlet in document.get("outlets", ()):
        if outlet["plane"] != plane or not outlet.get("place"):
            continue
        x, y = sheet.at(outlet["place"])
        parts.append(
            svg.element("rect", x=x - 5.0, y=y - 5.0, width=10, height=10, fill="#fff", stroke=INK,
                        stroke_width=1.6)
        )  # fmt: skip
        parts.append(svg.element("circle", cx=float(x), cy=float(y), r=2, fill=INK))
        parts.append(svg.haloed((x + 8.0, y - 6.0), outlet["name"], font_size=9, fill=INK))
    return "\n".join(parts)


def _readings(document: Entry, plane: str, water: Entry, sheet: Sheet) -> str:
    """Draw readings as crosses, places to read next as numbered circles."""
    parts = []
    for reading in document.get("field_readings", ()):
        if reading["plane"] != plane or not reading["place"]:
            continue
        x, y = sheet.at(reading["place"])
        cross = f"M{svg.number(x - 2.5)} {svg.number(y)}h5M{svg.number(x)} {svg.number(y - 2.5)}v5"
        parts.append(svg.element("path", d=cross, stroke=INK, stroke_width=0.8))
    for number, reading in enumerate(water.get("next_readings", ()), start=1):
        x, y = sheet.at(reading["place"])
        parts.append(
            svg.element("circle", cx=float(x), cy=float(y), r=7.5, fill="#fff", stroke=INK,
                        stroke_width=1.4)
        )  # fmt: skip
        parts.append(
            svg.text((x, y), str(number), font_size=10, font_weight="bold", text_anchor="middle",
                     dy=3.5, fill=INK)
        )  # fmt: skip
    return "\n".join(parts)


def _scale_bar(sheet: Sheet, said: System) -> str:
    """Draw a bar of a round length under the plane."""
    unit = 0.3048 if said == "us" else 1.0
    longest = sheet.width / sheet.scale / 2
    count = max((n for n in (1, 2, 5, 10, 20, 50) if n * unit <= longest), default=1)
    x, y = MARGIN, TITLE + MARGIN + sheet.height + 40.0
    run = count * unit * sheet.scale
    words = f"{count} {'ft' if said == 'us' else 'm'}"
    bar = svg.path([(x, y - 4), (x, y), (x + run, y), (x + run, y - 4)], stroke=INK, fill="none")
    return bar + svg.text((x + run + 6.0, y), words, fill=INK)
