"""Simulated roofs with known ponds, and what the drainage part makes of readings on them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from scipy import ndimage
from skimage.measure import find_contours

from survey.drainage.domain import Domain, build_domain
from survey.drainage.edges import Role
from survey.drainage.evidence import Soundings
from survey.drainage.judging import Draws, ponds_of_surfaces
from survey.drainage.matching import match_ponds
from survey.drainage.ponds import COUNTABLE_AREA, COUNTABLE_DEPTH, find_ponds, flood
from survey.drainage.refining import refine_pond
from survey.drainage.sampler import pose_question, sample_guesses
from survey.drainage.surfaces import Drafter
from survey.drainage.tide_lines import TideLine
from tests.drainage.roofs import FOOT, INCH, grid_places, plane_set, shed_roof, visit

WIDTH, LENGTH = 20 * FOOT, 40 * FOOT
FALLS = (1 / 96, 1 / 48, 1 / 24)  # 1/8, 1/4, 1/2 in per ft
FALL_ODDS = (0.50, 0.35, 0.15)
CELL = 6 * INCH


@dataclass(frozen=True)
class Roof:
    """Truth of one simulated roof: fall and dishes (x, y, radius, depth, stretch, turn)."""

    fall: float
    dishes: np.ndarray
    shape: str  # "paraboloid", "cosine" or "oval"
    waves: np.ndarray  # (m, 4): amplitude, wave numbers kx, ky, phase

    def heights(self, places):
        x, y = places[..., 0], places[..., 1]
        z = self.fall * y
        for cx, cy, radius, depth, stretch, turn in self.dishes:
            a = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
            b = (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
            q = np.sqrt((a / (radius * stretch)) ** 2 + (b * stretch / radius) ** 2)
            if self.shape == "cosine":
                z = z - depth * np.where(q < 1, 0.5 * (1 + np.cos(np.pi * np.minimum(q, 1))), 0)
            else:
                z = z - depth * np.clip(1 - q**2, 0, None)
        for amplitude, kx, ky, phase in self.waves:
            z = z + amplitude * np.sin(kx * x + ky * y + phase)
        return z


def draw_roof(rng, *, shape="paraboloid", waviness=0.0) -> Roof:
    """Fall by odds, 0-3 dishes 1/4-1 in deep and 3-10 ft wide, anywhere on the roof."""
    fall = FALLS[rng.choice(3, p=FALL_ODDS)]
    count = rng.integers(4)
    dishes = np.column_stack(
        [
            rng.uniform(0, WIDTH, count),
            rng.uniform(0, LENGTH, count),
            rng.uniform(1.5 * FOOT, 5 * FOOT, count),
            rng.uniform(0.25 * INCH, 1.0 * INCH, count),
            np.sqrt(rng.uniform(1.0, 1.6, count)) if shape == "oval" else np.ones(count),
            rng.uniform(0, np.pi, count),
        ]
    )
    waves = np.zeros((0, 4))
    if waviness:
        length = rng.uniform(3 * FOOT, 10 * FOOT, 12)
        turn = rng.uniform(0, np.pi, 12)
        waves = np.column_stack(
            [
                np.full(12, waviness * np.sqrt(2 / 12)),
                2 * np.pi / length * np.cos(turn),
                2 * np.pi / length * np.sin(turn),
                rng.uniform(0, 2 * np.pi, 12),
            ]
        )
    return Roof(fall, dishes, shape, waves)


_PLANE, _EDGES = shed_roof(fall=0.0)
_PLANES = plane_set(_PLANE, _EDGES)
DOMAIN: Domain = build_domain(_PLANE, _PLANES, visit(), cell=CELL)
OPEN_SIDES = [border.role is not Role.DAM for border in DOMAIN.borders]
FINE: Domain = build_domain(_PLANE, _PLANES, visit(), cell=2.5 * INCH)


def true_ponds(roof: Roof):
    """Ponds of the truth: flooded on 2.5 in cells, worked out below them."""
    lifts = FINE.lifts(unknown_open=True)
    flooded = flood(FINE, roof.heights(FINE.points)[None], lifts)
    ponds = [
        refine_pond(FINE, flooded, 0, pond, lifts, roof.heights)
        for pond in find_ponds(FINE, flooded, 0)
        if pond.depth > 0.3 * COUNTABLE_DEPTH
    ]
    return [p for p in ponds if p.countable], flooded.depth[0]


@dataclass
class Outcome:
    """What came of one roof. Lengths in inches and feet, for the tables."""

    ponds: list = field(default_factory=list)  # per true pond
    flags: list = field(default_factory=list)  # per low spot named
    patches: list = field(default_factory=list)  # per patch of cells wet at P >= 0.25 or 0.5
    roof_depth: float = 0.0
    roof_interval: tuple = (0.0, 0.0)
    cells: list = field(default_factory=list)  # (forecast bin, sum of forecasts, wet, cells)
    brier: tuple = (0.0, 0.0, 0)  # sum of squares, wet cells, cells


def take_readings(roof: Roof, spacing: float, sd: float, rng) -> Soundings:
    """Readings on a square grid with the far edges added."""
    places = grid_places(WIDTH, LENGTH, spacing)
    heights = roof.heights(places) + rng.normal(0.0, sd, len(places))
    return Soundings(places, heights, np.eye(len(places)) * sd**2)


def ring_of(pond, roof: Roof, rng, *, count=10, plan_sd=0.1 * FOOT):
    """Points seen on the edge of a full pond, each off in plan; None where it can't be traced."""
    cells = FINE.origin + pond.cells[:, ::-1] * FINE.step
    low, high = cells.min(axis=0) - FOOT, cells.max(axis=0) + FOOT
    step = 0.6 * INCH
    axes = [np.arange(a, b, step) for a, b in zip(low, high, strict=True)]
    places = np.stack(np.meshgrid(*axes), axis=-1)
    on_roof = ((places > 0) & (places < [WIDTH, LENGTH])).all(axis=-1)
    z = np.where(on_roof, roof.heights(places), pond.level + 1.0)
    for line in find_contours(z, pond.level - 0.02 * pond.depth):
        ring = low + line[:, ::-1] * step
        if len(ring) < 8 or not np.allclose(ring[0], ring[-1]):
            continue
        if shapely.Polygon(ring).contains(shapely.Point(pond.deepest)):
            off_wall = np.minimum(ring, [WIDTH, LENGTH] - ring).min(axis=1) > 2 * INCH
            seen = ring[off_wall][:-1]
            if len(seen) < 2 * count:
                return None
            along = np.linspace(0, len(seen), count, endpoint=False)
            traced = seen[(along + rng.uniform(0, len(seen) / count)).astype(int) % len(seen)]
            return traced + rng.normal(0, plan_sd, traced.shape)
    return None


def add_rings(roof: Roof, soundings: Soundings, sd: float, rng, *, ring=True, centre=True):
    """Add what is seen of every true pond: its edge, and one rod reading in its middle."""
    truth, _ = true_ponds(roof)
    lines, middles, ringed = [], [], []
    for k, pond in enumerate(truth):
        traced = ring_of(pond, roof, rng)
        ringed.append(traced is not None)
        if traced is None:
            continue
        line = TideLine(f"T{k}", "porch", traced, 0.1 * FOOT)
        lines.append(line)
        middles.append(line.middle)
    if centre and middles:
        places = np.array(middles)
        heights = roof.heights(places) + rng.normal(0, sd, len(places))
        soundings = Soundings(
            np.vstack([soundings.places, places]),
            np.append(soundings.heights, heights),
            np.eye(len(soundings.heights) + len(places)) * sd**2,
        )
    return soundings, tuple(lines) if ring else (), ringed


def judge_roof(
    roof: Roof, soundings: Soundings, spacing: float, sd: float, surfaces: int, seed, lines=()
):
    """Run the drainage part on readings and compare it with the truth."""
    rng = np.random.default_rng(seed)
    question, extent = pose_question(
        soundings, DOMAIN.outline, tide_lines=lines, open_sides=OPEN_SIDES
    )
    guesses = sample_guesses(question, spacing, surfaces, rng)
    draws = Draws(Drafter(question, extent, DOMAIN), guesses, (seed[-1],))
    lifts = DOMAIN.lifts(unknown_open=True)
    ponds = []
    deep = np.zeros(DOMAIN.shape)
    for batch in draws.batches():
        ponds += ponds_of_surfaces(DOMAIN, batch.surfaces, batch.heights, lifts)
        deep += (flood(DOMAIN, batch.heights, lifts).depth >= COUNTABLE_DEPTH).sum(axis=0)
    return compare(roof, ponds, deep / len(guesses), spacing, sd)


def compare(roof: Roof, ponds, forecast, spacing, sd) -> Outcome:
    """Score matched low spots, cells and the roof's deepest water against the truth."""
    truth, true_depth = true_ponds(roof)
    matches = match_ponds(ponds, DOMAIN.shape)
    masks = [_mask(p, FINE) for p in truth]
    any_water = _coarse(true_depth > 0)
    out = Outcome()
    deepest = np.array([max((p.depth for p in each), default=0.0) for each in ponds])
    out.roof_depth = max((p.depth for p in truth), default=0.0) / INCH
    out.roof_interval = tuple(np.quantile(deepest, [0.025, 0.975]) / INCH)
    coarse_masks = [_coarse(m) for m in masks]
    for match in matches:
        depths = np.array([0.0 if p is None else p.depth for p in match.ponds])
        region = match.frequency >= 0.5 * match.frequency.max()
        touched = [float((m & region).sum()) for m in coarse_masks]
        hit = int(np.argmax(touched)) if touched and max(touched) > 0 else -1
        true = truth[hit].depth / INCH if hit >= 0 else 0.0
        low, high = np.quantile(depths, [0.025, 0.975]) / INCH
        false = not (any_water & region).any()
        out.flags.append((match.probability, hit, false, true, low, high))
    for least in (0.25, 0.5):
        labels, count = ndimage.label((forecast >= least) & DOMAIN.inside, np.ones((3, 3)))
        for number in range(1, count + 1):
            patch = labels == number
            if patch.sum() * DOMAIN.cell_area >= COUNTABLE_AREA:
                hits = [k for k, m in enumerate(coarse_masks) if (m & patch).any()]
                out.patches.append((least, hits, not (any_water & patch).any()))
    for k, (pond, mask) in enumerate(zip(truth, coarse_masks, strict=True)):
        mine = [
            max((p.depth for p in each if mask[p.cells[:, 0], p.cells[:, 1]].any()), default=0.0)
            for each in ponds
        ]
        touching = [m for m, flag in zip(matches, out.flags, strict=True) if flag[1] == k]
        best = max(touching, key=lambda m: m.probability, default=None)
        here = [] if best is None else [p for p in best.ponds if p is not None]
        diameter = 2 * np.sqrt(pond.area / np.pi)
        resolvable = diameter >= spacing and pond.depth >= max(3 / 16 * INCH, 3 * sd)
        out.ponds.append(
            dict(
                depth=pond.depth / INCH,
                area=pond.area / FOOT**2,
                resolvable=bool(resolvable),
                probability=0.0 if best is None else best.probability,
                estimate=float(np.mean(mine)) / INCH,
                reported=float(np.median([p.depth for p in here])) / INCH if here else 0.0,
                area_estimate=float(np.median([p.area for p in here])) / FOOT**2 if here else 0.0,
                interval=tuple(np.quantile(mine, [0.025, 0.975]) / INCH),
            )
        )
    p = forecast[DOMAIN.inside]
    w = _deep_cells(roof)[DOMAIN.inside]
    out.brier = (float(((p - w) ** 2).sum()), float(w.sum()), len(w))
    bins = np.clip((p * 10).astype(int), 0, 9)
    out.cells = [
        (int(b), float(p[bins == b].sum()), float(w[bins == b].sum()), int((bins == b).sum()))
        for b in range(10)
        if (bins == b).any()
    ]
    return out


def _deep_cells(roof):
    """Cells of the working grid under countable water, flooded on that grid."""
    flooded = flood(DOMAIN, roof.heights(DOMAIN.points)[None], DOMAIN.lifts(unknown_open=True))
    return (flooded.depth[0] >= COUNTABLE_DEPTH).astype(float)


def _mask(pond, domain):
    mask = np.zeros(domain.shape, dtype=bool)
    mask[pond.cells[:, 0], pond.cells[:, 1]] = True
    return mask


def _coarse(fine):
    """Working cells that any fine cell of a mask falls into."""
    out = np.zeros(DOMAIN.shape, dtype=bool)
    rows, columns = np.nonzero(fine)
    places = FINE.origin + np.column_stack([columns, rows]) * FINE.step
    cells = np.round((places - DOMAIN.origin) / DOMAIN.step).astype(int)
    out[cells[:, 1], cells[:, 0]] = True
    return out
