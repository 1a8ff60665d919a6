"""Visits that a hurried, mistaken or hostile hand wrote: a good one, changed in a few places.

Every change is drawn from a seed. Keys go, words change places, points are mixed up, lengths are
read in the wrong unit or off the roof, corners cross, marks point at nothing.
"""

from __future__ import annotations

import copy
import csv
import io
import json
import random
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import tomlkit

Json = dict[str, Any]
Op = Callable[[random.Random, "Draft"], None]

LENGTHS = (
    "0", "1/32 in", "6 in", "2 ft", "12 ft 6-1/2 in", "3.82 m", "99 m", "-3 ft", "-0.001 m", "4 mm",
)  # fmt: skip
QUANTITIES = (*LENGTHS, "1.4 deg", "-2 %", "0 deg", "89 deg", "3/4:12", "12 %", "0.5 deg")
WORDS = {
    "kind": ("roof", "wall", "eave", "rake", "ridge", "hip", "valley", "headwall", "sidewall",
             "slope transition", "parapet", "gable end", "wall corner", "wall base", "unknown",
             "roof drain", "scupper", "overflow drain", "overflow scupper", "gutter", "chimney"),
    "meets": ("open", "gutter", "wall", "parapet", "curb", "chimney", "gravel stop", "steep roof",
              "upper roof", "lower roof", "roof", "unknown"),
    "covering": ("slate", "built-up", "coal-tar-built-up", "standing-seam", "sprayed-foam"),
    "existing_covering": ("slate", "other", "asbestos-cement-tile", "wood-shakes"),
    "building": ("dwelling", "other"),
    "work": ("new", "replacement", "re-cover", "inspection"),
    "units": ("us", "metric"),
    "mounted": ("plumb and level", "plumb", "level", "flat", "loose"),
    "sheet": ("letter-1", "tabloid-2", "board-24-1", "board-24-2", "board-24-3", "board-24-4"),
    "purpose": ("tide line", "penetration", "damage"),
    "direction": ("plumb", "level"),
}  # fmt: skip
FLAGS = {"drains", "level", "plumb", "saddle"}
COUNTS = {"plies": (1, 6), "coverings_on": (0, 6)}
POINT_KEYS = {"at"}
POINT_LISTS = {"outline", "points", "between"}
TABLES = ("target", "plane", "edge", "outlet", "penetration", "setup", "benchmark")


class Draft:
    """The three files of a visit as plain values, to be changed and written again."""

    def __init__(self, folder: Path) -> None:
        self.toml: Json = tomllib.loads((folder / "visit.toml").read_text("utf-8"))
        self.marks: list[Json] = json.loads((folder / "marks.json").read_text("utf-8"))["marks"]
        rows = list(csv.reader(io.StringIO((folder / "readings.csv").read_text("utf-8"))))
        rows = [row for row in rows if row and not row[0].startswith("#")]
        self.header = rows[0]
        self.readings = [dict(zip(self.header, row, strict=True)) for row in rows[1:]]

    def copy(self) -> Draft:
        """Return one that may be changed."""
        return copy.deepcopy(self)

    def points(self) -> list[str]:
        """Return the names of all corners, and two that nobody measured."""
        return [*(n for p in self.tables("plane") for n in p.get("outline", [])), "nowhere", "lost"]

    def tables(self, key: str) -> list[Json]:
        """Return the tables of a kind."""
        tables: list[Json] = self.toml.setdefault(key, [])
        return tables

    def some_table(self, rng: random.Random) -> Json:
        """Return one table of any kind."""
        filled = [key for key in TABLES if self.tables(key)]
        return rng.choice(self.tables(rng.choice(filled))) if filled else self.toml

    def write(self, folder: Path) -> None:
        """Write the three files."""
        toml = {key: value for key, value in self.toml.items() if value != []}
        (folder / "visit.toml").write_text(tomlkit.dumps(toml), encoding="utf-8")
        (folder / "marks.json").write_text(
            json.dumps({"format": 1, "points": sorted(set(self.points())), "marks": self.marks}),
            encoding="utf-8",
        )
        with (folder / "readings.csv").open("w", encoding="utf-8", newline="") as stream:
            table = csv.DictWriter(stream, self.header)
            table.writeheader()
            table.writerows(self.readings)


def mutate(draft: Draft, seed: int, *, most: int = 4) -> Draft:
    """Return the draft after one to `most` changes."""
    rng = random.Random(seed)
    changed = draft.copy()
    for _ in range(rng.randint(1, most)):
        rng.choice(OPERATIONS)(rng, changed)
    return changed


def _drop_table(rng: random.Random, draft: Draft) -> None:
    key = rng.choice(TABLES)
    if draft.tables(key):
        draft.tables(key).pop(rng.randrange(len(draft.tables(key))))


def _drop_key(rng: random.Random, draft: Draft) -> None:
    table = draft.some_table(rng)
    if table:
        table.pop(rng.choice(sorted(table)))


def _another_value(rng: random.Random, draft: Draft) -> None:
    table = draft.some_table(rng)
    key = rng.choice(sorted({*table, "drains", "dam_height", "level", "covering", "invert"}))
    if key in WORDS:
        table[key] = rng.choice(WORDS[key])
    elif key in FLAGS:
        table[key] = rng.choice((True, False, "unknown"))
    elif key in COUNTS:
        table[key] = rng.randint(*COUNTS[key])
    elif key in POINT_KEYS:
        table[key] = rng.choice(draft.points())
    elif key in POINT_LISTS:
        _mix(rng, table, key, draft)
    elif key != "name":
        table[key] = rng.choice(QUANTITIES)


def _mix(rng: random.Random, table: Json, key: str, draft: Draft) -> None:
    """Shuffle, turn round, shorten or lengthen a list of points."""
    names = list(table.get(key, []))
    way = rng.randrange(4)
    if way == 0:
        rng.shuffle(names)
    elif way == 1:
        names.reverse()
    elif way == 2 and names:
        names.pop(rng.randrange(len(names)))
    else:
        names.insert(rng.randint(0, len(names)), rng.choice(draft.points()))
    table[key] = names


def _cross_outline(rng: random.Random, draft: Draft) -> None:
    if draft.tables("plane"):
        _mix(rng, rng.choice(draft.tables("plane")), "outline", draft)


def _swap_points(rng: random.Random, draft: Draft) -> None:
    """Two names change places in marks, readings or both, as when a sketch is read wrongly."""
    first, second = rng.sample(draft.points(), 2)
    swapped = {first: second, second: first}
    where = rng.choice(("marks", "readings", "both"))
    for rows in ([] if where == "readings" else draft.marks, draft.readings):
        for row in rows if where != "marks" or rows is draft.marks else []:
            for key in ("point", "to", "start", "end"):
                if row.get(key) in swapped:
                    row[key] = swapped[row[key]]


def _change_reading(rng: random.Random, draft: Draft) -> None:
    if not draft.readings:
        return
    row = rng.choice(draft.readings)
    key = rng.choice(("value", "value", "along (ft)", "up (ft)", "point", "to", "kind", "setup",
                      "plane", "sd", "id"))  # fmt: skip
    key = next((name for name in draft.header if name.split(" ")[0] == key.split(" ")[0]), key)
    pool = {
        "kind": ("rod", "tape", "slope"),
        "point": (*draft.points(), ""),
        "to": (*draft.points(), ""),
        "setup": ("S1", "S2", ""),
        "plane": ("porch", "steep roof", "front wall", ""),
        "id": ("T1", "R1", "1", ""),
    }.get(key, (*QUANTITIES, "3", "-1", "400", ""))
    row[key] = rng.choice(pool)


def _few_readings(rng: random.Random, draft: Draft) -> None:
    share = rng.choice((0.0, 0.1, 0.5))
    draft.readings = [row for row in draft.readings if rng.random() < share]


def _few_marks(rng: random.Random, draft: Draft) -> None:
    share = rng.choice((0.0, 0.2, 0.6))
    draft.marks = [mark for mark in draft.marks if rng.random() < share]


def _change_mark(rng: random.Random, draft: Draft) -> None:
    if not draft.marks:
        return
    mark = rng.choice(draft.marks)
    key = rng.choice(("px", "px", "px", "photo", "point", "start", "end", "on", "direction",
                      "purpose", "sd_px", "plane"))  # fmt: skip
    if key not in mark:
        return
    if key == "px":
        mark["px"] = _other_px(rng, mark["px"])
    elif key in WORDS:
        mark[key] = rng.choice(WORDS[key])
    elif key == "sd_px":
        mark[key] = rng.choice((0.01, 1.0, 500))
    elif key == "photo":
        mark[key] = rng.choice([other["photo"] for other in draft.marks])
    elif key in ("on", "plane"):
        mark[key] = rng.choice(("porch", "steep roof", "front wall", "wall board", "porch eave"))
    else:
        mark[key] = rng.choice(draft.points())


def _other_px(rng: random.Random, px: list[Any]) -> list[Any]:
    pairs = [px] if not isinstance(px[0], list) else px
    way = rng.randrange(5)
    if way == 0:
        pairs = [[rng.choice((-5000.0, 0.0, 0.5, 3023.0, 99999.0)) for _ in pair] for pair in pairs]
    elif way == 1:
        pairs = [[x + rng.gauss(0, 200), y + rng.gauss(0, 200)] for x, y in pairs]
    elif way == 2:
        pairs = [[y, x] for x, y in pairs]
    elif way == 3:
        pairs = pairs[::-1]
    else:
        pairs = [pairs[0] for _ in pairs]
    return pairs if isinstance(px[0], list) else pairs[0]


def _add_opening(rng: random.Random, draft: Draft) -> None:
    """An outlet or penetration anywhere, of any size, perhaps over another."""
    number = rng.randrange(1000)
    plane = rng.choice([p.get("name", "x") for p in draft.tables("plane")] or ["porch"])
    place: Json = {"plane": plane, "along": rng.choice(LENGTHS), "up": rng.choice(LENGTHS)}
    if rng.random() < 0.3:
        place = {"at": rng.choice(draft.points())}
    sizes = {key: rng.choice(LENGTHS) for key in ("width",) if rng.random() < 0.7}
    if rng.random() < 0.5:
        kind = rng.choice(("roof drain", "scupper", "overflow drain", "overflow scupper", "gutter"))
        inverts = {"invert": rng.choice(LENGTHS)} if rng.random() < 0.6 else {}
        draft.tables("outlet").append(
            {"name": f"o{number}", "kind": kind, **place, **sizes, **inverts}
        )
        return
    if rng.random() < 0.3:
        place = {"outline": rng.choices(draft.points(), k=3), "plane": plane}
    if rng.random() < 0.7:
        sizes |= {"length": rng.choice(LENGTHS), "height": rng.choice(LENGTHS)}
    draft.tables("penetration").append({"name": f"p{number}", "kind": "curb", **place, **sizes})


def _add_edge_facts(rng: random.Random, draft: Draft) -> None:
    if not draft.tables("edge"):
        return
    edge = rng.choice(draft.tables("edge"))
    edge["meets"] = rng.choice(WORDS["meets"])
    edge["kind"] = rng.choice(WORDS["kind"][2:15])
    if rng.random() < 0.5:
        edge["dam_height"] = rng.choice(LENGTHS)
    if rng.random() < 0.4:
        edge["drains"] = rng.choice((True, False))
    if rng.random() < 0.3:
        edge[rng.choice(("level", "plumb"))] = True
    if rng.random() < 0.3:
        edge["offset"], edge["offset_from"] = rng.choice(LENGTHS), "front wall"


def _add_benchmark(rng: random.Random, draft: Draft) -> None:
    draft.tables("benchmark").append(
        {"name": rng.choice(draft.points()), "elevation": rng.choice(LENGTHS)}
    )


def _add_plane(rng: random.Random, draft: Draft) -> None:
    """A further plane over corners that are there, which may cross itself or another."""
    points = [name for name in dict.fromkeys(draft.points()) if name not in ("nowhere", "lost")]
    if len(points) < 3:
        return
    outline = rng.sample(points, min(len(points), rng.randint(3, 7)))
    draft.tables("plane").append(
        {"name": f"plane {rng.randrange(1000)}", "outline": outline,
         "kind": rng.choice(("roof", "roof", "wall"))}
    )  # fmt: skip


OPERATIONS: tuple[Op, ...] = (
    _drop_table, _drop_key, _another_value, _another_value, _cross_outline, _swap_points,
    _change_reading, _change_reading, _few_readings, _few_marks, _change_mark, _change_mark,
    _add_opening, _add_opening, _add_edge_facts, _add_edge_facts, _add_benchmark, _add_plane,
)  # fmt: skip
