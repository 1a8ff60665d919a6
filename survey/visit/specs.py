"""What each table of visit.toml may hold, turned into the values of `survey.visit.model`."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TypeVar

from survey.errors import InputError
from survey.units import parse_length
from survey.visit.model import (
    COVERING_FAMILIES,
    EXISTING_COVERINGS,
    MEETS,
    CalibrationRef,
    Conditions,
    Deck,
    Edge,
    EdgeKind,
    FixedPoint,
    OutletKind,
    OutletSpec,
    PenetrationSpec,
    PlaneKind,
    PlaneSpec,
    Setup,
    StepSpec,
    StringSpec,
)
from survey.visit.problems import shown
from survey.visit.tables import Table, default_of, value_or

LONGEST_SITE = 100.0  # m; no tape measures farther
MOST_PLIES = 6
MOST_COVERINGS = 6
Kind = TypeVar("Kind", bound=StrEnum)


def conditions_from(table: Table) -> Conditions:
    """Read ``[conditions]``: what the day was like."""
    conditions = Conditions(
        weather=table.text("weather"),
        temperature=table.temperature("temperature"),
        wind=table.text("wind"),
        last_rain=table.text("last_rain"),
    )
    table.finish()
    return conditions


def plane_from(table: Table) -> PlaneSpec:
    """Read one ``[[plane]]``."""
    outline = table.names("outline", least=3)
    repeated = sorted({name for name in outline if outline.count(name) > 1})
    if repeated:
        table.wrong(
            f"outline names {', '.join(repeated)} more than once",
            "name each corner once, in order; the outline closes by itself",
            "outline",
        )
    plane = PlaneSpec(
        name=table.name(),
        kind=_kind(table, PlaneKind, PlaneKind.ROOF),
        outline=outline,
        points=table.names("points"),
        deck=_deck(table),
        covering=table.choice("covering", COVERING_FAMILIES),
        plies=table.count("plies", 1, MOST_PLIES),
        existing_covering=table.choice("existing_covering", EXISTING_COVERINGS),
        coverings_on=table.count("coverings_on", 0, MOST_COVERINGS),
        ventilation=table.text("ventilation"),
        flatness_sd=value_or(
            table.length("flatness_sd", 0.0001, 0.1), default_of(PlaneSpec, "flatness_sd")
        ),
        sag_sd=value_or(table.length("sag_sd", 0.0001, 0.3), default_of(PlaneSpec, "sag_sd")),
    )
    table.finish()
    return plane


def edge_from(table: Table) -> Edge:
    """Read one ``[[edge]]``; its name is "A-B" unless it is given another."""
    between = table.names("between", least=2, most=2)
    start, end = between if len(between) == 2 else ("", "")
    if start and start == end:
        table.wrong(f"between names {start} twice", "name the edge's two ends", "between")
    edge = Edge(
        name=table.optional_name("name") or f"{start}-{end}",
        start=start,
        end=end,
        kind=_kind(table, EdgeKind, EdgeKind.UNKNOWN),
        meets=table.choice("meets", MEETS),
        drains=table.flag("drains"),
        dam_height=table.length("dam_height", 0.0, 5.0),
        level=table.flag("level"),
        plumb=table.flag("plumb"),
        offset=table.length("offset", -5.0, 5.0),
        offset_sd=value_or(table.length("offset_sd", 0.0001, 1.0), default_of(Edge, "offset_sd")),
        offset_from=table.optional_name("offset_from"),
        marked_as=table.text("marked_as"),
        square_to=table.optional_name("square_to"),
        parallel_to=table.optional_name("parallel_to"),
    )
    if edge.offset is not None and edge.offset_from is None:
        table.wrong(
            "offset does not say what it counts from",
            'add offset_from = "..." with the name of the target or plane',
            "offset",
        )
    if edge.level and edge.plumb:
        table.wrong("an edge can't be both level and plumb", "keep one of the two", "plumb")
    table.finish()
    return edge


def outlet_from(table: Table) -> OutletSpec:
    """Read one ``[[outlet]]``, placed by point, by tape on a plane, or along an edge."""
    outlet = OutletSpec(
        name=table.name(),
        kind=_kind(table, OutletKind, OutletKind.DRAIN),
        plane=table.optional_name("plane"),
        at=table.optional_name("at"),
        edge=table.optional_name("edge"),
        along=table.length("along", -LONGEST_SITE, LONGEST_SITE),
        up=table.length("up", -LONGEST_SITE, LONGEST_SITE),
        invert=table.length("invert", -1.0, 2.0),
        width=table.length("width", 0.005, 5.0),
        height=table.length("height", 0.005, 2.0),
    )
    if "kind" not in table.values:
        kinds = ", ".join(f'"{one.value}"' for one in OutletKind)
        table.wrong(f"[[outlet]] {outlet.name} has no kind", f"add kind = one of {kinds}")
    in_edge = outlet.edge is not None and not table.has("up")
    by_tape = not in_edge and _placed_by_tape(table, outlet.along, outlet.up, outlet.plane)
    if not (by_tape or outlet.at or outlet.edge):
        table.wrong(
            f"nothing says where outlet {outlet.name} is",
            'add at = "POINT", or plane, along and up, or edge = "A-B"',
        )
    table.finish()
    return outlet


def penetration_from(table: Table) -> PenetrationSpec:
    """Read one ``[[penetration]]``, placed by corners, by a point, or by tape on a plane."""
    penetration = PenetrationSpec(
        name=table.name(),
        kind=table.text("kind") or "unknown",
        plane=table.optional_name("plane"),
        outline=table.names("outline") if not table.has("outline") else table.names("outline", 3),
        at=table.optional_name("at"),
        along=table.length("along", -LONGEST_SITE, LONGEST_SITE),
        up=table.length("up", -LONGEST_SITE, LONGEST_SITE),
        width=table.length("width", 0.005, 30.0),
        length=table.length("length", 0.005, 30.0),
        height=table.length("height", 0.0, 10.0),
        saddle=table.flag("saddle"),
    )
    by_tape = _placed_by_tape(table, penetration.along, penetration.up, penetration.plane)
    if not (by_tape or penetration.at or penetration.outline):
        table.wrong(
            f"nothing says where penetration {penetration.name} is",
            'add outline = ["A", "B", "C", ...], or at = "POINT", or plane, along and up',
        )
    table.finish()
    return penetration


def step_from(table: Table) -> StepSpec:
    """Read one ``[[step]]``: a line across which the surface steps, by points or by tape."""
    between = table.names("between", least=2, most=2) if table.has("between") else ()
    if len(between) == 2 and between[0] == between[1]:
        table.wrong(f"between names {between[0]} twice", "name the line's two ends", "between")
    plane = table.optional_name("plane")
    if plane is None:
        table.wrong("[[step]] has no plane", 'add plane = "..."')
    along, up = _two_lengths(table, "along"), _two_lengths(table, "up")
    if not between and (along is None or up is None):
        table.wrong(
            "nothing says where the step runs",
            'add between = ["P", "Q"], or along = ["0", "20 ft"] and up = ["8 ft", "8 ft"]',
        )
    elif along is not None and up is not None and along[0] == along[1] and up[0] == up[1]:
        table.wrong("both ends of the step are one place", "give two places", "along")
    step = StepSpec(
        plane=plane or "",
        start=between[0] if len(between) == 2 else None,
        end=between[1] if len(between) == 2 else None,
        along=along,
        up=up,
    )
    table.finish()
    return step


def string_from(table: Table) -> StringSpec:
    """Read one ``[[string]]``: a taut string from which offsets are measured down to the roof."""
    between = table.names("between", least=2, most=2)
    if len(between) == 2 and between[0] == between[1]:
        table.wrong(f"between names {between[0]} twice", "name the string's two ends", "between")
    plane = table.optional_name("plane")
    if plane is None:
        table.wrong("[[string]] has no plane", 'add plane = "..."')
    heights = _two_lengths(table, "heights") or (0.0, 0.0)
    if not table.has("heights"):
        table.wrong(
            "[[string]] does not say how high its ends are above the roof",
            'add heights = ["2 in", "2 in"], or 0 for an end held down on the roof',
        )
    string = StringSpec(
        name=table.name(),
        plane=plane or "",
        start=between[0] if len(between) == 2 else "",
        end=between[1] if len(between) == 2 else "",
        start_height=heights[0],
        end_height=heights[1],
        end_sd=value_or(table.length("heights_sd", 1e-5, 0.1), default_of(StringSpec, "end_sd")),
        sag=value_or(table.length("sag", 0.0, 0.5), 0.0),
        sag_sd=value_or(table.length("sag_sd", 1e-5, 0.1), default_of(StringSpec, "sag_sd")),
    )
    table.finish()
    return string


def _two_lengths(table: Table, key: str) -> tuple[float, float] | None:
    """Return the lengths at both ends of a line, or None when the key is absent or unfit."""
    table.asked.add(key)
    value = table.values.get(key)
    if value is None or value == "unknown":
        return None
    if not isinstance(value, list) or len(value) != 2:
        table.wrong(
            f"{key} is {shown(value)}, not two lengths", f'write {key} = ["0", "20 ft"]', key
        )
        return None
    both = []
    for item in value:
        try:
            both.append(0.0 if item == 0 else parse_length(item if isinstance(item, str) else ""))
        except InputError as error:
            what = error.what if isinstance(item, str) else f"{shown(item)} has no unit"
            table.wrong(what, error.cure, key)
            return None
    if max(abs(length) for length in both) > LONGEST_SITE:
        table.wrong(f"{key} is farther than any tape", "check the unit and the decimal point", key)
    return both[0], both[1]


def benchmark_from(table: Table) -> FixedPoint:
    """Read one ``[[benchmark]]``: a point whose elevation is known."""
    elevation = table.length("elevation", -10_000.0, 10_000.0)
    if elevation is None:
        if not table.has("elevation"):
            table.wrong("[[benchmark]] has no elevation", 'add elevation = "100.00 ft"')
        elevation = 0.0
    benchmark = FixedPoint(
        name=table.name(), elevation=elevation, sd=value_or(table.length("sd", 0.0, 1.0), 0.0)
    )
    table.finish()
    return benchmark


def setup_from(table: Table) -> Setup:
    """Read one ``[[setup]]`` of a level, laser or water level."""
    setup = Setup(
        name=table.name(),
        instrument=table.text("instrument"),
        rod_sd=value_or(table.length("rod_sd", 0.00005, 0.1), default_of(Setup, "rod_sd")),
        rod_length=table.length("rod_length", 0.1, 10.0),
    )
    table.finish()
    return setup


def calibration_from(table: Table) -> CalibrationRef:
    """Read one ``[[calibration]]``: the file, and the camera it belongs to."""
    file = table.text("file")
    if file is None:
        if "file" not in table.values:
            table.wrong("[[calibration]] has no file", 'add file = "phone.camera.json"')
    elif re.match(r"[/\\]|[A-Za-z]:|.*\.\.([/\\]|$)", file):
        table.wrong(
            f'calibration file "{file}" lies outside the visit folder',
            "copy it into the folder and write its name",
            "file",
        )
    calibration = CalibrationRef(
        file=file or "", model=table.text("model"), lens=table.text("lens")
    )
    table.finish()
    return calibration


def _deck(table: Table) -> Deck:
    deck_table = table.table("deck", "deck")
    if deck_table is None:
        return Deck()
    deck = Deck(
        kind=deck_table.text("kind"),
        thickness=deck_table.length("thickness", 0.0, 1.0),
        condition=deck_table.text("condition"),
    )
    deck_table.finish()
    return deck


def _kind(table: Table, kinds: type[Kind], default: Kind) -> Kind:
    """Return the kind by its written word; the default where the key is absent or unfit."""
    word = table.choice("kind", [one.value for one in kinds])
    return kinds(word) if word is not None else default


def _placed_by_tape(table: Table, along: float | None, up: float | None, plane: str | None) -> bool:
    """Whether along, up and plane are all there; some but not all of along and up is a problem."""
    if (along is None) != (up is None) and table.has("along") != table.has("up"):
        table.wrong("along and up go together", "add the other one, from the same corner")
    if table.has("along") and table.has("up"):
        if plane is None:
            table.wrong("along and up need the plane they count on", 'add plane = "..."')
        return True
    return False
