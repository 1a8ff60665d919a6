"""Usual slips on typical visits: are they found, is the right reading named, and what if not?

Run from the repository's folder: ``python -m tests.studies.slips``. Every slip is made on random
visits with the redundancy such visits have; the table says how often it was named, how often
something else was, and how often a reported figure was wrong by more than three of its half-widths
without a word.
"""

from __future__ import annotations

import argparse
import itertools
import zlib
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.adjust import adjust
from survey.adjustment.network import build_network
from survey.errors import NotEnoughObserved
from survey.figures import Figure
from survey.findings import Finding, Severity
from survey.planes import derive_planes
from survey.visit.model import (
    EdgeMark,
    GravityMark,
    PlaneKind,
    PointMark,
    RodReading,
    Setup,
    SlopeReading,
    TapeReading,
)
from tests.scenes.houses import (
    PORCH,
    PORCH_EDGES,
    VisitMaker,
    arc,
    deck_visit,
    front_visit,
    ladder_stands,
    plumb_wall_edges,
    porch_board,
    porch_world,
    take,
)
from tests.scenes.making import Scene
from tests.scenes.world import SIZE_PX

FOOT, INCH = 0.3048, 0.0254
WRONG = 3.0  # half-widths
SEED = 77


@dataclass(frozen=True)
class Spoiled:
    """A visit with a slip in it; `subjects` are the ids or names that a finding should mention."""

    scene: Scene
    subjects: tuple[str, ...]


# --- typical visits ---------------------------------------------------------------------------


def front(rng: np.random.Generator) -> Scene:
    """A gabled front: two to four ground photos, one or two boards, up to three tapes."""
    tapes = (("A", "B"), ("A", "P"), ("G1", "G2"), ("G1", "A"))
    count = int(rng.integers(1, 4))
    return front_visit(
        rng,
        stands=arc(int(rng.integers(2, 5))),
        targets=int(rng.integers(1, 3)),
        tapes=tapes[:count],
    )


def porch(rng: np.random.Generator) -> Scene:
    """A porch roof: two to four ladder photos, boards, rods on the corners and some tapes."""
    world = porch_world(rng, rise=2.0)
    maker = VisitMaker(world, rng)
    for index, at in enumerate(((1.2, 1.4), (4.8, 2.6))[: int(rng.integers(1, 3))]):
        maker.put_up(f"T{index + 1}", porch_board(rng, world, at, 0.4, "frame"), plane="porch")
    lines = plumb_wall_edges(rng, world.points["H1"][2])
    for index, place in enumerate(ladder_stands(int(rng.integers(2, 5)), 2.6)):
        name = f"porch-{index + 1}.jpg"
        take(maker, name, place)
        maker.mark_points(name, PORCH.outline)
        for number, ends in enumerate(lines):
            maker.mark_gravity(name, "plumb", ends, None, f"jamb {number}")
    for name in PORCH.outline:
        maker.rod("S1", name, 4.4)
    tapes = (("E1", "E2"), ("E2", "H2"), ("E1", "H2"))
    for start, end in tapes[: int(rng.integers(1, 4))]:
        maker.tape(start, end)
    return maker.finish([PORCH], PORCH_EDGES, setups=(Setup("S1"),))


def deck(rng: np.random.Generator) -> Scene:
    """A deck measured by tape (sides and diagonals) and a rod grid; a slope reading."""
    scene = deck_visit(rng)
    true = float(np.arctan(scene.world.pitch(PORCH.outline)))
    sd = float(np.radians(0.15))
    value = true + sd * rng.standard_normal()
    level = SlopeReading("slope porch", "slope porch in readings", "porch", value, sd)
    return scene.with_visit(readings=(*scene.visit.readings, level))


# --- slips ------------------------------------------------------------------------------------


def _one(rng: np.random.Generator, scene: Scene, kind: type, change: Callable) -> Spoiled | None:
    """Change one reading of a kind, if `change` gives another value for it."""
    order = rng.permutation(len(scene.visit.readings))
    for index in order:
        reading = scene.visit.readings[int(index)]
        if not isinstance(reading, kind):
            continue
        value = change(reading.value)
        if value is None:
            continue
        readings = list(scene.visit.readings)
        readings[int(index)] = replace(reading, value=value)
        return Spoiled(scene.with_visit(readings=tuple(readings)), (reading.id,))
    return None


def _either(rng: np.random.Generator, step: float) -> Callable:
    """Add or take away a step, but never down to nothing."""
    sign = 1 if rng.uniform() < 0.5 else -1
    return lambda value: value + sign * step if value + sign * step > 0.2 else value + step


def tape_foot(rng, scene):
    return _one(rng, scene, TapeReading, _either(rng, FOOT))


def tape_ten_feet(rng, scene):
    return _one(rng, scene, TapeReading, _either(rng, 10 * FOOT))


def tape_digits(rng, scene):
    """Exchange the two digits of the whole feet."""

    def change(value: float) -> float | None:
        feet, rest = divmod(value, FOOT)
        tens, ones = divmod(int(feet), 10)
        if tens == ones or tens > 9 or not (10 * ones + tens):
            return None
        return (10 * ones + tens) * FOOT + rest

    return _one(rng, scene, TapeReading, change)


def tape_feet_as_metres(rng, scene):
    return _one(rng, scene, TapeReading, lambda value: value / FOOT)


def tape_other_corner(rng, scene):
    """Book a tape under the name of a neighbouring corner."""
    tapes = [r for r in scene.visit.readings if isinstance(r, TapeReading)]
    ring = scene.visit.planes[0].outline
    tape = tapes[int(rng.integers(len(tapes)))]
    others = [name for name in ring if name not in (tape.start, tape.end)]
    other = others[int(rng.integers(len(others)))]
    readings = tuple(replace(r, end=other) if r is tape else r for r in scene.visit.readings)
    return Spoiled(scene.with_visit(readings=readings), (tape.id,))


def rod_inch(rng, scene):
    return _one(rng, scene, RodReading, _either(rng, INCH))


def rod_tenth(rng, scene):
    return _one(rng, scene, RodReading, _either(rng, 0.1 * FOOT))


def rod_digits(rng, scene):
    """Exchange tenths and hundredths of a foot."""

    def change(value: float) -> float | None:
        hundredths, rest = divmod(value, 0.01 * FOOT)
        high, low = divmod(int(hundredths) % 100, 10)
        if high == low:
            return None
        whole = int(hundredths) // 100 * 100
        return (whole + 10 * low + high) * 0.01 * FOOT + rest

    return _one(rng, scene, RodReading, change)


def rods_exchanged(rng, scene):
    """Book two rod readings under each other's point."""
    rods = [r for r in scene.visit.readings if isinstance(r, RodReading)]
    first, second = (rods[int(i)] for i in rng.choice(len(rods), 2, replace=False))
    value = {first.id: second.value, second.id: first.value}
    readings = tuple(replace(r, value=value.get(r.id, r.value)) for r in scene.visit.readings)
    return Spoiled(scene.with_visit(readings=readings), (first.id, second.id))


def marks_exchanged(rng, scene):
    """Give two corners of one photo each other's name."""
    photos = sorted({m.photo for m in scene.visit.marks if isinstance(m, PointMark)})
    photo = photos[int(rng.integers(len(photos)))]
    marks = [m for m in scene.visit.marks if isinstance(m, PointMark) and m.photo == photo]
    first, second = (marks[int(i)] for i in rng.choice(len(marks), 2, replace=False))
    px = {first.id: second.px, second.id: first.px}
    changed = tuple(
        replace(m, px=px[m.id]) if m.id in px and isinstance(m, PointMark) else m
        for m in scene.visit.marks
    )
    return Spoiled(scene.with_visit(marks=changed), (first.id, second.id, photo))


def photo_mirrored(rng, scene):
    """One photo was mirrored: its boards don't decode and its marks are left to right."""
    photos = sorted({m.photo for m in scene.visit.marks})
    photo = photos[int(rng.integers(len(photos)))]
    width = SIZE_PX[0] - 1

    def flipped(mark):
        if mark.photo != photo:
            return mark
        if isinstance(mark, PointMark):
            return replace(mark, px=(width - mark.px[0], mark.px[1]))
        if isinstance(mark, EdgeMark | GravityMark):
            return replace(mark, px=tuple((width - u, v) for u, v in mark.px))
        return mark

    marks = tuple(flipped(mark) for mark in scene.visit.marks)
    seen = [s for s in scene.sightings if s.photo != photo]
    return Spoiled(replace(scene, sightings=seen).with_visit(marks=marks), (photo,))


def _sheet(scene: Scene, name: str, factor: float, *, measured: bool) -> Scene:
    """Take a board for one `factor` times its size."""
    old = next(t for t in scene.visit.targets if t.name == name)
    spec = replace(old, board=replace(old.board, marker=old.board.marker * factor))
    across, down = (old.across * factor, old.down * factor) if measured else (None, None)
    spec = replace(spec, across=across, down=down)
    targets = tuple(spec if t.name == name else t for t in scene.visit.targets)
    seen = [
        replace(s, corners_target=s.corners_target * factor) if s.target == name else s
        for s in scene.sightings
    ]
    return replace(scene, sightings=seen).with_visit(targets=targets)


def sheet_size(rng, scene):
    """Letter chosen for tabloid, or the other way round; the check line was not measured."""
    name = scene.visit.targets[int(rng.integers(len(scene.visit.targets)))].name
    factor = (11 / 17, 17 / 11)[int(rng.integers(2))]
    return Spoiled(_sheet(scene, name, factor, measured=False), (name,))


def check_line(rng, scene):
    """The check line of one board was misread by half an inch."""
    name = scene.visit.targets[int(rng.integers(len(scene.visit.targets)))].name
    old = next(t for t in scene.visit.targets if t.name == name)
    step = 0.5 * INCH * (1 if rng.uniform() < 0.5 else -1)
    spec = replace(old, across=old.across + step, down=old.down + step)
    targets = tuple(spec if t.name == name else t for t in scene.visit.targets)
    return Spoiled(scene.with_visit(targets=targets), (name,))


def check_lines_exchanged(rng, scene):
    """The check lines of two boards were entered under each other's name."""
    if len(scene.visit.targets) < 2:
        return None
    first, second = scene.visit.targets
    swapped = (
        replace(first, across=second.across, down=second.down),
        replace(second, across=first.across, down=first.down),
    )
    return Spoiled(scene.with_visit(targets=swapped), ("T1", "T2"))


def none(rng, scene):
    """No slip: what a sound visit is told."""
    return Spoiled(scene, ())


@dataclass(frozen=True)
class Row:
    """One slip on one kind of visit."""

    slip: str
    visit: str
    make: Callable[[np.random.Generator], Scene]
    spoil: Callable[[np.random.Generator, Scene], Spoiled | None]


PHOTO_VISITS = {"front": front, "porch": porch}
TAPE_SLIPS = {
    "tape 1 ft": tape_foot,
    "tape 10 ft": tape_ten_feet,
    "tape digits exchanged": tape_digits,
    "tape feet as metres": tape_feet_as_metres,
    "tape to another corner": tape_other_corner,
}
ROD_SLIPS = {
    "rod 1 in": rod_inch,
    "rod 0.1 ft": rod_tenth,
    "rod digits exchanged": rod_digits,
    "rod names exchanged": rods_exchanged,
}
PHOTO_SLIPS = {
    "marks exchanged": marks_exchanged,
    "photo mirrored": photo_mirrored,
    "wrong sheet size, not measured": sheet_size,
    "check lines 1/2 in off": check_line,
    "check lines exchanged": check_lines_exchanged,
}
ROWS = (
    *(Row("none", name, make, none) for name, make in {**PHOTO_VISITS, "deck": deck}.items()),
    *(
        Row(slip, name, make, spoil)
        for slip, spoil in TAPE_SLIPS.items()
        for name, make in {**PHOTO_VISITS, "deck": deck}.items()
    ),
    *(
        Row(slip, name, make, spoil)
        for slip, spoil in ROD_SLIPS.items()
        for name, make in {"porch": porch, "deck": deck}.items()
    ),
    *(
        Row(slip, name, make, spoil)
        for slip, spoil in PHOTO_SLIPS.items()
        for name, make in PHOTO_VISITS.items()
    ),
)


# --- judging ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Verdict:
    """How one visit came out.

    `outcome` is "named", "rivals" (named among others), "other" (only something else was named) or
    "silent"; `wrong` the figures more than three half-widths off, with how far.
    """

    outcome: str
    wrong: dict[str, float]
    codes: tuple[str, ...]
    told: tuple[str, ...]


BLAMES = {
    "gross-error",
    "readings-contradict",
    "photo-does-not-fit",
    "mirrored-photo",
    "print-scale-contradicted",
    "print-scale-not-measured",
    "target-moved",
    "target-tilted",
    "target-mounting-wrong",
    "lens-contradicted",
    "edge-off-plane",
    "target-not-flat",
    "photo-not-tied",
    "point-off-plane",
    "outline-crosses-itself",
}
RIVALS = {"readings-contradict", "point-off-plane"}  # the subject is one of several explanations
UNCHECKED = {"reading-unchecked", "print-scale-unchecked", "marks-unchecked"}


def figures(scene: Scene, solution) -> dict[str, tuple[Figure, float]]:
    """Every reported length, area and pitch with its true value."""
    planes = derive_planes(solution, scene.visit)
    world = scene.world
    found: dict[str, tuple[Figure, float]] = {}
    for edge in {e.edge.name: e for p in planes.planes for e in p.edges}.values():
        if isinstance(edge.length, Figure):
            a, b = edge.edge.start, edge.edge.end
            found[f"length {edge.edge.name}"] = (edge.length, world.distance(a, b))
    for plane in planes.planes:
        if isinstance(plane.area, Figure):
            found[f"area {plane.spec.name}"] = (plane.area, world.area(plane.spec.outline))
        if isinstance(plane.pitch, Figure) and plane.spec.kind is PlaneKind.ROOF:
            found[f"pitch {plane.spec.name}"] = (plane.pitch, world.pitch(plane.spec.outline))
    return found


def judge(spoiled: Spoiled) -> Verdict:
    """Measure a spoiled visit and hold findings and figures against the truth."""
    scene = spoiled.scene
    network = build_network(scene.visit, scene.photos, scene.sightings)
    try:
        solution = adjust(network)
    except NotEnoughObserved:
        return Verdict("refused", {}, (), ())
    findings = [*network.findings, *solution.findings]
    wrong = {}
    for name, (figure, true) in figures(scene, solution).items():
        off = abs(figure.value - true) / max(figure.half_width, 1e-12)
        if off > WRONG:
            wrong[name] = round(off, 1)
    blames = [f for f in findings if f.code in BLAMES]
    told = tuple(f"{f.code}: {f.where}: {f.what}; {f.cure}" for f in blames)
    codes = tuple(sorted({f.code for f in findings if f.severity is not Severity.NOTE}))
    return Verdict(outcome(spoiled.subjects, findings, blames), wrong, codes, told)


def outcome(subjects: tuple[str, ...], findings: list[Finding], blames: list[Finding]) -> str:
    """Classify what was said."""
    about = [f for f in blames if any(_mentions(f, subject) for subject in subjects)]
    if any(f.code not in RIVALS for f in about):
        return "named"
    if about:
        return "rivals"
    if any(f.severity is not Severity.NOTE for f in blames):
        return "other"
    unchecked = [f for f in findings if f.code in UNCHECKED]
    if any(_mentions(f, subject) for f in unchecked for subject in subjects):
        return "said unchecked"
    return "silent"


def _mentions(finding: Finding, subject: str) -> bool:
    text = f"{finding.where} {finding.what} {finding.cure}"
    return (
        subject in text or subject.replace("tape ", "the tape from ").replace("-", " to ") in text
    )


def judge_row(job: tuple[int, int]) -> Verdict | None:
    """Judge one visit of one row."""
    index, number = job
    row = ROWS[index]
    rng = np.random.default_rng([SEED, zlib.crc32(f"{row.slip}: {row.visit}".encode()), number])
    scene = row.make(rng)
    spoiled = row.spoil(rng, scene)
    return None if spoiled is None else judge(spoiled)


def table(results: dict[int, list[Verdict]]) -> str:
    """Markdown table of the outcomes."""
    lines = [
        "| slip | visit | visits | named | among rivals | said unchecked | only other | silent | "
        "wrong figure, slip named | wrong, only other named | wrong and silent |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for index, verdicts in sorted(results.items()):
        row = ROWS[index]
        count = Counter(v.outcome for v in verdicts)
        bad = Counter(v.outcome for v in verdicts if v.wrong)
        named = bad["named"] + bad["rivals"] + bad["said unchecked"]
        cells = [
            row.slip,
            row.visit,
            len(verdicts),
            count["named"],
            count["rivals"],
            count["said unchecked"],
            count["other"] + count["refused"],
            count["silent"],
            named,
            bad["other"],
            bad["silent"],
        ]
        lines.append("| " + " | ".join(str(c) for c in cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Run the study; print its table, and every visit that went wrong, as it comes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=40)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", default="", help="rows whose slip and visit hold this text")
    given = parser.parse_args()
    chosen = [i for i, row in enumerate(ROWS) if given.only in f"{row.slip}: {row.visit}"]
    jobs = list(itertools.product(chosen, range(given.visits)))
    results: dict[int, list[Verdict]] = {i: [] for i in chosen}
    with ProcessPoolExecutor(given.workers) as pool:
        for job, verdict in zip(jobs, pool.map(judge_row, jobs), strict=True):
            if verdict is None:
                continue
            results[job[0]].append(verdict)
            if verdict.outcome in ("other", "refused") or verdict.wrong:
                row = ROWS[job[0]]
                print(f"\n{row.slip}: {row.visit}, visit {job[1]}: {verdict.outcome}")
                print("  ", verdict.wrong, *verdict.told, sep="\n   ", flush=True)
            if job[1] == given.visits - 1:
                print(f"\n{table({job[0]: results[job[0]]})}", flush=True)
    print(f"\n{table(results)}")


if __name__ == "__main__":
    main()
