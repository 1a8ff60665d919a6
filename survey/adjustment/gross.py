"""Gross errors in words: which reading disagrees, what it should read, what was probably meant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from survey.adjustment.equations import System
from survey.adjustment.fit import Choice, Fit, fit_readings, predict_rows
from survey.adjustment.model import (
    LENS,
    LENS_MEAN,
    PRINT_SCALE,
    EdgeInPhoto,
    Elevation,
    GravityLineInPhoto,
    Network,
    Observation,
    OnSurface,
    PointInPhoto,
    Prior,
    RodHeight,
    SlopeOfPlane,
    SpotOnPlane,
    State,
    TapeLength,
    TargetCorners,
    TargetMount,
    TargetOnPlane,
)
from survey.adjustment.slips import WITHIN, Slip, exchanged_names, usual_slip, wrong_end
from survey.adjustment.wording import describe, listed
from survey.findings import Finding, Severity
from survey.units import format_angle, format_length

READ = (TapeLength, RodHeight, SlopeOfPlane, Elevation)  # read and booked by a person


def slip_judge(system: System, fit: Fit, groups: list[int], *, units: str = "us") -> list[int]:
    """Pick, among readings that contradict each other, those that a usual slip explains.

    Parameters
    ----------
    system : System
    fit : Fit
        With all of them in use.
    groups : list of int
    units : str
        "us" or "metric": which slips are usual.

    Returns
    -------
    list of int
        Those with a common slip, if any; else those with a rarer one; empty if nothing usual
        explains any. Each is judged by the fit without it: a tape ten feet off bends the others
        further than a first-order prediction can follow.
    """
    picked: dict[bool, list[int]] = {True: [], False: []}
    for group in groups:
        slip = _slip_of(system, fit, fit.choice, group, units)
        if slip is not None:
            picked[slip.common].append(group)
    return picked[True] or picked[False]


def _slip_of(system: System, fit: Fit, choice: Choice, group: int, units: str) -> Slip | None:
    """Give the usual slip that takes a reading to what a fit without it says it should read."""
    row = int(system.group_first[group])
    observation = system.observations[system.observation[row]]
    if system.group_size[group] != 1 or not isinstance(observation, READ):
        return None
    used = choice.used.copy()
    used[group] = False
    without = fit_readings(system, fit.values, replace(choice, used=used))
    found = predict_rows(system, without, np.array([row]))
    if not found.estimable[0]:
        return None
    predicted = observation.value - float(found.difference[0])
    sd = float(np.sqrt(found.covariance[0, 0] + choice.variances(system)[row]))
    return usual_slip(observation, predicted, sd, units)


def gross_error_findings(network: Network, system: System, fit: Fit, state: State) -> list[Finding]:
    """One finding for each reading set aside; corners of one target in one photo together.

    Parameters
    ----------
    network : Network
        For its units.
    system : System
    fit : Fit
        Without the readings set aside.
    state : State
        Adjusted.
    """
    by_observation: dict[int, list[int]] = {}
    for group in np.flatnonzero(~fit.choice.used):
        row = int(system.group_first[group])
        by_observation.setdefault(int(system.observation[row]), []).append(int(group))
    partners = _exchanged(system, fit, by_observation)
    findings = []
    for index, groups in by_observation.items():
        observation = system.observations[index]
        if isinstance(observation, TargetCorners):
            findings.append(_corners(observation, len(groups)))
            continue
        findings.extend(
            _one(network, system, fit, state, observation, group, partners.get(index))
            for group in groups
        )
    return _together(findings)


def _one(
    network: Network,
    system: System,
    fit: Fit,
    state: State,
    observation: Observation,
    group: int,
    partner: Observation | None,
) -> Finding:
    """Write the finding for one reading set aside."""
    first = int(system.group_first[group])
    rows = np.arange(first, first + int(system.group_size[group]))
    found = predict_rows(system, fit, rows)
    off = float(np.linalg.norm(found.difference))
    sd = float(np.sqrt(np.trace(found.covariance) + fit.choice.variances(system)[rows].sum()))
    if isinstance(observation, READ):
        return _reading(network, state, observation, float(found.difference[0]), sd, partner)
    if isinstance(observation, Prior) and observation.key[0] in (PRINT_SCALE, LENS, LENS_MEAN):
        component = _component(system, first)
        return _prior(network, observation, component, float(found.difference[0]))
    if isinstance(observation, OnSurface) and observation.may_sag:
        return _sag(network, observation, observation.value - float(found.difference[0]))
    what, cure = _departure(network, observation, off)
    if partner is not None:
        cure = f"were it and {describe(partner)} exchanged?"
    return Finding("gross-error", Severity.CHECK, observation.where or observation.id, what, cure)


def _reading(
    network: Network,
    state: State,
    observation: TapeLength | RodHeight | SlopeOfPlane | Elevation,
    difference: float,
    sd: float,
    partner: Observation | None,
) -> Finding:
    """Write the finding for a booked reading, with the slip that explains it."""
    say = _spoken(network, observation)
    predicted = observation.value - difference
    what = (
        f"{describe(observation)} reads {say(observation.value)}, but everything else says "
        f"{say(predicted)}; it was set aside"
    )
    slip: Slip | None = usual_slip(observation, predicted, sd, network.units)
    other = wrong_end(observation, state, sd) if isinstance(observation, TapeLength) else None
    if partner is not None:
        cure = f"were its point name and that of {describe(partner)} exchanged?"
    elif slip is not None:
        cure = f"read it again: was it {say(slip.value)} ({slip.words})?"
    elif other is not None:
        cure = f"was it taped from {other[0]} to {other[1]}?"
    else:
        cure = "read it again, or check which points it was taken between"
    return Finding("gross-error", Severity.CHECK, observation.where or observation.id, what, cure)


def _sag(network: Network, observation: OnSurface, distance: float) -> Finding:
    """Write the finding for a point that shows the roof's own shape."""
    size = format_length(abs(distance), "metric" if network.units == "metric" else "us")
    side = "above" if distance > 0 else "below"
    return Finding(
        "point-off-plane",
        Severity.NOTE,
        observation.where or observation.id,
        f"{observation.point} lies {size} {side} {observation.on[0]} {observation.on[1]}, more "
        "than the plane was said to sag; it was taken for the roof's own shape",
        "read it again if no low or high spot can be seen there",
    )


def _corners(observation: TargetCorners, count: int) -> Finding:
    """Write the finding for corners of a target: a few are blunders, most mean it was moved."""
    total = len(observation.corners_px)
    where = observation.where or f"target {observation.target} in {observation.photo}"
    if count * 2 < total:
        return Finding(
            "target-corners-set-aside",
            Severity.NOTE,
            where,
            f"{count} of {total} corners of target {observation.target} do not fit in "
            f"{observation.photo} and were set aside",
            "look for something that covers the target or shines on it",
        )
    return Finding(
        "target-moved",
        Severity.CHECK,
        where,
        f"target {observation.target} does not stand in {observation.photo} where the other "
        "photos saw it; its corners there were set aside",
        "if it was moved between photos, declare it under two names",
    )


def _prior(network: Network, observation: Prior, component: int, difference: float) -> Finding:
    """Write the finding for a print scale or lens that the visit contradicts."""
    kind, name = observation.key
    where = observation.where or name
    if kind == PRINT_SCALE:
        axis = ("across", "down")[component]
        change = -difference / float(observation.mean[component])
        return Finding(
            "print-scale-contradicted",
            Severity.CHECK,
            where,
            f"target {name} is {abs(change):.1%} {'larger' if change > 0 else 'smaller'} {axis} "
            "than its check line was said to measure; that reading was set aside",
            "measure the printed check lines again",
        )
    whose = "the camera" if kind == LENS_MEAN else f"photo {name}"
    camera = network.cameras.get(name)
    assumed = float(observation.mean[0]) if camera is None else camera.focal
    told, cure = _lens_off(whose, component, difference, assumed)
    return Finding("lens-contradicted", Severity.CHECK, where, told, cure)


def _lens_off(whose: str, component: int, difference: float, assumed: float) -> tuple[str, str]:
    """Say which part of a lens the visit contradicts and by how much, and what to do."""
    cropped = "was the photo cropped, zoomed, or taken with another lens of the phone?"
    if component == 0:
        times = f"{1 - difference / assumed:.2f} times"
        return f"the focal length of {whose} is {times} what its file or calibration says", cropped
    if component < 3:
        return (
            f"the optical centre of {whose} lies {abs(difference):.0f} px "
            f"{('sideways', 'up or down')[component - 1]} from where its file or calibration has "
            "it, as after a crop",
            cropped,
        )
    return (
        f"the lens of {whose} bends straight lines (k{component - 2} {-difference:+.3f}) more than "
        "its file or calibration lets expect; the bend found is taken into account",
        "was it a wide, zoomed or clip-on lens? calibrate that lens, or use the main one (1 x)",
    )


def _together(findings: list[Finding]) -> list[Finding]:
    """Make one finding of all that is said of one lens: it is one lens that is not as told."""
    lenses: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.code == "lens-contradicted":
            lenses.setdefault(finding.where, []).append(finding)
    merged = {
        where: replace(of_lens[0], what="; ".join(finding.what for finding in of_lens))
        for where, of_lens in lenses.items()
    }
    rest = [finding for finding in findings if finding.code != "lens-contradicted"]
    return [*merged.values(), *rest]


def _component(system: System, row: int) -> int:
    """Which component of its vector a prior's row observes."""
    column = int(system.columns[row, 0])
    key = system.unknowns.column_keys()[column]
    return column - system.unknowns.first_column[key]


def _departure(network: Network, observation: Observation, off: float) -> tuple[str, str]:
    """Say what a mark or condition is off by, and what to do."""
    size = format_length(off, "metric" if network.units == "metric" else "us")
    match observation:
        case PointInPhoto():
            return (
                f"{describe(observation)} is {off:.0f} px from where all else puts it; it was set "
                "aside",
                "look at the mark again: is it the same corner as in the other photos?",
            )
        case EdgeInPhoto() | GravityLineInPhoto():
            return (
                f"{describe(observation)} is {off:.1f} px off; it was set aside",
                "look at the mark again: is it the same edge, and is it straight?",
            )
        case OnSurface():
            return (
                f"{describe(observation)} does not hold: it is {size} off; it was set aside",
                "check which plane the point lies on, or declare how far it stands off",
            )
        case SpotOnPlane():
            return (
                f"{describe(observation)} is {size} off; it was set aside",
                "check the taped distances, and from which corner and along which edge they count",
            )
        case TargetMount() | TargetOnPlane():
            tilt = format_angle(off)
            amount = tilt if isinstance(observation, TargetMount) else f"{tilt} or {size}"
            return (
                f"{describe(observation)} does not hold: it is {amount} off; it was set aside",
                "check how the target was put up",
            )
    return (
        f"{describe(observation)} does not hold; it was set aside",
        "check what was declared",
    )


def _spoken(network: Network, observation: Observation) -> Callable[[float], str]:
    """How to write a reading's value."""
    if isinstance(observation, SlopeOfPlane):
        return format_angle
    metric = network.units == "metric"
    return lambda value: format_length(value, "metric" if metric else "us")


def _exchanged(
    system: System, fit: Fit, by_observation: dict[int, list[int]]
) -> dict[int, Observation]:
    """Find pairs of readings set aside that fit with their names exchanged, both ways."""
    partners: dict[int, Observation] = {}
    indices = list(by_observation)
    for i, first in enumerate(indices):
        for second in indices[i + 1 :]:
            if _would_fit(system, fit, by_observation[first][0], by_observation[second][0]):
                partners[first] = system.observations[second]
                partners[second] = system.observations[first]
    return partners


def _would_fit(system: System, fit: Fit, first: int, second: int) -> bool:
    """Whether two readings of one instrument or photo fit with their points exchanged."""
    groups = (first, second)
    rows = [int(system.group_first[g]) for g in groups]
    one, two = (system.observations[system.observation[r]] for r in rows)
    variances = fit.choice.variances(system)
    if isinstance(one, RodHeight) and isinstance(two, RodHeight) and one.setup == two.setup:
        found = predict_rows(system, fit, np.array(rows))
        sd = float(np.sqrt(np.diag(found.covariance) + variances[rows]).max())
        pairs = [
            (o.value, o.value - float(d)) for o, d in zip((one, two), found.difference, strict=True)
        ]
        return exchanged_names(pairs[0], pairs[1], sd)
    if isinstance(one, PointInPhoto) and isinstance(two, PointInPhoto) and one.photo == two.photo:
        both = [np.array([r, r + 1]) for r in rows]
        found = predict_rows(system, fit, np.concatenate(both))
        sd = float(np.sqrt(np.diag(found.covariance).max() + variances[rows].max()))
        shifts = found.difference.reshape(2, 2)
        there = [np.array(o.px) - d for o, d in zip((one, two), shifts, strict=True)]
        crossed = [np.linalg.norm(np.array(one.px) - there[1])]
        crossed.append(np.linalg.norm(np.array(two.px) - there[0]))
        return bool(max(crossed) < 2 * WITHIN * sd)
    return False


def undecided_findings(
    network: Network, system: System, fit: Fit, undecided: list[tuple[int, ...]]
) -> list[Finding]:
    """Name readings that contradict each other when nothing tells which is wrong."""
    findings = []
    for rivals in undecided:
        rows = [int(system.group_first[g]) for g in rivals]
        observations = [system.observations[system.observation[r]] for r in rows]
        names = list(dict.fromkeys(describe(o) for o in observations))
        where = ", ".join(dict.fromkeys(o.where or o.id for o in observations))
        asked = _possible_slips(network, system, fit, rivals)
        findings.append(
            Finding(
                "readings-contradict",
                Severity.CHECK,
                where,
                f"{listed(names)} contradict each other and nothing tells which is wrong; they "
                "are used with far wider intervals",
                f"read them again: was it {asked}?"
                if asked
                else "read them again, or take one more reading that checks them",
            )
        )
    return findings


def _possible_slips(network: Network, system: System, fit: Fit, rivals: tuple[int, ...]) -> str:
    """Say what rivals would have been, each if it alone has a usual slip; empty if none fits."""
    widening = fit.choice.widening.copy()
    widening[list(rivals)] = 1.0
    choice = replace(fit.choice, widening=widening)
    asked = []
    for group in rivals:
        slip = _slip_of(system, fit, choice, group, network.units)
        if slip is not None:
            observation = system.observations[system.observation[system.group_first[group]]]
            say = _spoken(network, observation)
            asked.append(f"{say(slip.value)} for {describe(observation)} ({slip.words})")
    return " or ".join(asked)
