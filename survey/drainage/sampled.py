"""A plane judged by surfaces drawn from its readings."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from survey.adjustment.network_marks import penetrations_of
from survey.drainage.domain import Domain
from survey.drainage.edges import Role
from survey.drainage.evidence import Soundings
from survey.drainage.findable import smallest_findable
from survey.drainage.flow import derive_contours, fall_arrows, flow_paths
from survey.drainage.judging import Batch, Draws, ponds_of_surfaces
from survey.drainage.low_spots import Setting, describe_low_spots, leaves_by
from survey.drainage.matching import Match, match_ponds
from survey.drainage.model import (
    Likelihood,
    LowSpot,
    NextReading,
    PlaneDrainage,
    Taper,
    TideLineFit,
)
from survey.drainage.next_readings import next_readings
from survey.drainage.outlets import blocked_outlets, outlet_states
from survey.drainage.ponds import Pond, flood
from survey.drainage.presumed import held_back, no_way_out, presumptions, valley_falls
from survey.drainage.remedies import derive_saddles, derive_taper
from survey.drainage.sampler import pose_question, sample_guesses
from survey.drainage.slopes import SlopeTally
from survey.drainage.surfaces import Drafter
from survey.drainage.tide_lines import TideLine, keeps_to_ring, ring_sd
from survey.figures import Figure, Measured, NotObserved
from survey.findings import Finding, Severity
from survey.planes.model import MeasuredPlane, PlaneSet
from survey.visit.model import Visit

Array = npt.NDArray[np.float64]

KEPT_SURFACES = 60  # whole surfaces held for outlets, remedies and the next reading
RING_SPARE = 2  # times as many surfaces are drawn where tide lines sort some out
FEWEST_AGREEING = 0.1  # share of surfaces that must keep to the tide lines
WORTH_TAPER = 0.02  # share of a plane under its minimum from which fill is worked out


@dataclass(frozen=True, slots=True)
class Case:
    """One plane with its cells and what was read on it."""

    plane: MeasuredPlane
    planes: PlaneSet
    visit: Visit
    domain: Domain
    soundings: Soundings
    names: tuple[str, ...]
    spacing: float
    minimum: float | None
    tide_lines: tuple[TideLine, ...]

    @property
    def fall(self) -> float:
        """Fall of the plane, m/m."""
        assert self.plane.gradient is not None
        return float(np.hypot(*self.plane.gradient))


@dataclass(slots=True)
class Seen:
    """What was kept of all surfaces drawn.

    `open_ponds` and `dammed_ponds` with the edges nobody described open and as walls; `agrees`
    whether a surface keeps to the tide lines; `ring_levels` (s, l) and `ring_bottoms` (s, l) the
    height of each ring's water and of the roof inside.
    """

    slopes: SlopeTally
    open_ponds: list[tuple[Pond, ...]] = field(default_factory=list)
    dammed_ponds: list[tuple[Pond, ...]] = field(default_factory=list)
    total: Array | None = None
    count: int = 0
    some: list[Array] = field(default_factory=list)
    agrees: list[bool] = field(default_factory=list)
    ring_depths: list[list[float]] = field(default_factory=list)

    @property
    def mean(self) -> Array:
        """Mean surface (m,)."""
        assert self.total is not None
        mean: Array = self.total / self.count
        return mean


def judge_by_sampling(case: Case, seed: tuple[int, ...], surfaces: int) -> PlaneDrainage:
    """Draw surfaces from what the readings say and judge each."""
    domain = case.domain
    question, extent = pose_question(
        case.soundings,
        domain.outline,
        tide_lines=case.tide_lines,
        open_sides=[border.role is not Role.DAM for border in domain.borders],
    )
    rng = np.random.default_rng(seed)
    count = surfaces * (RING_SPARE if case.tide_lines else 1)
    guesses = sample_guesses(question, case.spacing, count, rng)
    draws = Draws(Drafter(question, extent, domain), guesses, seed)
    open_lifts = domain.lifts(unknown_open=True)
    dam_lifts = domain.lifts(unknown_open=False)
    seen = _look(case, draws, open_lifts, dam_lifts)
    numbers, ring_findings = _agreeing(case, seen, surfaces)
    spots, matches, findings = _spots(case, draws, seen, numbers, open_lifts, dam_lifts)
    notes, edge_findings = presumptions(domain)
    some = np.array(seen.some)
    mean = seen.mean
    findable = smallest_findable(question, case.fall, case.spacing)
    slope_field = seen.slopes.slope_field()
    leaving = leaves_by(domain, mean, open_lifts)
    return PlaneDrainage(
        plane=case.plane.spec.name,
        low_spots=spots,
        slope_field=slope_field,
        leaves_by=leaving,
        smallest_findable=findable,
        reading_spacing=case.spacing if case.names else None,
        reading_count=len(case.names),
        notes=(*_unseen(findable, spots), *notes),
        findings=(*edge_findings, *findings, *ring_findings),
        flow_paths=flow_paths(domain, mean, open_lifts) if leaving else (),
        arrows=fall_arrows(domain, mean),
        contours=derive_contours(domain, mean),
        valleys=valley_falls(case.plane, case.minimum),
        outlets=outlet_states(domain, some),
        blocked=blocked_outlets(domain, some),
        next_readings=_next(case, draws, matches, numbers),
        taper=_taper(case, slope_field.share_under, spots, leaving, some),
        saddles=derive_saddles(case.plane, domain, penetrations_of(case.visit)),
        tide_lines=_ring_fits(case, seen),
        readings=case.soundings.places[: len(case.names)],
        outline=domain.outline,
        edge_roles=tuple((b.name, b.role.value) for b in domain.borders),
        curbs=domain.blocks,
        outlet_places=tuple((o.name, o.at) for o in domain.outlets if not o.is_edge),
    )


def _look(case: Case, draws: Draws, open_lifts: Array, dam_lifts: Array) -> Seen:
    """Draw every surface once and keep what is needed."""
    domain = case.domain
    seen = Seen(SlopeTally(domain, case.minimum))
    unknown = any(border.role is Role.UNKNOWN for border in domain.borders)
    for batch in draws.batches():
        seen.slopes.add(batch.heights)
        total = batch.heights.sum(axis=0)
        seen.total = total if seen.total is None else seen.total + total
        seen.count += len(batch.surfaces)
        seen.some += list(batch.heights[: max(0, KEPT_SURFACES - len(seen.some))].copy())
        if np.isfinite(open_lifts).any():
            seen.open_ponds += ponds_of_surfaces(domain, batch.surfaces, batch.heights, open_lifts)
        if unknown and np.isfinite(dam_lifts).any():
            seen.dammed_ponds += ponds_of_surfaces(domain, batch.surfaces, batch.heights, dam_lifts)
        if case.tide_lines:
            _look_at_rings(case, batch, open_lifts, seen)
    return seen


def _look_at_rings(case: Case, batch: Batch, lifts: Array, seen: Seen) -> None:
    """Hold surfaces against what tide lines say on one side."""
    domain = case.domain
    level = flood(domain, batch.heights, lifts).level
    for i, surface in enumerate(batch.surfaces):
        agrees, depths = True, []
        for number, line in enumerate(case.tide_lines):
            places = line.inside
            inside = surface.heights(places)
            cells = np.round((places - domain.origin) / domain.step).astype(int)
            cells = np.clip(cells, 0, np.array(domain.shape)[::-1] - 1)
            standing = level[i, cells[:, 1], cells[:, 0]]
            water = float(surface.levels[number])
            agrees &= keeps_to_ring(water, inside, standing, ring_sd(line, case.fall))
            depths.append(water - float(inside.min()))
        seen.agrees.append(agrees)
        seen.ring_depths.append(depths)


def _agreeing(case: Case, seen: Seen, surfaces: int) -> tuple[list[int], tuple[Finding, ...]]:
    """Numbers of the surfaces that keep to the tide lines, and a finding when hardly any does."""
    if not case.tide_lines:
        return list(range(seen.count)), ()
    kept = [i for i, agrees in enumerate(seen.agrees) if agrees]
    if len(kept) >= max(FEWEST_AGREEING * seen.count, 10):
        return kept[:surfaces], ()
    names = " and ".join(repr(line.name) for line in case.tide_lines)
    finding = Finding(
        "tide-line-disagrees",
        Severity.CHECK,
        f"plane {case.plane.spec.name!r}",
        f"the roof read inside tide line {names} is not lower than its edge, or could not hold "
        f"water that high, on {100 * (1 - len(kept) / max(seen.count, 1)):.0f} % of the surfaces "
        "that fit the readings",
        "read the rod once inside the ring and once on its edge, and check where it was traced",
    )
    return list(range(min(seen.count, surfaces))), (finding,)


def _spots(
    case: Case,
    draws: Draws,
    seen: Seen,
    numbers: list[int],
    open_lifts: Array,
    dam_lifts: Array,
) -> tuple[tuple[LowSpot, ...], list[Match], tuple[Finding, ...]]:
    """Low spots with unknown edges open, then those that only unknown dams would make."""
    domain = case.domain
    findings: list[Finding] = []
    condition = held_back(domain)
    if not seen.open_ponds:
        return (), [], (no_way_out(domain, ""),)
    matches = match_ponds([seen.open_ponds[i] for i in numbers], domain.shape)
    read = case.soundings.places[: len(case.names)]
    setting = Setting(domain, draws, open_lifts, read, case.names, case.spacing)
    spots = describe_low_spots(setting, matches, numbers)
    if condition and not seen.dammed_ponds:
        findings.append(no_way_out(domain, condition))
    elif condition:
        dammed = match_ponds([seen.dammed_ponds[i] for i in numbers], domain.shape)
        others = describe_low_spots(replace(setting, lifts=dam_lifts), dammed, numbers)
        spots = (*spots, *_only_if(spots, others, condition))
    return spots, matches, tuple(findings)


def _only_if(
    spots: tuple[LowSpot, ...], dammed: tuple[LowSpot, ...], condition: str
) -> tuple[LowSpot, ...]:
    """Low spots of the dammed reading that the open reading doesn't have, renamed to follow."""
    fresh = [
        spot
        for spot in dammed
        if not any(
            np.linalg.norm(spot.deepest - other.deepest) < 0.3
            and abs(spot.probability - other.probability) < 0.2
            for other in spots
        )
    ]
    return tuple(
        replace(spot, name=f"{spot.plane} low spot {len(spots) + i}", only_if=condition)
        for i, spot in enumerate(fresh, start=1)
    )


def _unseen(findable: Measured, spots: tuple[LowSpot, ...]) -> tuple[str, ...]:
    """Say what could hide from these readings; never that there is no ponding."""
    if isinstance(findable, NotObserved):
        seen = f"{findable.why}; {findable.cure}"
    else:
        seen = (
            "a pond 1/4 in deep would be shown by these readings if it were "
            f"{findable.value / 0.3048:.1f} ft ({findable.value:.2f} m) across or wider; smaller "
            "or shallower ones may hide"
        )
    if any(spot.likelihood is not Likelihood.NOT_SHOWN for spot in spots):
        return (seen,)
    return (f"no low spot is shown by these readings: {seen}",)


def _next(
    case: Case, draws: Draws, matches: list[Match], numbers: list[int]
) -> tuple[NextReading, ...]:
    """Places to read next for the low spots in doubt."""
    if not matches:
        return ()
    domain = case.domain
    few = numbers[:200]
    every = domain.index[domain.inside][:: max(1, int(domain.inside.sum()) // 700)]
    heights = np.array([draws.heights(i)[every] for i in few])
    depths = np.array(
        [
            [0.0 if pond is None else pond.depth for pond in match.ponds[: len(few)]]
            for match in matches
        ]
    ).T
    first, second = case.plane.outline_plane[0], case.plane.outline_plane[1]
    across = (second - first) / np.linalg.norm(second - first)
    return next_readings(domain.points[every], heights, depths, origin=first, across=across)


def _taper(
    case: Case,
    share_under: Measured,
    spots: tuple[LowSpot, ...],
    leaving: tuple[str, ...],
    some: Array,
) -> Taper | None:
    """Fill to the minimum fall towards the busiest way out, where it is wanted."""
    if case.minimum is None or not leaving:
        return None
    too_flat = isinstance(share_under, Figure) and share_under.value > WORTH_TAPER
    if not too_flat and not any(spot.probability >= 0.5 for spot in spots):
        return None
    outlet = next(o for o in case.domain.outlets if o.name == leaving[0])
    return derive_taper(case.domain, some, outlet, case.minimum)


def _ring_fits(case: Case, seen: Seen) -> tuple[TideLineFit, ...]:
    """Depth that each tide line's water would have had, and whether the surfaces agree."""
    if not case.tide_lines:
        return ()
    depths = np.array(seen.ring_depths)
    agrees = float(np.mean(seen.agrees)) >= FEWEST_AGREEING
    return tuple(
        TideLineFit(
            line.name,
            line.outline,
            Figure(float(np.median(depths[:, j])), float(depths[:, j].std()), "m"),
            agrees,
        )
        for j, line in enumerate(case.tide_lines)
    )
