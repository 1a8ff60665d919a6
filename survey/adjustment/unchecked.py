"""Faults that this visit could not have shown, though they would bend its figures.

A prior (the print's size, the lens, how a board lies) is checked when the other observations tell
it too. A fault of the size that happens is tried on each: it may go unseen if the test of that
prior would find it with less than 99 % probability, and matters if it would move a length of an
outline by more than 2.5 of its half-widths. Both follow from the covariance, to first order.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.model import (
    LENS,
    LENS_MEAN,
    PLANE,
    POINT,
    PRINT_SCALE,
    TARGET,
    Array,
    Key,
    Network,
    PlaneParameters,
    Pose,
    Prior,
    State,
    TargetOnPlane,
)
from survey.adjustment.wording import listed
from survey.figures import NORMAL_95
from survey.findings import Finding, Severity

# Non-centrality that a test at 5 % over a visit's 150 readings (critical value 3.6) finds in 99 of
# 100 cases; Baarda's 4.13 finds it in 80 at 0.1 %.
SEEN = 5.9
HALF_WIDTHS = 2.5
PRINT_FAULT = 0.05  # "fit to page" prints at 94 to 97 %
FOCAL_FAULT = 0.3  # a zoom or crop of 1.3 times
LENS_FAULTS = (300.0, 300.0, 0.1)  # optical centre, px (a crop), and k1 (a wide lens)
TILT_FAULT = np.radians(3.0)
MOST_LENGTHS = 24


@dataclass(frozen=True, slots=True)
class Suspect:
    """An assumption whose fault is tried: function of the unknowns, its stated sd, the fault."""

    code: str
    where: str
    words: str
    cure: str
    function: Callable[[State], Array]
    keys: tuple[Key, ...]
    sd: float
    fault: float


def unchecked_findings(network: Network, solution: AdjustedNetwork) -> list[Finding]:
    """Name the classes of fault that nothing on the visit would show, where they matter."""
    lengths = list(itertools.islice(_lengths(network, solution), MOST_LENGTHS))
    if not lengths:
        return []
    findings = {}
    for suspect in _suspects(network, solution):
        if suspect.code not in findings and _unseen(solution, suspect, lengths):
            findings[suspect.code] = Finding(
                suspect.code, Severity.NOTE, suspect.where, suspect.words, suspect.cure
            )
    return list(findings.values())


def _lengths(network: Network, solution: AdjustedNetwork) -> Iterator[tuple[Key, Key]]:
    """Sides of all outlines whose ends have a place."""
    for outline in network.outlines.values():
        for start, end in zip(outline, (*outline[1:], *outline[:1]), strict=True):
            pair: tuple[Key, Key] = ((POINT, start), (POINT, end))
            if all(key in solution.state for key in pair):
                yield pair


def _unseen(solution: AdjustedNetwork, suspect: Suspect, lengths: list[tuple[Key, Key]]) -> bool:
    """Whether a fault would pass unseen and move some length by more than its interval allows."""
    keys = tuple(dict.fromkeys([*suspect.keys, *(key for pair in lengths for key in pair)]))

    def function(state: State) -> Array:
        sides = [
            float(np.linalg.norm(np.asarray(state[a]) - np.asarray(state[b]))) for a, b in lengths
        ]
        return np.append(suspect.function(state), sides)

    derived = solution.derive(function, keys)
    if not derived.estimable[0]:
        return False
    variance = suspect.sd**2
    redundancy = max(1.0 - derived.covariance[0, 0] / variance, 0.0)
    if suspect.fault / suspect.sd * np.sqrt(redundancy) > SEEN:
        return False
    sound = derived.estimable[1:]
    moved = np.abs(derived.covariance[0, 1:]) / variance * suspect.fault
    half = NORMAL_95 * np.sqrt(np.diag(derived.covariance)[1:])
    return bool(np.any(moved[sound] > HALF_WIDTHS * half[sound]))


def _suspects(network: Network, solution: AdjustedNetwork) -> Iterator[Suspect]:
    prints = [
        o
        for o in network.observations
        if isinstance(o, Prior)
        and o.key[0] == PRINT_SCALE
        and o.key in solution.state
        and o.mean_of is None
    ]
    if len(prints) > 1:
        yield _all_prints_suspect(prints)
    for o in network.observations:
        if isinstance(o, Prior) and o.key in solution.state:
            if o.key[0] == PRINT_SCALE and o.mean_of is None:
                yield _print_suspect(o)
            elif o.key[0] in (LENS, LENS_MEAN) and o.mean_of is None:
                yield from _lens_suspects(o)
        elif isinstance(o, TargetOnPlane):
            if (TARGET, o.target) in solution.state and (PLANE, o.plane) in solution.state:
                yield from _tilt_suspects(solution.state, o)


def _print_suspect(prior: Prior) -> Suspect:
    name = prior.key[1]

    def function(state: State) -> Array:
        return np.array([float(np.mean(np.asarray(state[prior.key]) / prior.mean))])

    # Both axes are off together: the mean of two readings, each with its sd.
    sd = float(np.linalg.norm(np.asarray(prior.sd) / np.asarray(prior.mean)) / 2)
    return Suspect(
        "print-scale-unchecked",
        f"target {name}",
        f"nothing on this visit would show if target {name} was printed or measured wrong: 1 % "
        "there is 1 % in every length and 2 % in every area",
        "tape one length between marked points, or put up a second target",
        function,
        (prior.key,),
        sd,
        PRINT_FAULT,
    )


def _all_prints_suspect(priors: list[Prior]) -> Suspect:
    """Doubt all prints alike (one ruler misread, one printer setting): none checks another."""
    names = listed([prior.key[1] for prior in priors])

    def function(state: State) -> Array:
        return np.array(
            [float(np.mean([np.mean(np.asarray(state[p.key]) / p.mean) for p in priors]))]
        )

    sds = [float(np.linalg.norm(np.asarray(p.sd) / np.asarray(p.mean)) / 2) for p in priors]
    return Suspect(
        "print-scale-unchecked",
        f"targets {names}",
        f"nothing on this visit would show if targets {names} were all printed or measured wrong "
        "alike: 1 % there is 1 % in every length and 2 % in every area",
        "tape one length between marked points",
        function,
        tuple(prior.key for prior in priors),
        float(np.linalg.norm(sds)) / len(sds),
        PRINT_FAULT,
    )


def _lens_suspects(prior: Prior) -> Iterator[Suspect]:
    name = prior.key[1]
    for part, fault in enumerate((FOCAL_FAULT * float(prior.mean[0]), *LENS_FAULTS)):

        def function(state: State, part: int = part) -> Array:
            return np.array([float(np.asarray(state[prior.key])[part])])

        yield Suspect(
            "lens-unchecked",
            f"lens of {name}",
            f"nothing on this visit would show if {name} had another lens, zoom or crop than its "
            "file tells",
            "mark level and plumb edges in the photo, or take a second photo from another stand",
            function,
            (prior.key,),
            float(prior.sd[part]),
            fault,
        )


def _tilt_suspects(state: State, tie: TargetOnPlane) -> Iterator[Suspect]:
    board = state[(TARGET, tie.target)]
    assert isinstance(board, Pose)
    for axis in (board.rotation[:, 0].copy(), board.rotation[:, 1].copy()):

        def function(at: State, axis: Array = axis) -> Array:
            pose, plane = at[(TARGET, tie.target)], at[(PLANE, tie.plane)]
            assert isinstance(pose, Pose) and isinstance(plane, PlaneParameters)
            turned = np.cross(pose.rotation[:, 2], plane.normal)
            return np.array([float(turned @ axis)])

        yield Suspect(
            "target-tilt-unchecked",
            f"target {tie.target}",
            f"nothing on this visit would show if target {tie.target} did not lie flat on "
            f"{tie.plane}",
            "put up a second target, mark level and plumb edges, or take a second photo",
            function,
            ((TARGET, tie.target), (PLANE, tie.plane)),
            tie.tilt_sd,
            TILT_FAULT,
        )
