"""The key beside a drainage drawing: low spots in words, where to read next, what each line is."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from survey.outputs import svg
from survey.outputs.svg import Place
from survey.planefile import read_measured
from survey.units import System, format_length, format_measured

Entry = Mapping[str, Any]

LINE = 14.0
ROUND_TO = 0.0508  # m, 2 in: places to read next are told to the inch
CHARACTERS = 50  # that fit the key's width at its type size
INK, WATER = "#111", "#123f7a"


def key_lines(
    water: Entry, spots: Sequence[tuple[str, Entry]], said: System
) -> list[tuple[str, bool]]:
    """Lines of the key's text, each with whether it is bold."""
    if not water:
        return [("drainage was not asked for", False)]
    if water.get("not_judged"):
        return _wrapped(f"not judged: {water['not_judged']}")
    lines: list[tuple[str, bool]] = []
    for letter, spot in spots:
        lines.append((f"{letter}  {spot['likelihood']} ({100 * spot['probability']:.0f} %)", True))
        for word, key in (("depth", "depth"), ("area", "area"), ("water", "weight")):
            lines += _wrapped(f"{word} {format_measured(read_measured(spot[key]), said)}")
        lines += _wrapped(f"spills towards {spot['drains_to']}")
        if spot["outlet"]:
            lines += _wrapped(f"outlet {spot['outlet']} is in it")
        if spot["only_if"]:
            lines += _wrapped(f"only if {spot['only_if']}")
    if not spots:
        lines.append(("no low spot is shown by these readings", True))
    smallest = read_measured(water["smallest_findable"])
    lines += _wrapped(f"smallest pond sure to show: {format_measured(smallest, said)}")
    if water.get("next_readings"):
        lines.append(("read next, from the outline's first corner", True))
        for number, place in enumerate(water["next_readings"], start=1):
            along, up = (
                format_length(place[k], said, half_width=ROUND_TO) for k in ("along", "up")
            )
            lines.append((f"{number}  along {along}, up {up}", False))
    return lines


def _wrapped(words: str) -> list[tuple[str, bool]]:
    return [(line, False) for line in textwrap.wrap(words, CHARACTERS)]


def key_height(water: Entry, spots: Sequence[tuple[str, Entry]], said: System) -> float:
    """Height that the key takes, px."""
    return 86.0 + LINE * (len(key_lines(water, spots, said)) + 1) + 15.0 * len(SIGNS) + 30.0


def draw_key(
    water: Entry,
    spots: Sequence[tuple[str, Entry]],
    document: Entry,
    at: Place,
    width: float,
    said: System,
) -> str:
    """Draw the key at a place."""
    parts = []
    x, y = at
    for words, bold in key_lines(water, spots, said):
        weight = "bold" if bold else None
        parts.append(svg.text((x, y), words, font_weight=weight, fill=INK))
        y += LINE
    y += LINE
    for sign, words in SIGNS:
        parts.append(_sign(sign, (x, y - 4.0)))
        parts.append(svg.text((x + 44.0, y), words, font_size=10, fill=INK))
        y += 15.0
    return "\n".join(parts)


SIGNS = (
    ("open", "open edge: water leaves"),
    ("dam", "wall or parapet: holds water back"),
    ("unknown", "not known whether it drains"),
    ("shown", "low spot, shown (cross-hatched)"),
    ("likely", "likely (hatched)"),
    ("possible", "possible (broken hatch)"),
    ("outer", "water may reach this far"),
    ("contour", "contour, height over the lowest point"),
    ("flow", "way water runs"),
    ("flat", "under the minimum slope"),
    ("back", "falls towards a wall"),
    ("reading", "reading"),
    ("next", "read here next"),
)


def _sign(sign: str, at: Place) -> str:
    """One sample of a line or hatch."""
    x, y = at
    ends = [(x, y), (x + 36.0, y)]
    box: dict[str, Any] = {"x": x, "y": y - 5.0, "width": 36, "height": 10}
    match sign:
        case "open":
            return svg.path(ends, stroke=INK, stroke_width=1.4, stroke_dasharray="10 5")
        case "dam":
            return svg.path(ends, stroke=INK, stroke_width=4.0)
        case "unknown":
            return svg.path(ends, stroke=INK, stroke_width=2.2, stroke_dasharray="2 4")
        case "shown" | "likely" | "possible":
            return svg.element("rect", fill=f"url(#wet-{sign})", stroke=WATER, **box)
        case "outer":
            return svg.path(ends, stroke=WATER, stroke_width=0.9, stroke_dasharray="1.5 3")
        case "contour":
            return svg.path(ends, stroke="#777", stroke_width=0.7)
        case "flow":
            line = svg.path(ends, stroke=WATER, stroke_dasharray="7 4")
            return line + svg.arrow_head(ends[1], ends[0], 7.0, fill=WATER)
        case "flat":
            return svg.element("rect", fill="url(#too-flat)", stroke="none", **box)
        case "back":
            return svg.path(ends, stroke=INK, stroke_dasharray="8 3 2 3")
        case "reading":
            cross = f"M{svg.number(x + 15.5)} {svg.number(y)}h5"
            cross += f"M{svg.number(x + 18.0)} {svg.number(y - 2.5)}v5"
            return svg.element("path", d=cross, stroke=INK, stroke_width=0.8)
        case _:
            return svg.element(
                "circle", cx=x + 18.0, cy=float(y), r=6, fill="#fff", stroke=INK, stroke_width=1.4
            )
