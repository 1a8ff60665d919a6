"""How the rod readings close, set-up by set-up, in words: at every reading, with no adjustment."""

from __future__ import annotations

from collections import Counter
from typing import Any

from survey.levelling import Closure, reduce_readings
from survey.units import System, format_length
from survey.visit.model import RodReading, Visit

Json = dict[str, Any]


def tell_levels(visit: Visit) -> list[Json]:
    """Return one line for each set-up, or pair of set-ups that should agree.

    Returns
    -------
    list of dict
        ``{setups, sentence, state}``; `state` is "closed", "off" (it misses by more than readings
        this good do) or "open" (nothing checks it yet).
    """
    readings = [one for one in visit.readings if isinstance(one, RodReading)]
    if not readings:
        return []
    levels = reduce_readings(readings, visit.benchmarks)
    loops: dict[tuple[str, ...], list[Closure]] = {}
    for closure in levels.closures:
        loops.setdefault(closure.setups, []).append(closure)
    system: System = "metric" if visit.units == "metric" else "us"
    told = [_told(setups, found, system) for setups, found in loops.items()]
    counts = Counter(one.setup for one in readings)
    unchecked = Counter(one.setup for one in readings if one.id in set(levels.unchecked))
    for setup, count in counts.items():
        if unchecked[setup] == count:
            number = "1 reading" if count == 1 else f"{count} readings"
            sentence = f"{setup or 'set-up'}: {number}, not checked yet; read its first point again"
            told.append({"setups": [setup], "sentence": sentence, "state": "open"})
    return told


def _told(setups: tuple[str, ...], loops: list[Closure], system: System) -> Json:
    worst = max(loops, key=lambda loop: abs(loop.misclosure) / loop.allowable)
    amount = format_length(abs(worst.misclosure), system)
    allowed = format_length(worst.allowable, system)
    where = " and ".join(setups) or "set-up"
    checks = "1 check" if len(loops) == 1 else f"{len(loops)} checks"
    off = abs(worst.misclosure) > worst.allowable
    sentence = (
        f"{where}: {checks}, {worst.reading} misses by {amount}, over the {allowed} that honest "
        "readings leave; read it again"
        if off
        else f"{where}: {checks}, closes within {amount} (up to {allowed} is fine)"
    )
    return {"setups": list(setups), "sentence": sentence, "state": "off" if off else "closed"}
