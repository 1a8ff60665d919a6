"""Write what people would have written on the visit: visit.toml, marks, readings, and the truth.

    python paperwork.py OUT_DIR

Marks are true points projected through the true cameras of `place.py` (not by the program that is
to measure them), with the error of a finger; readings are true heights and lengths with the error
of a rod, a tape and a level, rounded as people read them. Seeded: the same files every time.
"""

from __future__ import annotations

import json
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import place as p
import truth

SEEN = Path(__file__).with_name("visible.json")  # which named points each photo shows
MARK_SD = 1.5  # pixels, a coordinate
TIDE_SD = 2.0
ROD_SD = 3 / 64 * p.IN
PLACE_SD = 0.25 * p.IN  # how well a rod stands on its chalk mark
TAPE_SD = p.IN / 16
HEIGHTS_OF_INSTRUMENT = {"S1": p.EAVE_Z + 1.462, "S2": p.EAVE_Z + 1.391}
POST_FRONT = -p.PORCH_DEPTH + 0.34 - 0.072


def round_to(value: float, step: float) -> float:
    """Round to a whole number of steps."""
    return round(value / step) * step


def inches(metres: float, parts: int) -> str:
    """Write a length in inches with a fraction, like 38 7/16."""
    whole, rest = divmod(Fraction(round(metres / p.IN * parts), parts), 1)
    return f"{whole} {rest}" if rest and whole else str(rest if rest else whole)


def feet(metres: float, parts: int) -> str:
    """Write a length in feet and inches, like 22' 0-1/8"."""
    total = Fraction(round(metres / p.IN * parts), parts)
    whole, rest = divmod(total, 12)
    inch, part = divmod(rest, 1)
    return f"{whole}' {inch}-{part}\"" if part else f"{whole}' {inch}\""


# --- marks -------------------------------------------------------------------------------------


class Finger:
    """Projects true points into photos and presses a little beside them."""

    def __init__(self, shots: dict[str, p.Shot], seed: int):
        self.shots, self.rng, self.marks = shots, np.random.default_rng(seed), []

    def press(self, photo: str, points: np.ndarray, sd: float = MARK_SD) -> list[list[float]]:
        pixels = self.shots[photo].project(points)
        pixels = pixels + self.rng.normal(0, sd, pixels.shape)
        return [[round(float(x), 1), round(float(y), 1)] for x, y in pixels]

    def in_view(self, photo: str, points: np.ndarray) -> bool:
        width, height = self.shots[photo].size
        return all(
            5 < x < width - 5 and 5 < y < height - 5 for x, y in self.shots[photo].project(points)
        )

    def add(self, **mark) -> None:
        self.marks.append({"id": f"m{len(self.marks) + 1}", **mark})

    def point(self, photo: str, name: str, at: np.ndarray) -> None:
        (px,) = self.press(photo, at)
        self.add(kind="point", photo=photo, point=name, px=px)

    def stretch(self, photo: str, name: str, start_share: float, end_share: float) -> None:
        """Mark part of an edge whose ends the photo hides or cuts off."""
        start, end = (p.named_points()[point] for point in p.EDGES[name])
        ends = np.array([start + (end - start) * share for share in (start_share, end_share)])
        assert self.in_view(photo, ends), (photo, name)
        self.add(
            kind="edge",
            photo=photo,
            start=p.EDGES[name][0],
            end=p.EDGES[name][1],
            px=self.press(photo, ends),
        )

    def line(self, photo: str, direction: str, ends: np.ndarray, on: str | None = None) -> None:
        assert self.in_view(photo, ends), (photo, direction, on)
        along = {} if on is None else {"on": on}
        self.add(
            kind="gravity", photo=photo, direction=direction, **along, px=self.press(photo, ends)
        )


NOT_MARKED = {  # seen, but people don't bother or can't tell
    ("lawn_far.jpg", "wall base right"),
    ("front_left.jpg", "wall top right"),
    ("left_side.jpg", "wall top right"),
    ("left_side.jpg", "ridge right"),
    ("right_corner.jpg", "wall top left"),
    ("right_corner.jpg", "steep eave left"),
    ("front_left.jpg", "porch wall left"),
}


def post_line(index: int) -> np.ndarray:
    """Front left arris of a porch post, from rail height to under the cap."""
    x = (p.PORCH_X0 + 0.35, p.PORCH_X0 + 2.3, p.PORCH_X1 - 2.3, p.PORCH_X1 - 0.35)[index] - 0.072
    return np.array([[x, POST_FRONT, p.PORCH_FLOOR + 1.0], [x, POST_FRONT, p.PORCH_CEILING - 0.4]])


def siding_line(course: int, left: float, right: float) -> np.ndarray:
    """Butt of a siding course on the front wall."""
    z = p.WALL_BASE + 0.114 * course
    return np.array([[left, -0.004, z], [right, -0.004, z]])


def make_marks(shots: tuple[p.Shot, ...], seen: dict[str, list[str]], seed: int) -> list[dict]:
    """All marks of the visit."""
    finger = Finger({shot.name: shot for shot in shots}, seed)
    points = p.named_points()
    for shot in shots:
        for name in seen.get(shot.name, []):
            if (shot.name, name) not in NOT_MARKED:
                finger.point(shot.name, name, points[name])
    finger.stretch("front_right.jpg", "wall corner left", 0.25, 0.6)
    finger.stretch("right_corner.jpg", "steep eave", 0.35, 0.9)
    finger.stretch("ladder_left.jpg", "porch left rake", 0.35, 0.9)
    finger.stretch("ladder_middle.jpg", "porch headwall", 0.1, 0.85)
    finger.stretch("ladder_middle.jpg", "porch right rake", 0.72, 0.95)
    corner = {
        side: np.array([[x, 0.0, p.WALL_BASE + 0.3], [x, 0.0, p.WALL_TOP - 0.2]])
        for side, x in (("left", 0.0), ("right", p.HOUSE_WIDTH))
    }
    finger.line("front_left.jpg", "plumb", corner["left"])
    finger.line("front_left.jpg", "plumb", post_line(0))
    finger.line("front_left.jpg", "level", siding_line(24, 0.3, 3.2), "front wall")
    finger.line("front_right.jpg", "plumb", corner["right"])
    finger.line("front_right.jpg", "plumb", post_line(1))
    finger.line("left_side.jpg", "plumb", corner["left"])
    finger.line("left_side.jpg", "level", siding_line(20, 0.3, 3.2), "front wall")
    finger.line("right_corner.jpg", "plumb", post_line(3))
    finger.line("right_corner.jpg", "plumb", corner["right"])
    finger.line("lawn_far.jpg", "plumb", corner["left"])
    finger.line("lawn_far.jpg", "level", siding_line(18, 0.3, 3.2), "front wall")
    outline = np.array(truth.low_spot()["waterline"])[::4]
    ring = np.array([p.porch_point(a, u) for a, u in outline])
    finger.add(
        kind="outline",
        photo="ladder_middle.jpg",
        name="stain ring",
        purpose="tide line",
        plane="porch",
        px=finger.press("ladder_middle.jpg", ring, TIDE_SD),
    )
    return finger.marks


def format_marks(marks: list[dict]) -> str:
    """One mark a line."""
    rows = ",\n".join("    " + json.dumps(mark) for mark in marks)
    return f'{{\n  "format": 1,\n  "points": [],\n  "marks": [\n{rows}\n  ]\n}}\n'


# --- readings ----------------------------------------------------------------------------------


def rod_value(rng: np.random.Generator, setup: str, z: float) -> str:
    """Read the rod: inches to the sixteenth."""
    return inches(HEIGHTS_OF_INSTRUMENT[setup] - z + rng.normal(0, ROD_SD), 16)


def rod_rows(rng: np.random.Generator) -> list[str]:
    """The corners, a 2 ft grid from two set-ups, and the turning point between them."""
    along, up, _, _, height = p.CURB
    turning = p.porch_point(along, up)[2] + height + 0.035
    points = p.named_points()
    rows = ["# Rod from set-up S1 (left half).,,,,,,,,,,"]
    counter = 0

    def add(setup: str, point: str, z: float, spot: str = ",,", note: str = "") -> None:
        nonlocal counter
        counter += 1
        rows.append(f"R{counter},rod,{setup},{point},,{spot},{rod_value(rng, setup, z)},,{note}")

    for setup, columns, corners in (
        ("S1", range(0, 12, 2), ("porch eave left", "porch wall left")),
        ("S2", range(12, 24, 2), ("porch eave right", "porch wall right")),
    ):
        if setup == "S2":
            rows.append(
                "# Level moved to the right; TP1 is the top of the skylight curb.,,,,,,,,,,"
            )
        add(setup, "TP1", turning, note="turning point")
        for name in corners:
            add(setup, name, points[name][2])
        for a in columns:
            for u in range(0, 14, 2):
                at_corner = a in (0, 22) and u in (0, 12)
                if at_corner or (a, u) == (4, 8):  # the curb stands on (4, 8)
                    continue
                stands = np.array([a, u]) * p.FT + rng.normal(0, PLACE_SD, 2)
                stands = np.clip(stands, 0, [p.PORCH_WIDTH, p.PORCH_DEPTH])
                inside = np.hypot(*(stands - p.DISH[:2])) < 0.45
                add(
                    setup,
                    "",
                    p.porch_point(*stands)[2],
                    f"porch,{a},{u}",
                    "in the stain ring" if inside else "",
                )
    check = p.porch_point(10 * p.FT, 6 * p.FT)[2]
    add("S2", "", check, "porch,10,6", "read again from S2")
    return rows


def tape_rows(rng: np.random.Generator) -> list[str]:
    """Tapes to the eighth of an inch."""
    points = p.named_points()
    rows = ["# Tape.,,,,,,,,,,"]
    for number, (start, end, note) in enumerate(
        (
            ("porch eave left", "porch eave right", "along the drip edge"),
            ("porch wall left", "porch eave left", ""),
            ("porch eave right", "porch wall left", "diagonal"),
            ("wall base left", "wall base right", "corner board to corner board"),
        ),
        start=1,
    ):
        length = float(np.linalg.norm(points[start] - points[end])) + rng.normal(0, TAPE_SD)
        text = feet(length, 8).replace('"', '""')
        rows.append(f'T{number},tape,,{start},{end},,,,"{text}",,{note}')
    return rows


def slope_rows(rng: np.random.Generator) -> list[str]:
    """Digital level on a 10 ft straightedge, in tenths of a degree: up the roof, along the eave."""
    low, high = (p.porch_point(7 * p.FT, u * p.FT) for u in (1, 11))
    rise = np.degrees(np.arctan2(high[2] - low[2], high[1] - low[1])) + rng.normal(0, 0.06)
    left, right = (p.porch_point(a, 0.1) for a in (6 * p.FT, 16 * p.FT))
    along = np.degrees(np.arctan2(right[2] - left[2], right[0] - left[0])) + rng.normal(0, 0.05)
    ends = "porch eave left,porch eave right"
    return [
        "# Digital level on a 10 ft straightedge.,,,,,,,,,,",
        f"L1,slope,,,,porch,7,6,{rise:.1f} deg,,up the roof",
        f"L2,slope,,{ends},porch,11,0,{along + 0.0:.1f} deg,,along the eave",
    ]


def format_readings(seed: int) -> str:
    """The whole of readings.csv."""
    rng = np.random.default_rng(seed)
    head = ["id,kind,setup,point,to,plane,along (ft),up (ft),value (in),sd,note"]
    return "\n".join(head + tape_rows(rng) + slope_rows(rng) + rod_rows(rng)) + "\n"


# --- visit.toml --------------------------------------------------------------------------------


def check_lines(target: p.Hung, nominal: tuple[float, float]) -> tuple[str, str]:
    """What the two check lines measured after printing, to half a millimetre."""
    measured = (round_to(a * s, 0.0005) for a, s in zip(nominal, target.scale, strict=True))
    across, down = (f"{1000 * metres:.1f} mm" for metres in measured)
    return across, down


def format_visit(targets: tuple[p.Hung, ...]) -> str:
    """Fill the targets' check lines and the penetrations' places into the template."""
    template = Path(__file__).with_name("visit_template.toml").read_text()
    values = {}
    for target in targets:
        across, down = check_lines(target, p.CHECK_LINES[target.code.rsplit("-", 1)[0]])
        key = target.name.replace(" ", "_")
        values |= {f"{key}_sheet": target.code, f"{key}_across": across, f"{key}_down": down}
    for name, numbers in (("curb", p.CURB[:4]), ("pipe", p.PIPE[:2])):
        for key, metres in zip(("along", "up", "width", "length"), numbers, strict=False):
            values[f"{name}_{key}"] = feet(metres, 2)
    for key, text in values.items():
        template = template.replace("{" + key + "}", text.replace('"', " in").replace("'", " ft"))
    return template


def all_files() -> dict[str, str]:
    """Names and texts of all that is written."""
    seen = json.loads(SEEN.read_text())
    return {
        "truth.json": json.dumps(truth.truth(), indent=1) + "\n",
        "visit.toml": format_visit(p.targets()),
        "marks.json": format_marks(make_marks(p.SHOTS, seen, seed=41)),
        "readings.csv": format_readings(seed=42),
    }


def write_all(out: Path) -> None:
    """Write truth.json and the visit's three files."""
    out.mkdir(parents=True, exist_ok=True)
    for name, text in all_files().items():
        (out / name).write_text(text)


if __name__ == "__main__":
    write_all(Path(sys.argv[1]))
