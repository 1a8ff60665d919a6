"""What a plane file says of water on one plane, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from survey.figures import Figure
from survey.planefile.lines import counted, wrapped
from survey.planefile.show_figures import show_distance, show_measured, show_place, show_share
from survey.planefile.values import read_measured
from survey.rules.wording import limit_slope, say_between, scaled, system_of
from survey.units import format_length

Entry = Mapping[str, Any]
MOST_NEXT = 3  # places for the next reading that are named; the file holds all
NOT_SHOWN = "not shown by these readings"


def show_water(drainage: Entry, units: str) -> list[str]:
    """Return lines on low spots, slope field, outlets, and what would help or mend."""
    return [line for text in _sentences(drainage, units) for line in wrapped(text, 4, 6)]


def _sentences(drainage: Entry, units: str) -> Iterator[str]:
    if drainage["not_judged"]:
        yield f"not judged: {drainage['not_judged']}"
        return
    if drainage["leaves_by"]:
        yield f"leaves by {', '.join(drainage['leaves_by'])}"
    spots = [spot for spot in drainage["low_spots"] if spot["likelihood"] != NOT_SHOWN]
    yield from (describe_low_spot(spot, units) for spot in spots)
    told = [note for note in drainage["notes"] if "low spot" in note or "pond" in note]
    if not spots:  # the drainage stage may have said itself what the readings could have shown
        yield from told or [_nothing_found(drainage, units)]
    field = drainage["slope_field"]
    if field is not None:
        yield from _field_sentences(field, units)
    for outlet in drainage["outlets"]:
        height = read_measured(outlet["above_low_point"])
        if isinstance(height, Figure):
            yield f"'{outlet['name']}' is {show_measured(height, units)} above the low point by it"
    yield from _remedies(drainage, units)
    places = [
        show_place((reading["along"], reading["up"]), units)
        for reading in drainage["next_readings"][:MOST_NEXT]
    ]
    if places:
        yield f"one more rod reading would help most {', then '.join(places)}"
    yield from (f"({note})" for note in drainage["notes"] if spots or note not in told)


def describe_low_spot(spot: Entry, units: str) -> str:
    """Return a low spot in words: how sure, how deep, how large, how heavy, where it goes."""
    sure = f"{spot['likelihood']} ({100 * spot['probability']:.0f} %)"
    if spot["only_if"]:
        sure += f", only if {spot['only_if']}"
    parts = [f"{spot['name']}: standing water {sure}"]
    depth, area = read_measured(spot["depth"]), read_measured(spot["area"])
    if isinstance(depth, Figure):
        parts.append(f"{say_between(depth, spot['depth_interval'], units)} deep")
    if isinstance(area, Figure):
        parts.append(f"{say_between(area, spot['area_interval'], units)} in area")
    weight, load = read_measured(spot["weight"]), read_measured(spot["load"])
    if isinstance(weight, Figure) and isinstance(load, Figure):
        heavy = scaled(spot["volume_interval"], weight, read_measured(spot["volume"]))
        deep = scaled(spot["depth_interval"], load, depth)
        parts.append(
            f"{say_between(weight, heavy, units)} of water, "
            f"{say_between(load, deep, units)} at its deepest"
        )
    if spot["deepest"] is not None:
        parts.append(f"deepest {show_place(spot['deepest'], units)}")
    if spot["drains_to"]:
        parts.append(f"spills to {spot['drains_to']}")
    parts.append(f"outlet '{spot['outlet']}' is in it" if spot["outlet"] else "no outlet in it")
    return "; ".join(parts)


def _nothing_found(drainage: Entry, units: str) -> str:
    count = counted(drainage["reading_count"], "reading")
    smallest = read_measured(drainage["smallest_findable"])
    if isinstance(smallest, Figure):
        least = format_length(smallest.value, system_of(units), half_width=smallest.half_width)
        return (
            f"no low spot is shown by {count}; they could have shown one {least} across, not a "
            "smaller one"
        )
    return f"low spots are not shown by these readings ({smallest.why}); {smallest.cure}"


def _field_sentences(field: Entry, units: str) -> Iterator[str]:
    under, back = read_measured(field["share_under"]), read_measured(field["backfall_share"])
    if field["minimum"] is not None and isinstance(under, Figure):
        share = show_share(under)
        yield f"{share} of it falls less than {limit_slope(field['minimum'], units)}"
    if isinstance(back, Figure) and back.value > 0.005:
        yield f"{show_share(back)} of it falls towards a wall or dam"


def _remedies(drainage: Entry, units: str) -> Iterator[str]:
    """Yield what would mend it: figures for a quote, not a design."""
    taper = drainage["taper"]
    if taper is not None:
        volume, thickest = read_measured(taper["volume"]), read_measured(taper["thickest"])
        if isinstance(volume, Figure) and isinstance(thickest, Figure):
            yield (
                f"fill to bring it to {limit_slope(taper['fall'], units)} towards "
                f"{taper['towards']}: {show_measured(volume, units)}, "
                f"{show_measured(thickest, units)} at its thickest (figures, not a design)"
            )
    for saddle in drainage["saddles"]:
        height = read_measured(saddle["height"])
        if saddle["present"] or not isinstance(height, Figure):
            continue
        yield (
            f"saddle behind '{saddle['behind']}': {show_distance(saddle['width'], units)} wide, "
            f"{show_distance(saddle['length'], units)} long, {show_measured(height, units)} high "
            "(figures, not a design)"
        )
