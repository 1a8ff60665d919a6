"""The part of a plane file that speaks of water on one roof plane."""

from __future__ import annotations

from collections.abc import Sequence

from survey.drainage.model import (
    BlockedOutlets,
    Contour,
    FallArrow,
    LowSpot,
    NestedLow,
    NextReading,
    PlaneDrainage,
    Saddle,
    SlopeField,
    Taper,
)
from survey.planefile.values import (
    Json,
    drawn,
    number,
    number_or_null,
    vector,
    write_measured,
)


def write_drainage(water: PlaneDrainage) -> Json:
    """Return everything said of water on a plane; lines that are only drawn to the millimetre."""
    return {
        "not_judged": water.not_judged,
        "low_spots": [_write_low_spot(spot) for spot in water.low_spots],
        "slope_field": None if water.slope_field is None else _write_field(water.slope_field),
        "leaves_by": list(water.leaves_by),
        "edge_roles": [{"edge": edge, "role": role} for edge, role in water.edge_roles],
        "smallest_findable": write_measured(water.smallest_findable),
        "reading_spacing": number_or_null(water.reading_spacing),
        "reading_count": water.reading_count,
        "valleys": [
            {
                "edge": valley.edge,
                "fall": write_measured(valley.fall),
                "minimum": number_or_null(valley.minimum, "m/m"),
            }
            for valley in water.valleys
        ],
        "outlets": [
            {
                "name": outlet.name,
                "kind": outlet.kind,
                "above_low_point": write_measured(outlet.above_low_point),
            }
            for outlet in water.outlets
        ],
        "blocked": None if water.blocked is None else _write_blocked(water.blocked),
        "tide_lines": [
            {
                "name": line.name,
                "outline": drawn(line.outline),
                "level_above": write_measured(line.level_above),
                "agrees": line.agrees,
            }
            for line in water.tide_lines
        ],
        "next_readings": [_write_next(reading) for reading in water.next_readings],
        "taper": None if water.taper is None else _write_taper(water.taper),
        "saddles": [_write_saddle(saddle) for saddle in water.saddles],
        "curbs": [{"name": name, "outline": drawn(ring)} for name, ring in water.curbs],
        "flow_paths": [{"to": path.to, "points": drawn(path.points)} for path in water.flow_paths],
        "arrows": _write_arrows(water.arrows),
        "contours": _write_contours(water.contours),
        "notes": list(water.notes),
    }


def _write_low_spot(spot: LowSpot) -> Json:
    return {
        "name": spot.name,
        "likelihood": spot.likelihood.value,
        "probability": number(spot.probability, "1"),
        "outline": drawn(spot.outline),
        "outer_outline": drawn(spot.outer_outline),
        "sure_outline": [] if spot.sure_outline is None else drawn(spot.sure_outline),
        "deepest": vector(spot.deepest),
        "spill": vector(spot.spill),
        "depth": write_measured(spot.depth),
        "area": write_measured(spot.area),
        "volume": write_measured(spot.volume),
        "weight": write_measured(spot.weight),
        "load": write_measured(spot.load),
        "drains_to": spot.drains_to,
        "outlet": spot.outlet,
        "only_if": spot.only_if,
        "depth_range": _interval(spot.depth_range, "m"),
        "depth_interval": _interval(spot.depth_interval, "m"),
        "area_interval": _interval(spot.area_interval, "m2"),
        "volume_interval": _interval(spot.volume_interval, "m3"),
        "stages": [] if spot.stages is None else _write_stages(spot),
        "fills_at_rain": number_or_null(spot.fills_at_rain),
        "nested": [_write_nested(low) for low in spot.nested],
        "observed_by": list(spot.observed_by),
    }


def _write_stages(spot: LowSpot) -> list[Json]:
    """Return depth, area and volume as a low spot fills, of a typical surface."""
    assert spot.stages is not None
    return [
        {
            "depth": number(float(depth)),
            "area": number(float(area), "m2"),
            "volume": number(float(volume), "m3"),
        }
        for depth, area, volume in spot.stages
    ]


def _write_nested(low: NestedLow) -> Json:
    return {
        "deepest": vector(low.deepest),
        "depth": number(low.depth),
        "area": number(low.area, "m2"),
        "volume": number(low.volume, "m3"),
    }


def _interval(interval: tuple[float, float] | None, unit: str) -> list[float] | None:
    """Return both ends of an interval, or None."""
    return None if interval is None else vector(interval, unit)


def _write_field(field: SlopeField) -> Json:
    return {
        "minimum": number_or_null(field.minimum, "m/m"),
        "share_under": write_measured(field.share_under),
        "strips": [drawn(strip) for strip in field.strips],
        "backfall_share": write_measured(field.backfall_share),
        "backfall_strips": [drawn(strip) for strip in field.backfall_strips],
    }


def _write_blocked(blocked: BlockedOutlets) -> Json:
    return {
        "blocked": list(blocked.blocked),
        "spills_over": blocked.spills_over,
        "depth": write_measured(blocked.depth),
        "load": write_measured(blocked.load),
        "area": write_measured(blocked.area),
        "volume": write_measured(blocked.volume),
    }


def _write_next(reading: NextReading) -> Json:
    return {
        "place": vector(reading.at),
        "along": number(reading.along),
        "up": number(reading.up),
        "gain": number(reading.gain, "1"),
    }


def _write_taper(taper: Taper) -> Json:
    return {
        "towards": taper.towards,
        "fall": number(taper.fall, "m/m"),
        "volume": write_measured(taper.volume),
        "thickest": write_measured(taper.thickest),
        "low_end": write_measured(taper.low_end),
        "high_end": write_measured(taper.high_end),
    }


def _write_saddle(saddle: Saddle) -> Json:
    return {
        "behind": saddle.behind,
        "width": number(saddle.width),
        "length": number(saddle.length),
        "height": write_measured(saddle.height),
        "volume": write_measured(saddle.volume),
        "valley_fall": write_measured(saddle.valley_fall),
        "present": saddle.present,
    }


def _write_arrows(arrows: Sequence[FallArrow]) -> list[Json]:
    return [
        {
            "at": drawn(arrow.at)[0],
            "direction": vector(arrow.direction, "1"),
            "fall": number(arrow.fall, "m/m"),
        }
        for arrow in arrows
    ]


def _write_contours(contours: Sequence[Contour]) -> list[Json]:
    return [
        {"height": number(contour.height), "lines": [drawn(line) for line in contour.lines]}
        for contour in contours
    ]
