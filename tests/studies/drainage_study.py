"""Simulation study of drainage: how often ponds are found, and how honest the intervals are.

Run from the repository's folder: ``python -m tests.studies.drainage_study``. Results of single
roofs are kept in ``--store``, so that a study can be stopped and taken up again; the report and its
plot are written to docs/.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from tests.drainage.roofs import FOOT, INCH
from tests.studies.drainage_report import write_report
from tests.studies.drainage_roofs import (
    add_rings,
    draw_roof,
    judge_roof,
    take_readings,
    true_ponds,
)

SEED = 2024
SURFACES = 100
BLOCK = 20


@dataclass(frozen=True)
class Setting:
    """One row of the study. Lengths in feet and inches, as the tables speak."""

    name: str
    grid_ft: float
    noise_in: float
    shape: str = "paraboloid"
    waviness_in: float = 0.0
    evidence: str = ""  # "ring", "middle", "both" or "none": only roofs that hold a pond
    roofs: int = 300


SETTINGS = (
    Setting("grid 2, noise 1/32", 2, 1 / 32),
    Setting("grid 2, noise 1/16", 2, 1 / 16),
    Setting("grid 2, noise 1/8", 2, 1 / 8, roofs=150),
    Setting("grid 4, noise 1/32", 4, 1 / 32),
    Setting("grid 4, noise 1/16", 4, 1 / 16),
    Setting("grid 4, noise 1/8", 4, 1 / 8),
    Setting("grid 6, noise 1/16", 6, 1 / 16, roofs=150),
    Setting("grid 8, noise 1/16", 8, 1 / 16, roofs=150),
    Setting("grid 2, noise 1/16, cosine dishes and waves", 2, 1 / 16, "cosine", 0.03),
    Setting("grid 4, noise 1/16, cosine dishes and waves", 4, 1 / 16, "cosine", 0.03),
    Setting("grid 2, noise 1/16, oval dishes", 2, 1 / 16, "oval", roofs=100),
    Setting("grid 4, noise 1/16, ponds known: readings", 4, 1 / 16, evidence="none", roofs=100),
    Setting("grid 4, noise 1/16, ponds known: middle", 4, 1 / 16, evidence="middle", roofs=100),
    Setting("grid 4, noise 1/16, ponds known: ring", 4, 1 / 16, evidence="ring", roofs=100),
    Setting("grid 4, noise 1/16, ponds known: both", 4, 1 / 16, evidence="both", roofs=100),
    Setting("grid 6, noise 1/16, ponds known: readings", 6, 1 / 16, evidence="none", roofs=100),
    Setting("grid 6, noise 1/16, ponds known: ring", 6, 1 / 16, evidence="ring", roofs=100),
    Setting("grid 6, noise 1/16, ponds known: both", 6, 1 / 16, evidence="both", roofs=100),
)


def judge_one(job: tuple[Setting, int]) -> dict:
    """Judge one roof of a setting."""
    setting, number = job
    start = time.process_time()
    kind = {"paraboloid": 1, "cosine": 2, "oval": 3}[setting.shape]
    rng = np.random.default_rng([SEED, kind, bool(setting.evidence), number])
    roof = draw_roof(rng, shape=setting.shape, waviness=setting.waviness_in * INCH)
    while setting.evidence and not true_ponds(roof)[0]:
        roof = draw_roof(rng, shape=setting.shape)
    spacing, sd = setting.grid_ft * FOOT, setting.noise_in * INCH
    soundings = take_readings(roof, spacing, sd, rng)
    lines, ringed = (), []
    if setting.evidence:
        soundings, lines, ringed = add_rings(
            roof,
            soundings,
            sd,
            rng,
            ring=setting.evidence in ("ring", "both"),
            centre=setting.evidence in ("middle", "both"),
        )
    outcome = judge_roof(roof, soundings, spacing, sd, SURFACES, [SEED, number], lines)
    for pond, one in zip(outcome.ponds, ringed, strict=False):
        pond["ringed"] = one
    took = time.process_time() - start
    return {
        "setting": setting.name,
        "roof": number,
        "rings": len(lines),
        "cpu": took,
        **asdict(outcome),
    }


def done_of(store: Path) -> dict[str, dict[int, dict]]:
    """Results kept so far: setting -> roof -> result."""
    done: dict[str, dict[int, dict]] = {setting.name: {} for setting in SETTINGS}
    path = store / "roofs.jsonl"
    if path.exists():
        for line in path.read_text().splitlines():
            result = json.loads(line)
            done.setdefault(result["setting"], {})[result["roof"]] = result
    return done


def plain(value):
    """Turn numpy's numbers into JSON's."""
    return value.item() if isinstance(value, np.generic) else str(value)


def run(store: Path, processes: int, share: float, minutes: float) -> None:
    """Judge what is missing, block by block over all settings, for at most some minutes."""
    store.mkdir(parents=True, exist_ok=True)
    done = done_of(store)
    stop = time.monotonic() + 60 * minutes
    with ProcessPoolExecutor(processes) as pool, (store / "roofs.jsonl").open("a") as kept:
        for first in range(0, 400, BLOCK):
            for setting in SETTINGS:
                last = min(first + BLOCK, round(setting.roofs * share))
                missing = [n for n in range(first, last) if n not in done[setting.name]]
                for result in pool.map(judge_one, [(setting, n) for n in missing], chunksize=2):
                    kept.write(json.dumps(result, default=plain) + "\n")
                kept.flush()
                if time.monotonic() > stop:
                    return


def main() -> None:
    """Run the study and write its report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--store", type=Path, default=Path(tempfile.gettempdir()) / "drainage-study"
    )
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--share", type=float, default=1.0, help="share of the roofs to judge")
    parser.add_argument("--minutes", type=float, default=600.0, help="stop after so long")
    parser.add_argument("--docs", type=Path, default=Path("docs"))
    given = parser.parse_args()
    run(given.store, given.processes, given.share, given.minutes)
    write_report(given.docs, done_of(given.store), SETTINGS)


if __name__ == "__main__":
    main()
