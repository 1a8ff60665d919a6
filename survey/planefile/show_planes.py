"""One plane of a plane file as an estimator reads it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from survey.figures import Figure, Measured
from survey.planefile.lines import counted, labelled, table, wrapped
from survey.planefile.show_figures import show_area, show_measured, show_place
from survey.planefile.show_water import show_water
from survey.planefile.values import read_measured
from survey.rules import Verdict, name_of
from survey.rules.wording import plain_length, system_of
from survey.units import format_length, format_measured

Entry = Mapping[str, Any]
FLAT = 0.0004  # m: under 1/64 in nothing is said of flatness
LEVEL = 1e-3  # m/m: an edge that rises less than this beyond doubt is called level

HEADINGS = {
    Verdict.ALLOWED: "allowed",
    Verdict.DOUBTFUL: "doubtful",
    Verdict.CHECK_DRAINAGE: "check drainage",
    Verdict.FORBIDDEN: "not at this pitch",
    Verdict.NOT_OBSERVED: "not observed",
}


def show_plane(plane: Entry, document: Entry, units: str) -> list[str]:
    """Return a plane's lines: figures, edges, coverings, water, openings."""
    lines = wrapped(f"PLANE {plane['name']} ({plane['kind']})")
    lines += _show_figures(plane, document, units)
    lines += ["", "  Edges", *_show_edges(plane, document, units)]
    if plane["coverings"] is not None:
        lines += ["", "  Coverings, by its pitch", *_show_coverings(plane["coverings"])]
    if plane["drainage"] is not None:
        lines += ["", "  Water", *show_water(plane["drainage"], units)]
    openings = _show_openings(plane["name"], document, units)
    if openings:
        lines += ["", "  Outlets and penetrations", *openings]
    traced = _show_traced(plane["name"], document, units)
    if traced:
        lines += ["", "  Traced in photos", *traced]
    return lines


def _show_traced(plane: str, document: Entry, units: str) -> list[str]:
    rows = []
    for outline in document["outlines"]:
        if outline["plane"] == plane:
            area = show_measured(read_measured(outline["area"]), units)
            rows.append((outline["name"], outline["purpose"], f"{area}; in {outline['photo']}"))
    return table(rows)


def _show_figures(plane: Entry, document: Entry, units: str) -> list[str]:
    lines = []
    if plane["kind"] == "roof":
        lines += labelled("pitch", show_measured(read_measured(plane["pitch"]), units))
        towards = falls_towards(plane, document)
        lines += labelled("falls", f"towards {towards}") if towards else []
    lines += labelled("area", show_area(read_measured(plane["area"]), units))
    if plane["kind"] == "roof":
        lines += labelled("seen in plan", show_area(read_measured(plane["plan_area"]), units))
    fit = plane["fit"]
    rms = read_measured(fit["rms"])
    if isinstance(rms, Figure):
        points = counted(fit["points"], "point")
        depth = format_length(rms.value, system_of(units))
        flat = "lie in it" if rms.value < FLAT else f"lie within {depth} of it (rms)"
        lines += labelled("flatness", f"{points} {flat}")
    for off in fit["off_plane"]:
        distance = format_length(off["distance"], system_of(units))
        lines += labelled("", f"'{off['point']}' lies {distance} off it")
    if plane["kind"] == "wall":
        return lines
    lines += labelled("deck", _deck(plane["deck"], units))
    on = plane["coverings_on"]
    existing = plane["existing_covering"]
    if existing or on is not None:
        number = "" if on is None else f"{counted(on, 'covering')}"
        kind = name_of(existing) if existing else "kind not told"
        lines += labelled("on it now", ", ".join(filter(None, (kind, number))))
    return lines


def _deck(deck: Entry, units: str) -> str:
    thickness = deck["thickness"]
    parts = [
        deck["kind"] or "kind not told",
        "thickness not told" if thickness is None else plain_length(thickness, units),
        f"condition as seen: {deck['condition']}" if deck["condition"] else "condition not told",
    ]
    return ", ".join(parts)


def falls_towards(plane: Entry, document: Entry) -> str:
    """Return the edge that water runs towards, in words, or an empty text."""
    corners, gradient = plane["outline_site"], plane["gradient"]
    if corners is None or gradient is None or len(corners) < 3:
        return ""
    down = -np.array(gradient["value"])
    steep = float(np.hypot(*down))
    spread = float(np.sqrt(np.trace(np.array(gradient["covariance"]))))
    if steep <= 2 * spread or steep == 0.0:
        return "no side beyond doubt: it is too near level"
    plan = np.array(corners)[:, :2]
    middles = (plan + np.roll(plan, -1, axis=0)) / 2
    reach = (middles - plan.mean(axis=0)) @ down
    side = int(np.argmax(reach))
    ends = {plane["outline"][side], plane["outline"][(side + 1) % len(plan)]}
    for edge in document["edges"]:
        if {edge["start"], edge["end"]} == ends:
            return f"'{edge['name']}' ({edge['kind']})"
    return "the edge from '{}' to '{}'".format(*sorted(ends))


def _show_edges(plane: Entry, document: Entry, units: str) -> list[str]:
    by_name = {edge["name"]: edge for edge in document["edges"]}
    rows = []
    for name in plane["edges"]:
        edge = by_name[name]
        beyond = [f"meets {edge['meets']}"] if edge["meets"] else []
        others = [other for other in edge["planes"] if other != plane["name"]]
        beyond += [f"shared with '{other}'" for other in others]
        length = show_measured(read_measured(edge["length"]), units)
        slope = _edge_slope(read_measured(edge["slope"]), units)
        rows.append((name, edge["kind"], length, "; ".join(filter(None, (slope, *beyond)))))
    return table(rows) or ["    none named"]


def _edge_slope(slope: Measured, units: str) -> str:
    if not isinstance(slope, Figure):
        return ""
    if slope.value + slope.half_width < LEVEL or slope.value <= slope.half_width:
        return "level"
    return f"rises {format_measured(slope, system_of(units))}"


def _show_coverings(coverings: Entry) -> list[str]:
    lines = []
    if coverings["intended"]:
        chosen = next(f for f in coverings["families"] if f["covering"] == coverings["intended"])
        lines += wrapped(f"going on: {chosen['sentence']}", 4, 6)
        if chosen["underlayment"]:
            lines += wrapped(chosen["underlayment"], 6)
    for verdict, heading in HEADINGS.items():
        names = [
            name_of(f["covering"]) for f in coverings["families"] if f["verdict"] == verdict.value
        ]
        if names:
            lines += wrapped(f"{heading}: {', '.join(names)}", 4, 6)
    for note in coverings["notes"]:
        lines += wrapped(f"({note})", 4, 5)
    return lines


def show_falls(plane: Entry) -> list[str]:
    """Return how a plane's pitch stands to falls asked for outside the US codes."""
    coverings = plane["coverings"]
    if coverings is None:
        return []
    return [line for fall in coverings["falls"] for line in wrapped(fall["sentence"], 4, 6)]


def _show_openings(plane: str, document: Entry, units: str) -> list[str]:
    rows: list[Sequence[str]] = []
    for outlet in document["outlets"]:
        if outlet["plane"] == plane:
            width = outlet["written"]["width"]
            size = "size not told" if width is None else f"{plain_length(width, units)} wide"
            rows.append((outlet["name"], outlet["kind"], f"{size}; {_where(outlet, units)}"))
    for thing in document["penetrations"]:
        if thing["plane"] == plane:
            rows.append((thing["name"], thing["kind"], _opening(thing, units)))
    return table(rows)


def _opening(thing: Entry, units: str) -> str:
    width, length = read_measured(thing["width"]), read_measured(thing["length"])
    if isinstance(width, Figure) and isinstance(length, Figure):
        size = f"{show_measured(width, units)} across, {show_measured(length, units)} up the slope"
    else:
        written = thing["written"]
        told = [
            plain_length(value, units)
            for value in (written["width"], written["length"])
            if value is not None
        ]
        size = f"{' x '.join(told)} as written down" if told else "size not told"
    height = thing["written"]["height"]
    parts = [size, "" if height is None else f"{plain_length(height, units)} high"]
    if thing["saddle"] is not None:
        parts.append("saddle behind it" if thing["saddle"] else "no saddle")
    return "; ".join(filter(None, (*parts, _where(thing, units))))


def _where(thing: Entry, units: str) -> str:
    place = thing["place"]
    if place is None:
        edge = thing.get("edge")
        return f"along '{edge}'" if edge else "place not known"
    return show_place(place, units)
