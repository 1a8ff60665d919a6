"""Fitting a straight line to the image edge that runs along a marked stretch."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8]

SMOOTHING_PX = 1.0  # sd of the Gaussian across the edge
ACROSS_STEP_PX = 0.25
MOST_PROFILES = 240
LEAST_PROFILES = 8
FAINTEST = 3.0  # grey levels a pixel
ON_LINE_PX = 1.2  # a profile's edge farther from the line is another one
LEAST_SHARE = 0.5  # of the profiles that must show the edge
BLOCK_PX = 3.0  # pieces of an edge whose disagreement gives the sd; shorter ones share their noise
MOST_BLOCKS = 12
ROUNDS = 12
VOTES = 90  # pairs of spots tried for a line; half of the spots being right, one pair in four is
OUTER_PX = 4.0  # beside the axis on which an edge is looked for
TURNS = 4
STRAIGHT = 0.003  # radians, 0.05 px over a window
STILL_PX = 0.02


@dataclass(frozen=True, slots=True)
class LineFit:
    """A line beside an axis: ``offset = at @ (1, t)``, with its covariance; px."""

    at: Array
    covariance: Array

    def offset(self, t: float) -> float:
        """Offset square to the axis at `t` along it."""
        return float(self.at[0] + self.at[1] * t)

    def sd(self, t: float) -> float:
        """Sd of that offset."""
        row = np.array([1.0, t])
        return float(np.sqrt(row @ self.covariance @ row))


@dataclass(frozen=True, slots=True)
class Axis:
    """A fitted edge: a place on it, its unit direction, and how sure the fit is about it."""

    origin: Array
    along: Array
    covariance: Array

    @property
    def normal(self) -> Array:
        """Unit vector square to it."""
        return np.array([-self.along[1], self.along[0]])

    def foot(self, place: Array) -> Array:
        """Nearest point of the edge."""
        return np.asarray(self.origin + self.along * float((place - self.origin) @ self.along))

    def sd_at(self, place: Array) -> float:
        """Sd square to it where it passes a place, px."""
        row = np.array([1.0, float((place - self.origin) @ self.along)])
        return float(np.sqrt(row @ self.covariance @ row))


def fit_axis(
    grey: Pixels, origin: Array, along: Array, t: Array, radius: float, least_share: float
) -> Axis | None:
    """Fit the edge beside an axis, turning the axis onto it until it stands still.

    Arguments as for `fit_line`.
    """
    line = None
    for _ in range(TURNS):
        line = fit_line(grey, origin, along, t, radius, least_share)
        if line is None:
            return None
        normal = np.array([-along[1], along[0]])
        origin = origin + line.at[0] * normal
        along = along + line.at[1] * normal
        along = along / np.linalg.norm(along)
        if abs(line.at[1]) < STRAIGHT and abs(line.at[0]) < STILL_PX:
            break
    assert line is not None
    return Axis(origin, along, line.covariance)


def fit_stretch(
    grey: Pixels, start: Array, end: Array, radius: float
) -> tuple[tuple[Array, Array], float] | None:
    """Fit the edge along a stretch.

    Parameters
    ----------
    grey : (h, w) array
    start, end : (2,) arrays
        Ends as pressed, pixel frame.
    radius : float
        How far the edge may lie beside them, px.

    Returns
    -------
    (start, end), sd or None
        Both ends moved square to the stretch onto the edge, and the larger of their sds across it,
        px. None if no straight edge runs along at least half of the stretch.
    """
    length = float(np.linalg.norm(end - start))
    if length < 2 * LEAST_PROFILES:
        return None
    along = (end - start) / length
    count = int(np.clip(length / 2, LEAST_PROFILES, MOST_PROFILES))
    t = (np.arange(count) + 0.5) / count * length
    line = fit_line(grey, start, along, t, radius)
    if line is None or max(abs(line.offset(0.0)), abs(line.offset(length))) > radius:
        return None
    normal = np.array([-along[1], along[0]])
    ends = (start + line.offset(0.0) * normal, end + line.offset(length) * normal)
    return ends, max(line.sd(0.0), line.sd(length))


def fit_line(
    grey: Pixels,
    origin: Array,
    along: Array,
    t: Array,
    radius: float,
    least_share: float = LEAST_SHARE,
) -> LineFit | None:
    """Fit the edge that runs beside an axis, from profiles square to it.

    Parameters
    ----------
    grey : (h, w) array
    origin, along : (2,) arrays
        A place of the axis and its unit direction, pixel frame.
    t : (n,) array
        Where along the axis to look, ascending, px.
    radius : float
        How far beside it, px.
    least_share : float
        Share of the profiles that must show the edge.
    """
    normal = np.array([-along[1], along[0]])
    offsets = np.arange(-radius - 3, radius + 3 + ACROSS_STEP_PX / 2, ACROSS_STEP_PX)
    slopes = _profiles(grey, origin, along, normal, t, offsets)
    places, strengths = _peaks(slopes, offsets, radius)
    line = _vote(t, places, strengths, least_share)
    if line is None:
        return None
    return _refine(t, _nearest_peaks(places, line[0] + line[1] * t), line)


def _profiles(
    grey: Pixels, start: Array, along: Array, normal: Array, t: Array, offsets: Array
) -> Array:
    """Signed slope of grey across the stretch, (profiles, offsets), levels a pixel."""
    points = start + t[:, None, None] * along + offsets[None, :, None] * normal
    low = np.floor(points.min(axis=(0, 1))).astype(int) - 4
    high = np.ceil(points.max(axis=(0, 1))).astype(int) + 5
    low = np.maximum(low, 0)
    high = np.minimum(high, [grey.shape[1], grey.shape[0]])
    if np.any(high - low < 3):
        return np.zeros((len(t), len(offsets)))
    crop = grey[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    maps = (points - low).astype(np.float32)
    sampled = cv2.remap(
        crop, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float64)
    sigma = SMOOTHING_PX / ACROSS_STEP_PX
    smooth = cv2.GaussianBlur(sampled, (0, 0), sigmaX=sigma, sigmaY=1.0)
    return np.asarray(np.gradient(smooth, ACROSS_STEP_PX, axis=1))


def _peaks(slopes: Array, offsets: Array, radius: float) -> tuple[list[Array], list[Array]]:
    """Places and signed strengths of the steepest spots of each profile, to a part of a pixel."""
    places, strengths = [], []
    for slope in slopes:
        size = np.abs(slope)
        top = np.flatnonzero(
            (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > FAINTEST)
        ) + 1  # fmt: skip
        top = top[np.abs(offsets[top]) <= radius]
        before, at, after = size[top - 1], size[top], size[top + 1]
        bend = before - 2 * at + after
        shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
        places.append(offsets[top] + np.clip(shift, -0.5, 0.5) * ACROSS_STEP_PX)
        strengths.append(slope[top])
    return places, strengths


def _vote(
    t: Array, places: list[Array], strengths: list[Array], least_share: float
) -> tuple[float, float] | None:
    """Offset and slope of the line that most of the strong spots lie on, nearest to the press."""
    every_t = np.repeat(t, [len(one) for one in places])
    every_place = np.concatenate(places) if places else np.zeros(0)
    every_strength = np.concatenate(strengths) if strengths else np.zeros(0)
    if len(every_t) < LEAST_PROFILES:
        return None
    length = t[-1] - t[0]
    rng = np.random.default_rng(7)
    best, best_score = None, 0.0
    for _ in range(VOTES):
        i, j = rng.integers(0, len(every_t), 2)
        if abs(every_t[i] - every_t[j]) < length / 4:
            continue
        slope = (every_place[i] - every_place[j]) / (every_t[i] - every_t[j])
        offset = every_place[i] - slope * every_t[i]
        close = np.abs(every_place - offset - slope * every_t) < ON_LINE_PX
        same = close & (np.sign(every_strength) == np.sign(every_strength[i]))
        middle = offset + slope * (t[0] + t[-1]) / 2
        score = float(np.sum(np.sqrt(np.abs(every_strength[same])))) / (1 + abs(middle) / 8)
        if score > best_score:
            best, best_score = (float(offset), float(slope)), score
    if best is None:
        return None
    on = [
        np.any(np.abs(p - best[0] - best[1] * x) < ON_LINE_PX)
        for x, p in zip(t, places, strict=True)
    ]
    return best if np.mean(on) >= least_share else None


def _nearest_peaks(places: list[Array], line: Array) -> Array:
    """Return the spot of each profile that lies nearest to a line; nan where none is near."""
    chosen = np.full(len(places), np.nan)
    for index, (place, wanted) in enumerate(zip(places, line, strict=True)):
        if len(place):
            nearest = place[np.argmin(np.abs(place - wanted))]
            if abs(nearest - wanted) < 2 * ON_LINE_PX:
                chosen[index] = nearest
    return chosen


def _refine(t: Array, chosen: Array, line: tuple[float, float]) -> LineFit | None:
    """Robust straight line through one spot a profile; its covariance by blocks (sandwich)."""
    there = np.isfinite(chosen)
    t, chosen = t[there], chosen[there]
    if len(t) < LEAST_PROFILES:
        return None
    design = np.column_stack([np.ones_like(t), t])
    solution = np.array(line)
    for _ in range(ROUNDS):
        residual = chosen - design @ solution
        weights = np.clip(1 - (residual / (2 * ON_LINE_PX)) ** 2, 0.0, None) ** 2
        normal = (design * weights[:, None]).T @ design
        if np.linalg.cond(normal) > 1e12:
            return None
        solution = np.linalg.solve(normal, (design * weights[:, None]).T @ chosen)
    residual = chosen - design @ solution
    pulls = design * (weights * residual)[:, None]
    block = np.floor((t - t[0]) / max(BLOCK_PX, (t[-1] - t[0]) / MOST_BLOCKS)).astype(int)
    sums = [pulls[block == one].sum(axis=0) for one in np.unique(block)]
    if len(sums) < 3:
        return None
    meat = sum(np.outer(one, one) for one in sums) * len(sums) / (len(sums) - 2)
    inverse = np.linalg.inv(normal)
    return LineFit(solution, inverse @ meat @ inverse)
