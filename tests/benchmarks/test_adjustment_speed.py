"""The adjustment of a visit, as ratios to scipy's general least squares on the same equations.

CPU time of one process, best of several turns taken alternately. scipy gets our residuals and our
sparse derivatives, its own trust-region solver, and gives no covariance, test or variance
component; ours does all of that within the ratio.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
import scipy.sparse
from scipy.optimize import least_squares

from survey.adjustment.equations import compile_network
from survey.adjustment.solver import solve
from tests.adjustment.scene import porch

pytestmark = pytest.mark.benchmark_ratio

TURNS = 2


def cpu(work):
    begin = time.process_time()
    work()
    return time.process_time() - begin


def scipy_solve(scene, start):
    """Sparse trust-region least squares over the same tangent parameters."""
    system, state = compile_network(scene.network, start)
    values = system.unknowns.pack(state)
    size = system.unknowns.size

    def residuals(step):
        return system.residuals(system.unknowns.move(values, step)) / system.sd

    def derivatives(step):
        _, slopes = system.linearise(system.unknowns.move(values, step))
        used = system.columns >= 0
        row = np.nonzero(used)[0]
        return scipy.sparse.csr_array(
            (-(slopes / system.sd[:, None])[used], (row, system.columns[used])),
            shape=(system.rows, size),
        )

    return least_squares(
        residuals, np.zeros(size), jac=derivatives, x_scale="jac", method="trf", ftol=1e-10
    )


@pytest.mark.parametrize(
    ("photos", "points", "share"),
    [(8, 30, 1.0), (40, 400, 0.25)],
    ids=["8 photos, 30 points", "40 photos, 400 points"],
)
def test_an_adjustment_with_everything_beside_bare_scipy(tell, photos, points, share):
    rng = np.random.default_rng(1)
    scene = porch(rng, photos=photos, points=points, targets=2, tapes=2, rods=4, share_seen=share)
    start = scene.start(rng)
    ours, theirs, found, bare = [], [], [], []
    for _ in range(TURNS):
        ours.append(cpu(lambda: found.append(solve(scene.network, start))))
        theirs.append(cpu(lambda: bare.append(scipy_solve(scene, start))))
    ratio = min(ours) / min(theirs)
    tell(f"adjustment of {photos} photos over scipy's least squares", ratio, 1.0)
    tell("the same, seconds of one processor", min(ours), 0.5 if photos == 8 else 1.0)
    assert found[0].finished
