"""Surfaces drawn from what readings say: plane, steps, dishes, sag and waviness, added up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.interpolate import make_interp_spline

from survey.drainage.dishes import dish_shape
from survey.drainage.domain import Domain
from survey.drainage.evidence import (
    Departure,
    Extent,
    Soundings,
    departure_covariance,
    trend_design,
)
from survey.drainage.particles import Question
from survey.drainage.sampler import Guess

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MOST_NODES = 900
NODES_PER_LENGTH = 2.2  # lattice nodes over one length of the waviness
JITTER = 1e-9  # of the variance, against rounding


@dataclass(frozen=True, slots=True)
class Surface:
    """One drawn surface that can be evaluated anywhere on its plane.

    `trend` (p,) plane and steps; `levels` (l,) heights of the tide lines; `centre` (k, 2),
    `radius`, `depth`, `bell` (k,) its dishes; `wave` (nv, nu)
    sag and waviness at the lattice nodes `nodes_v`, `nodes_u`.
    """

    trend: Array
    levels: Array
    breaks: tuple[Array, ...]
    centre: Array
    radius: Array
    depth: Array
    bell: BoolArray
    wave: Array
    nodes_u: Array
    nodes_v: Array
    wave_cells: Array  # (rows, columns) sag and waviness at the domain's cells
    origin: Array
    step: Array

    def heights(self, places: Array) -> Array:
        """Heights (...,) at places (..., 2), metres; waviness linear between the cells."""
        flat = places.reshape(-1, 2)
        height = trend_design(flat, self.breaks) @ self.trend
        height += lower_by_dishes(flat, self.centre, self.radius, self.depth, self.bell)
        column, row = ((flat - self.origin) / self.step).T
        height += _between(self.wave_cells, row, column)
        return height.reshape(places.shape[:-1])


def lower_by_dishes(
    places: Array, centre: Array, radius: Array, depth: Array, bell: BoolArray
) -> Array:
    """Sum of dishes (k) at places (m, 2), never positive, metres."""
    total = np.zeros(len(places))
    for c, r, d, b in zip(centre, radius, depth, bell, strict=True):
        near = np.flatnonzero(np.abs(places[:, 0] - c[0]) < r)
        distance2 = ((places[near] - c) ** 2).sum(axis=1) / r**2
        total[near] -= d * dish_shape(distance2, np.asarray(b))
    return total


def _between(grid: Array, row: Array, column: Array) -> Array:
    """Bilinear interpolation of a grid at fractional rows and columns, held at its border."""
    row = np.clip(row, 0.0, grid.shape[0] - 1.0)
    column = np.clip(column, 0.0, grid.shape[1] - 1.0)
    i = np.minimum(row.astype(int), grid.shape[0] - 2)
    j = np.minimum(column.astype(int), grid.shape[1] - 2)
    a, b = row - i, column - j
    value: Array = (1 - a) * ((1 - b) * grid[i, j] + b * grid[i, j + 1]) + a * (
        (1 - b) * grid[i + 1, j] + b * grid[i + 1, j + 1]
    )
    return value


@dataclass(slots=True)
class Drafter:
    """Draws surfaces of one plane; keeps what each departure needs, once it is needed."""

    question: Question
    extent: Extent
    domain: Domain
    prepared: dict[int, tuple[Array, Array, Array]] = field(default_factory=dict)
    nodes_u: Array = field(init=False)
    nodes_v: Array = field(init=False)
    to_columns: Array = field(init=False)
    to_rows: Array = field(init=False)

    def __post_init__(self) -> None:
        low, high = self.domain.outline.min(axis=0), self.domain.outline.max(axis=0)
        shortest = min(w.departure.waviness.length for w in self.question.weighings)
        size = high - low
        spacing = max(shortest / NODES_PER_LENGTH, float(np.sqrt(size.prod() / MOST_NODES)))
        counts = np.maximum(np.ceil(size / spacing).astype(int) + 1, 5)
        self.nodes_u = np.linspace(low[0], high[0], counts[0])
        self.nodes_v = np.linspace(low[1], high[1], counts[1])
        rows, columns = self.domain.shape
        u = self.domain.origin[0] + self.domain.step[0] * np.arange(columns)
        v = self.domain.origin[1] + self.domain.step[1] * np.arange(rows)
        self.to_columns = _spline_basis(self.nodes_u, np.clip(u, low[0], high[0]))
        self.to_rows = _spline_basis(self.nodes_v, np.clip(v, low[1], high[1]))

    @property
    def nodes(self) -> Array:
        """Lattice nodes (nv * nu, 2), plane frame."""
        return np.stack(np.meshgrid(self.nodes_u, self.nodes_v), axis=-1).reshape(-1, 2)

    def prepare(self, number: int) -> tuple[Array, Array, Array]:
        """Weights (l, n), root of the conditional covariance (l, l), root of the trend's (p, p)."""
        if number not in self.prepared:
            weighing = self.question.weighings[number]
            weights, root = conditional_root(
                weighing.departure,
                self.extent,
                self.question.soundings,
                weighing.inverse,
                self.nodes,
            )
            self.prepared[number] = weights, root, _root(weighing.trend_covariance)
        return self.prepared[number]

    def draw(self, guess: Guess, rng: np.random.Generator) -> Surface:
        """Draw one surface with the dishes of a guess."""
        weighing = self.question.weighings[guess.departure]
        weights, root, trend_root = self.prepare(guess.departure)
        soundings = self.question.soundings
        design = soundings.design()
        solved = weighing.inverse @ guess.residual
        trend = weighing.trend_covariance @ (design.T @ solved)
        trend = trend + trend_root @ rng.standard_normal(len(trend))
        departed = weights @ (guess.residual - design @ trend)
        departed = departed + root @ rng.standard_normal(root.shape[1])
        wave = departed.reshape(len(self.nodes_v), len(self.nodes_u))
        return Surface(
            trend=trend,
            levels=guess.levels,
            breaks=soundings.breaks,
            centre=guess.centre,
            radius=guess.radius,
            depth=guess.depth,
            bell=guess.bell,
            wave=wave,
            nodes_u=self.nodes_u,
            nodes_v=self.nodes_v,
            wave_cells=self.to_rows @ wave @ self.to_columns.T,
            origin=self.domain.origin,
            step=self.domain.step,
        )


def conditional_root(
    departure: Departure, extent: Extent, soundings: Soundings, inverse: Array, wanted: Array
) -> tuple[Array, Array]:
    """Weights (m, n) of residuals and root (m, m) of the covariance left at wanted places.

    The trend is taken as known here; its own spread is drawn before.
    """
    cross = soundings.observe(departure_covariance(departure, extent, wanted, soundings.places))
    weights = cross @ inverse
    left = departure_covariance(departure, extent, wanted, wanted) - weights @ cross.T
    return weights, _root((left + left.T) / 2)


def _root(covariance: Array) -> Array:
    """Square root of a covariance that may be close to singular."""
    scale = max(float(np.diag(covariance).max()), 1e-30)
    root: Array
    try:
        root = np.asarray(np.linalg.cholesky(covariance + JITTER * scale * np.eye(len(covariance))))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(covariance)
        root = np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
    return root


def _spline_basis(nodes: Array, wanted: Array) -> Array:
    """Matrix (m, n) that interpolates node values by a cubic spline."""
    basis: Array = make_interp_spline(nodes, np.eye(len(nodes)), k=3)(wanted)
    return basis


def heights_at_cells(domain: Domain, surfaces: Sequence[Surface]) -> Array:
    """Heights (s, m) of surfaces at the points of a domain."""
    known = domain.index >= 0
    out = np.empty((len(surfaces), len(domain.points)))
    design = trend_design(domain.points, surfaces[0].breaks)
    for i, surface in enumerate(surfaces):
        out[i] = design @ surface.trend + surface.wave_cells[known]
        out[i] += lower_by_dishes(
            domain.points, surface.centre, surface.radius, surface.depth, surface.bell
        )
    return out
