"""Fitting the corner in which two image edges meet.

At every pixel of an ideal straight edge the gradient stands square to the line from there to any
point of the edge. A corner is the point for which that holds for the gradients of two edges at
once (Foerstner and Guelch, "A fast operator for detection and precise location of distinct
points, corners and centres of circular features", 1987). That finds the corner; its place is then
where the lines fitted to the two edges meet, since blur rounds the corner itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from survey.web.edgefit import OUTER_PX, Axis, fit_axis

Array = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8]

SMOOTHING_PX = 1.0  # sd of the Gaussian under the derivative
FAINTEST = 4.0  # grey levels a pixel; an edge of 15 levels, blurred by a pixel, still has that
NOISE_TIMES = 4.0  # gradients below that many noise sds are not taken
ROUNDS = 15
NEARLY_PX = 0.05
REACH_PX = 2.5  # pixels farther from both lines belong to another edge
BLIND_PX = 3.0  # within that of a corner, blur has rounded it
ALONG_STEP_PX = 0.5
ONE_ARM_SHARE = 0.3  # of the profiles on both sides of a corner; an edge may end there
LEAST_RATIO = 0.06  # smaller over larger strength of two edges, below which it is one edge
LEAST_SINE = 0.25  # of the angle between a corner's edges
ONE_PLACE_PX = 3.0  # starts nearer than that to a fitted corner lead to it


@dataclass(frozen=True, slots=True)
class Gradients:
    """Strong gradients around a press: places (n, 2) px, gradients (n, 2), lengths (n,)."""

    places: Array
    gradients: Array
    lengths: Array


def find_gradients(grey: Pixels, press: Array, radius: float) -> Gradients | None:
    """Gradients above the noise around a press; None if there are too few."""
    reach = int(2.5 * radius) + 6
    column, row = (int(v) for v in np.floor(press + 0.5))
    top, left = max(row - reach, 0), max(column - reach, 0)
    crop = grey[top : row + reach + 1, left : column + reach + 1]
    if min(crop.shape[:2], default=0) < 9:
        return None
    smooth = cv2.GaussianBlur(crop.astype(np.float64), (0, 0), SMOOTHING_PX)
    down, right = np.gradient(smooth)
    lengths = np.hypot(right, down)
    strong = lengths > max(FAINTEST, NOISE_TIMES * _gradient_noise(crop))
    strong[[0, 1, -2, -1], :] = False
    strong[:, [0, 1, -2, -1]] = False
    rows, columns = np.nonzero(strong)
    if len(rows) < 12:
        return None
    return Gradients(
        np.column_stack([columns + left, rows + top]).astype(np.float64),
        np.column_stack([right[strong], down[strong]]),
        lengths[strong],
    )


def _gradient_noise(crop: Pixels) -> float:
    """Sd of a gradient's component by pixel noise (Immerkaer 1996, by the median)."""
    mask = np.array([[1.0, -2, 1], [-2, 4, -2], [1, -2, 1]])
    rough = cv2.filter2D(crop.astype(np.float64), cv2.CV_64F, mask)
    noise = float(np.median(np.abs(rough))) / 0.6745 / 6.0
    return float(noise / (np.sqrt(8 * np.pi) * SMOOTHING_PX**2))


def fit_corner(
    grey: Pixels, found: Gradients, press: Array, radius: float
) -> tuple[Array, float] | None:
    """Fit the corner nearest to a press.

    Returns
    -------
    place, sd or None
        Pixel frame; one standard deviation in the worst direction, px. None where there is no firm
        corner within reach.
    """
    window = float(np.clip(1.5 * radius, 12.0, 24.0))
    fitted: list[tuple[Array, float]] = []
    for start in _starts(found, press, radius):
        if any(np.linalg.norm(start - place) < ONE_PLACE_PX for place, _ in fitted):
            continue
        settled = _settle(grey, found, start, window)
        if settled is not None and np.linalg.norm(settled[0] - press) <= radius:
            fitted.append(settled)
    return min(fitted, key=lambda one: float(np.linalg.norm(one[0] - press)), default=None)


def _starts(found: Gradients, press: Array, radius: float) -> list[Array]:
    """Places on a coarse grid around the press where two edge directions meet, firmest first."""
    ticks = np.arange(-radius, radius + 3.0, 3.0)
    starts = []
    for offset in ((dx, dy) for dx in ticks for dy in ticks if np.hypot(dx, dy) <= radius):
        centre = press + offset
        near = np.linalg.norm(found.places - centre, axis=1) < 6.0
        if np.count_nonzero(near) < 12:
            continue
        small, large = np.linalg.eigvalsh(found.gradients[near].T @ found.gradients[near])
        if small > LEAST_RATIO * large:
            starts.append((small, centre))
    starts.sort(key=lambda one: -one[0])
    return [centre for _, centre in starts[:6]]


def _settle(
    grey: Pixels, found: Gradients, start: Array, window: float
) -> tuple[Array, float] | None:
    """Find the corner near a start, then intersect the two edges that make it."""
    place = _common_point(found, start, window)
    if place is None:
        return None
    directions = _two_directions(found, place, _corner_weights(found, place, window, REACH_PX))
    if directions is None:
        return None
    cosine = min(abs(float(directions[0] @ directions[1])), 1 - LEAST_SINE**2)
    nearest = (BLIND_PX + OUTER_PX * cosine) / np.sqrt(1 - cosine**2)
    arm = np.arange(nearest, nearest + window, ALONG_STEP_PX)
    t = np.concatenate([-arm[::-1], arm])
    axes = [
        fit_axis(grey, place, np.array([normal[1], -normal[0]]), t, OUTER_PX, ONE_ARM_SHARE)
        for normal in directions
    ]
    if axes[0] is None or axes[1] is None:
        return None
    return _meeting(place, axes[0], axes[1])


def _meeting(place: Array, first: Axis, second: Axis) -> tuple[Array, float] | None:
    """Where two fitted edges meet, with its sd in the worst direction."""
    normals = np.stack([first.normal, second.normal])
    if abs(np.linalg.det(normals)) < LEAST_SINE:
        return None
    offsets = np.array([first.normal @ first.origin, second.normal @ second.origin])
    meeting = np.linalg.solve(normals, offsets)
    if np.linalg.norm(meeting - place) > OUTER_PX:
        return None
    inverse = np.linalg.inv(normals)
    variances = np.diag([first.sd_at(meeting) ** 2, second.sd_at(meeting) ** 2])
    return meeting, float(np.sqrt(np.linalg.eigvalsh(inverse @ variances @ inverse.T)[-1]))


def _common_point(found: Gradients, start: Array, window: float) -> Array | None:
    """Iterate the point that the gradients around it stand square to; None if it runs away."""
    place: Array = np.array(start)
    for round_number in range(ROUNDS):
        # wide at first, so that the right edges are caught; then only what lies on both lines
        reach = max(REACH_PX, 6.0 * 0.6**round_number)
        weights = _corner_weights(found, place, window, reach)
        normal, right = _normal_equations(found, weights)
        small, large = np.linalg.eigvalsh(normal)
        if small <= LEAST_RATIO * large or large <= 0:
            return None
        moved = np.linalg.solve(normal, right)
        shift = float(np.linalg.norm(moved - place))
        place = np.asarray(moved, dtype=np.float64)
        if np.linalg.norm(place - start) > window:
            return None
        if shift < NEARLY_PX and reach == REACH_PX:
            return place
    return None


def _corner_weights(found: Gradients, place: Array, window: float, reach: float) -> Array:
    """Weights of gradients: near enough, not in the rounded apex, pointing square to the corner."""
    offsets = found.places - place
    away = np.linalg.norm(offsets, axis=1)
    across = np.abs(np.sum(found.gradients * offsets, axis=1)) / found.lengths
    taper = np.exp(-0.5 * (away / (0.6 * window)) ** 2)
    fits = np.clip(1 - (across / reach) ** 2, 0.0, None) ** 2
    return np.asarray(taper * fits * (away > BLIND_PX) * (away < window))


def _normal_equations(found: Gradients, weights: Array) -> tuple[Array, Array]:
    g, p = found.gradients, found.places
    along = np.sum(g * p, axis=1)
    return (g * weights[:, None]).T @ g, (g * weights[:, None]).T @ along


def _two_directions(found: Gradients, place: Array, weights: Array) -> list[Array] | None:
    """Return the unit normals of the two edges; None for one edge, or a blob's all around."""
    strength = weights * found.lengths**2
    angles = np.arctan2(found.gradients[:, 1], found.gradients[:, 0]) % np.pi
    share, _ = np.histogram(angles, bins=18, range=(0, np.pi), weights=strength)
    share = share / max(share.sum(), 1e-12)
    smooth = share + np.roll(share, 1) + np.roll(share, -1)
    first = int(np.argmax(smooth))
    rest = smooth.copy()
    for shift in (-2, -1, 0, 1, 2):
        rest[(first + shift) % 18] = 0.0
    second = int(np.argmax(rest))
    outer = np.linalg.norm(found.places - place, axis=1) > 2 * BLIND_PX
    firm = np.count_nonzero(outer & (weights > 0)) >= 8
    if rest[second] < 0.08 or smooth[first] + rest[second] < 0.7 or not firm:
        return None
    middles = (np.array([first, second]) + 0.5) * np.pi / 18
    return [_mean_direction(angles, strength, middle) for middle in middles]


def _mean_direction(angles: Array, strength: Array, middle: float) -> Array:
    """Mean direction of the gradients within 15 degrees of one."""
    turned = (angles - middle + np.pi / 2) % np.pi - np.pi / 2
    share = strength * (np.abs(turned) < np.radians(15))
    angle = middle + float(share @ turned / share.sum())
    return np.array([np.cos(angle), np.sin(angle)])
