"""Published levelling networks: what was read, and what the source prints.

Every case names its source and what of it was seen in print and what was recomputed from the
printed readings with an independent weighted least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from survey.adjustment.model import POINT, SETUP, Elevation, Network, RodHeight, State


@dataclass(frozen=True)
class LevellingNetwork:
    """Height differences `rises` (from, to, metres) with standard deviations `sds`."""

    name: str
    source: str
    known: dict[str, float]
    rises: tuple[tuple[str, str, float], ...]
    sds: tuple[float, ...]
    heights: dict[str, tuple[float, float]]  # printed or recomputed height, half its last digit
    height_sds: dict[str, tuple[float, float]] = field(default_factory=dict)
    residuals: tuple[float, ...] = ()  # adjusted minus observed, metres
    residual_half_digit: float = 0.0
    weighted_squares: tuple[float, float] | None = None
    redundancies: int = 0


# One-dimensional sample run of a general-purpose GNU geodetic adjustment program. Heights, sds,
# residuals and the largest normalised residual (1.68) are printed there.
ONE_FIXED_POINT = LevellingNetwork(
    name="eight rises, one fixed point",
    source="sample run of a GNU geodetic network adjustment program, 1-D network",
    known={"1a": 1000.0},
    rises=(
        ("1a", "4", -1.225),
        ("4", "3", -0.848),
        ("3", "2", 1.342),
        ("2", "1a", 0.720),
        ("1a", "2", -0.724),
        ("2", "3", -1.335),
        ("3", "4", 0.842),
        ("4", "1a", 1.231),
    ),
    sds=(0.005,) * 8,
    heights={"4": (998.77513, 5e-6), "3": (997.93325, 5e-6), "2": (999.27487, 5e-6)},
    height_sds={"4": (0.0031, 5e-5), "3": (0.0035, 5e-5), "2": (0.0031, 5e-5)},
    residuals=(0.000125, 0.006125, -0.000375, 0.005125, -0.001125, -0.006625, -0.000125, -0.006125),
    residual_half_digit=5e-7,
    weighted_squares=(146.625 / 25.0, 1e-3),
    redundancies=5,
)

# Strang and Borre's textbook network in a surveyors' forum thread: data, 4.636, the error factor
# 1.243 and its bounds 0.268 and 1.765 were seen; heights and residuals are recomputed.
THREE_BENCHMARKS = LevellingNetwork(
    name="three benchmarks, weights by length",
    source="Strang and Borre network as discussed in a surveyors' forum thread",
    known={"A": 10.021, "B": 10.321, "C": 11.002},
    rises=(
        ("A", "E", 0.732),
        ("A", "F", 1.978),
        ("B", "E", 0.420),
        ("C", "F", 0.988),
        ("E", "F", 1.258),
    ),
    sds=tuple(0.006 * np.sqrt(np.array([0.970, 1.002, 1.070, 1.110, 0.890]))),
    heights={"E": (10.7445, 5e-5), "F": (11.9976, 5e-5)},
    height_sds={"E": (0.00367, 5e-6), "F": (0.00371, 5e-6)},
    residuals=(-0.00850, -0.00138, 0.00350, 0.00762, -0.00488),
    residual_half_digit=6e-6,
    weighted_squares=(4.636, 5e-4),
    redundancies=3,
)

# Exam question on a homework archive: data and options (101.01 and 101.95 +- 0.03) were seen, the
# solution recomputed. Its closure fails the chi-square test.
FAILED_CLOSURE = LevellingNetwork(
    name="four benchmarks, closure fails",
    source="levelling network exam question on a homework archive",
    known={"A": 100.0, "B": 101.0, "C": 103.0, "D": 104.0},
    rises=(
        ("A", "P1", 1.01),
        ("B", "P1", 0.06),
        ("P2", "C", 1.09),
        ("P2", "D", 2.04),
        ("P1", "P2", 1.03),
    ),
    sds=tuple(0.01 * np.sqrt(np.array([1.0, 2.0, 1.0, 1.0, 3.0]))),
    heights={"P1": (101.007, 5e-4), "P2": (101.950, 5e-4)},
    height_sds={"P1": (0.0075, 5e-5), "P2": (0.0066, 5e-5)},
    weighted_squares=(56.4, 0.05),
    redundancies=3,
)

NETWORKS = (ONE_FIXED_POINT, THREE_BENCHMARKS, FAILED_CLOSURE)


def build(case: LevellingNetwork) -> tuple[Network, State]:
    """Book each rise as a set-up of its own: a backsight of 0 and a foresight of minus the rise."""
    observations = []
    state: State = {}
    for name, height in case.known.items():
        observations.append(Elevation(id=f"benchmark {name}", point=name, value=height, sd=0.0))
    for i, ((start, end, rise), sd) in enumerate(zip(case.rises, case.sds, strict=True)):
        setup = f"S{i}"
        observations.append(RodHeight(id=f"back {i}", setup=setup, point=start, value=0.0, sd=0.0))
        observations.append(
            RodHeight(id=f"fore {i}", setup=setup, point=end, value=-rise, sd=float(sd))
        )
        state[(SETUP, setup)] = np.zeros(1)
        for point in (start, end):
            height = case.known.get(point, 0.0)
            state.setdefault((POINT, point), np.array([0.0, 0.0, height]))
    return Network(observations=observations), state


def elevation(point: str):
    """Height of a point as a function of the state."""
    return lambda state: state[(POINT, point)][2:]
