"""Accuracy study: how near the truth, how honest the intervals, against the best that is possible.

Run from the repository's folder: ``python -m tests.studies.accuracy``. Results of single visits are
kept in ``--store``, so that a study can be stopped and taken up again; the report and its plot are
written to docs/.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from tests.studies.accuracy_report import write_report
from tests.studies.accuracy_rows import FAULT_VISITS, FAULTS, ROWS, fault_row, judge_visit

SEED = 2025
BLOCK = 25


def judge_block(job: tuple[str, int, int, int]) -> list[dict]:
    """Judge some visits of one row: which list, which row, first visit, how many."""
    part, index, first, count = job
    if part == "row":
        row, key = ROWS[index], 0
    else:
        names = [(fault, visit) for fault in FAULTS for visit in FAULT_VISITS]
        row, key = fault_row(*names[index]), 1
    return [
        judge_visit(row, np.random.default_rng([SEED, key, index, number]))
        for number in range(first, first + count)
    ]


def run(store: Path, visits: int, fault_visits: int, workers: int) -> dict[str, list]:
    """Judge every visit that is not yet in the store."""
    store.mkdir(parents=True, exist_ok=True)
    faults = len(FAULTS) * len(FAULT_VISITS)
    wanted = [("row", i, visits) for i in range(len(ROWS))]
    wanted += [("fault", i, fault_visits) for i in range(faults)]
    jobs = [
        (part, i, first, min(BLOCK, count - first))
        for part, i, count in wanted
        for first in range(0, count, BLOCK)
    ]

    def place(job: tuple[str, int, int, int]) -> Path:
        return store / "-".join(str(x) for x in job)

    missing = [job for job in jobs if not place(job).exists()]
    with ProcessPoolExecutor(workers) as pool:
        for job, results in zip(missing, pool.map(judge_block, missing), strict=True):
            place(job).write_text(json.dumps(results))
    gathered: dict[str, list] = {
        "row": [[] for _ in ROWS],
        "fault": [[] for _ in range(faults)],
    }
    for job in jobs:
        gathered[job[0]][job[1]] += json.loads(place(job).read_text())
    return gathered


def main() -> None:
    """Run the study and write its report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=500, help="visits a row")
    parser.add_argument("--fault-visits", type=int, default=20, help="visits a fault and stand")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--store", type=Path, default=Path(tempfile.gettempdir()) / "accuracy")
    parser.add_argument("--docs", type=Path, default=Path("docs"))
    given = parser.parse_args()
    gathered = run(given.store, given.visits, given.fault_visits, given.workers)
    write_report(gathered, given.docs)


if __name__ == "__main__":
    main()
