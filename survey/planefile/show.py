"""A plane file as an estimator reads it in a terminal: plain text, 80 columns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from survey.figures import Figure
from survey.planefile.lines import counted, labelled, table, wrapped
from survey.planefile.model import PlaneFile
from survey.planefile.show_figures import show_area, show_measured
from survey.planefile.show_next import say_next_measurement
from survey.planefile.show_planes import show_falls, show_plane
from survey.planefile.text import is_untouched
from survey.planefile.values import read_measured
from survey.rules import name_of
from survey.rules.wording import system_of
from survey.units import format_temperature

Entry = Mapping[str, Any]
SEVERITY_WORDS = {"stop": "STOP", "check": "Second look", "note": "Note"}
BUILDINGS = {"dwelling": "a dwelling", "other": "a building other than a dwelling"}


def format_plane_file(plane_file: PlaneFile, units: str | None = None) -> str:
    """Return a plane file as text.

    Parameters
    ----------
    plane_file : PlaneFile
    units : "us", "metric" or None
        None: as the visit has it.
    """
    document = plane_file.document
    spoken = units or document["visit"]["units"]
    lines = _show_head(document, spoken)
    lines += ["", "ROOF IN ALL", *_show_totals(document["totals"], spoken)]
    for plane in document["planes"]:
        lines += ["", *show_plane(plane, document, spoken)]
        if spoken == "metric" and show_falls(plane):
            lines += ["", "  Falls asked for elsewhere", *show_falls(plane)]
    lines += ["", *_show_findings(document["findings"])]
    if document["next_measurements"]:
        lines += ["", "WOULD HELP MOST", *_show_next(document, spoken)]
    lines += ["", "PHOTOS", *_show_photos(document["photos"])]
    lines += ["", "MEASURED BY", *_show_evidence(document)]
    lines += ["", "CAUTIONS (the limits are those of US rules)"]
    lines += [line for c in document["cautions"] for line in wrapped(f"- {c['sentence']}", 2, 4)]
    return "\n".join(line.rstrip() for line in lines)


def format_gaps(plane_file: PlaneFile, units: str | None = None) -> list[str]:
    """Return what is measured of each roof plane so far and what would settle the rest.

    One line a figure; for the check on site, where there is time for one more reading.
    """
    document = plane_file.document
    spoken = units or document["visit"]["units"]
    lines = []
    for plane in document["planes"]:
        if plane["kind"] == "roof":
            pitch, area = read_measured(plane["pitch"]), read_measured(plane["area"])
            lines += wrapped(f"{plane['name']}: pitch {show_measured(pitch, spoken)}", 0, 2)
            lines += wrapped(f"area {show_area(area, spoken)}", 2, 4)
    for edge in document["edges"]:
        length = read_measured(edge["length"])
        if not isinstance(length, Figure):
            lines += wrapped(f"edge '{edge['name']}': {show_measured(length, spoken)}", 0, 2)
    for finding in document["findings"]:
        if finding["severity"] != "note" and finding["cure"]:
            lines += wrapped(f"{finding['where']}: {finding['cure']}", 0, 2)
    lines = list(dict.fromkeys(lines))
    if document["next_measurements"]:
        lines += ["would help most:", *_show_next(document, spoken)]
    return lines


def _show_next(document: Entry, units: str) -> list[str]:
    sentences = (say_next_measurement(one, units) for one in document["next_measurements"])
    return [line for sentence in sentences for line in wrapped(sentence, 2, 4)]


def _show_head(document: Entry, units: str) -> list[str]:
    visit = document["visit"]
    told = [visit["date"], visit["place"], visit["by"]]
    lines = wrapped(", ".join(filter(None, [visit["name"].upper(), *told])))
    work = f"{visit['work'].capitalize()} on {BUILDINGS[visit['building']]}"
    if visit["covering"]:
        work += f", {name_of(visit['covering'])} intended"
    lines += wrapped(f"{work}. {_conditions(visit['conditions'], units)}")
    lines += wrapped(
        "Each figure stands with the half-width of its 95 % interval: of a hundred such "
        "intervals about 95 hold the truth."
    )
    if not is_untouched(document):
        lines += ["", *wrapped("CHANGED: this file is not what was written when it was measured.")]
    frame = document["frame"]
    for known, what in (("gravity", "which way is up"), ("scale", "how long a foot is")):
        if not frame[f"{known}_observed"]:
            lines += ["", *wrapped(f"NOT OBSERVED: {what}; figures that need it are left out.")]
    return lines


def _conditions(conditions: Entry, units: str) -> str:
    temperature = conditions["temperature"]
    degrees = "" if temperature is None else format_temperature(temperature, system_of(units))
    rain = conditions["last_rain"]
    wind = f"wind {conditions['wind']}" if conditions["wind"] else ""
    told = [conditions["weather"], degrees, wind, f"last rain {rain}" if rain else ""]
    words = ", ".join(filter(None, told))
    return f"On the day: {words}." if words else "Nothing told of the weather."


def _show_totals(totals: Entry, units: str) -> list[str]:
    lines = labelled("area", show_area(read_measured(totals["area"]), units))
    lines += labelled("seen in plan", show_area(read_measured(totals["plan_area"]), units))
    if totals["not_counted"]:
        lines += labelled("", f"without {', '.join(totals['not_counted'])}, not observed")
    for kind in totals["edges"]:
        missing = kind["not_counted"]
        without = f", without {', '.join(missing)}, not observed" if missing else ""
        number = f" ({counted(len(kind['edges']), 'edge')}{without})"
        length = show_measured(read_measured(kind["length"]), units)
        lines += labelled(kind["kind"], f"{length}{number if kind['edges'] else ''}")
    if totals["added_up"]:
        sums = ", ".join(totals["added_up"]).replace("plan_area", "plan area")
        lines += wrapped(f"({sums}: half-widths of the parts added up, an upper limit)", 2, 3)
    return lines


def _show_findings(findings: list[Entry]) -> list[str]:
    second = sum(finding["severity"] != "note" for finding in findings)
    asks = counted(second, "asks", "ask") + " for a second look" if second else ""
    lines = [f"FINDINGS ({asks})" if asks else "FINDINGS"]
    for finding in findings:
        word = SEVERITY_WORDS[finding["severity"]]
        lines += wrapped(f"{word}: {finding['where']} [{finding['code']}]", 2, 4)
        lines += wrapped(finding["what"], 4)
        lines += wrapped(f"-> {finding['cure']}", 4, 7) if finding["cure"] else []
    return lines if findings else [*lines, "  none"]


def _show_photos(photos: list[Entry]) -> list[str]:
    rows = []
    for photo in photos:
        targets = ", ".join(seen["target"] for seen in photo["targets"]) or "no target"
        state = f"{targets}; {counted(photo['marks'], 'mark')}"
        if not photo["used"]:
            state = f"not used: {photo['not_used']}"
        rows.append((photo["name"], photo["taken_at"] or "no time", state))
    return table(rows, 2) or ["  none"]


def _show_evidence(document: Entry) -> list[str]:
    frame, statistics = document["frame"], document["adjustment"]
    lines = []
    if frame["gravity_by"]:
        lines += labelled("up", ", ".join(frame["gravity_by"]))
    if frame["scale_by"]:
        lines += labelled("scale", ", ".join(frame["scale_by"]))
    aside = [entry for entry in document["observations"] if not entry["used"]]
    lines += labelled(
        "adjustment",
        f"{statistics['rows']} observed numbers, {statistics['unknowns']} unknowns, "
        f"{counted(len(aside), 'reading')} set aside",
    )
    lines += labelled("", _agreement(statistics))
    for entry in aside:
        lines += labelled("", f"set aside: {entry['where'] or entry['id']}")
    return lines


def _agreement(statistics: Entry) -> str:
    """Say whether the observations agree as well as their stated accuracy lets expect."""
    factor, upper = statistics["variance_factor"], statistics["upper"]
    if factor is None or upper is None or statistics["degrees_of_freedom"] <= 0:
        return "nothing is observed twice, so nothing checks them"
    words = "as well as" if factor >= statistics["lower"] else "better than"
    if factor > upper:
        words = "less well than"
    return (
        f"they agree {words} their stated accuracy lets expect (variance factor {factor:.2f}, "
        f"expected {statistics['lower']:.2f} to {upper:.2f})"
    )
