"""Faults that a target's own residuals can't show: is the class of each named?

Run from the repository's folder: ``python -m tests.studies.faults``. Each fault is made on fronts
with the redundancy that visits have. A figure may be wrong by more than three of its half-widths
only if a finding names the class of the fault: as found, or as something nothing on the visit
checks.
"""

from __future__ import annotations

import argparse
import itertools
import zlib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from survey.adjustment.adjust import adjust
from survey.adjustment.network import build_network
from survey.errors import NotEnoughObserved
from tests.scenes.houses import SQUARE_10, front_visit
from tests.scenes.making import Scene
from tests.studies.accuracy_rows import FAULT_VISITS, FAULTS, all_in_the_picture
from tests.studies.slips import WRONG, figures

SEED = 91
PRINT = {"print-scale-contradicted", "print-scale-unchecked", "print-scale-not-measured"}
LENS = {"lens-contradicted", "lens-unchecked"}
TILT = {"target-tilted", "target-mounting-wrong", "target-tilt-unchecked"}
CLASSES = {
    "print": PRINT,
    "all prints": PRINT,
    "focal": LENS,
    "zoom": LENS,
    "13 mm": LENS,
    "crop": LENS,
    "distortion": LENS,
    "board tilted": TILT,
    "board bowed": {"target-not-flat"},
    "eave": {"overhang-not-declared", "overhang-found", "edge-off-plane"},
}
VISITS = {
    **FAULT_VISITS,
    "square on, two targets": {"stands": (SQUARE_10,), "targets": 2},
}
ALL_PRINTS = {"all prints 3 % small": 0.97, "all prints 5 % large": 1.05}
NAMES = (*FAULTS, *ALL_PRINTS)


@dataclass(frozen=True)
class Outcome:
    """One visit: its wrong figures, findings of the fault's class, all that ask for a look."""

    wrong: dict[str, float]
    named: tuple[str, ...]
    codes: tuple[str, ...]

    @property
    def unsaid(self) -> bool:
        """Whether a figure is wrong and nothing names the class of the fault."""
        return bool(self.wrong) and not self.named


def make(fault: str, visit: str, rng: np.random.Generator) -> Scene:
    """A front with a fault that nobody knows of."""
    while True:
        if fault in FAULTS:
            scene = front_visit(rng, fault=FAULTS[fault], **VISITS[visit])
        else:
            scene = _all_printed(front_visit(rng, **VISITS[visit]), ALL_PRINTS[fault])
        if all_in_the_picture(scene):
            return scene


def _all_printed(scene: Scene, scale: float) -> Scene:
    """Let every check line have been told too long by one over `scale`."""
    told = tuple(
        replace(t, across=t.across / scale, down=t.down / scale) for t in scene.visit.targets
    )
    return scene.with_visit(targets=told)


def judge_fault(job: tuple[str, str, int]) -> Outcome:
    """Measure one visit with a fault."""
    fault, visit, number = job
    rng = np.random.default_rng([SEED, zlib.crc32(f"{fault}: {visit}".encode()), number])
    scene = make(fault, visit, rng)
    network = build_network(scene.visit, scene.photos, scene.sightings)
    try:
        solution = adjust(network)
    except NotEnoughObserved:
        return Outcome({}, (), ("refused",))
    wrong = {}
    for name, (figure, true) in figures(scene, solution).items():
        off = abs(figure.value - true) / max(figure.half_width, 1e-12)
        if off > WRONG:
            wrong[name] = round(off, 1)
    codes = {f.code for f in (*network.findings, *solution.findings)}
    right = next(codes for start, codes in CLASSES.items() if fault.startswith(start))
    return Outcome(wrong, tuple(sorted(codes & right)), tuple(sorted(codes)))


def table(results: dict[tuple[str, str], list[Outcome]]) -> str:
    """Markdown: visits with a wrong figure / of them unsaid / visits whose fault was found."""
    lines = ["| fault | " + " | ".join(VISITS) + " |", "| --- |" + " --- |" * len(VISITS)]
    for fault in NAMES:
        cells = []
        for visit in VISITS:
            block = results.get((fault, visit), [])
            found = sum(any("unchecked" not in code for code in one.named) for one in block)
            wrong, unsaid = (
                sum(map(bool, x)) for x in ([o.wrong for o in block], [o.unsaid for o in block])
            )
            cells.append(f"{wrong} / {unsaid} / {found}")
        lines.append(f"| {fault} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Run the study and print its table, and every visit that was wrong and unsaid."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=20)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", default="", help="faults that hold this text")
    given = parser.parse_args()
    chosen = [name for name in NAMES if given.only in name]
    jobs = list(itertools.product(chosen, VISITS, range(given.visits)))
    results: dict[tuple[str, str], list[Outcome]] = {}
    with ProcessPoolExecutor(given.workers) as pool:
        for job, outcome in zip(jobs, pool.map(judge_fault, jobs), strict=True):
            results.setdefault(job[:2], []).append(outcome)
            if outcome.unsaid:
                print(*job, outcome.wrong, outcome.codes, flush=True)
    print(table(results))


if __name__ == "__main__":
    main()
