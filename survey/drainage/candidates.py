"""Where a new dish may be proposed: tiles of place and size, weighed by what residuals ask for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix

from survey.drainage.particles import Question

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

UNIFORM_SHARE = 0.1  # of proposals of new dishes that ignore the readings
SHARPNESS = 0.8  # power on the proposal's weights, below 1 to keep its tails long
RADIUS_LEVELS = 6
TILE_SHARE = 0.5  # side of a proposal tile over the radius it stands for


@dataclass(frozen=True, slots=True)
class Candidates:
    """Places and sizes at which a new dish may be proposed.

    Tiles in centre and log radius cover everything a dish can be; a proposal picks a tile by how
    well a dish in its middle would explain the residuals, then a point of the tile evenly.

    `centre` (t, 2), `log_radius` (t,) of tile middles; `half` (t,) half side of the tile, `span`
    half its log radius; `shapes` (t, n) sparse; `weight` (h, t) of those under each departure;
    `first`, `columns`, `rows` index the tiles of each radius level.
    """

    low: Array
    centre: Array
    log_radius: Array
    half: Array
    span: float
    shapes: csr_matrix
    weight: Array
    first: IntArray
    columns: IntArray
    rows: IntArray
    level_half: Array
    log_least: float
    log_volume: Array

    def tile_of(self, centre: Array, log_radius: Array) -> IntArray:
        """Tile that holds a dish."""
        level = np.floor((log_radius - self.log_least) / (2 * self.span)).astype(np.int64)
        level = np.clip(level, 0, len(self.first) - 1)
        side = 2 * self.level_half[level]
        column = np.floor((centre[:, 0] - self.low[0]) / side).astype(np.int64)
        row = np.floor((centre[:, 1] - self.low[1]) / side).astype(np.int64)
        column = np.clip(column, 0, self.columns[level] - 1)
        row = np.clip(row, 0, self.rows[level] - 1)
        tile: IntArray = self.first[level] + row * self.columns[level] + column
        return tile


def lay_candidates(question: Question, spacing: float) -> Candidates:
    """Tile a plane for proposals; tiles follow the radius and the spacing of the readings."""
    prior = question.prior
    low, high = question.outline.min(axis=0), question.outline.max(axis=0)
    log_least, log_most = np.log(prior.least_radius), np.log(prior.most_radius)
    span = (log_most - log_least) / RADIUS_LEVELS / 2
    centres, log_radii, halves, first, columns, rows = [], [], [], [], [], []
    total = 0
    for level in range(RADIUS_LEVELS):
        log_radius = log_least + (2 * level + 1) * span
        side = max(TILE_SHARE * float(np.exp(log_radius)), 0.3 * spacing)
        across, up = np.maximum(np.ceil((high - low) / side), 1).astype(int)
        u = low[0] + side * (np.arange(across) + 0.5)
        v = low[1] + side * (np.arange(up) + 0.5)
        centres.append(np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2))
        log_radii.append(np.full(across * up, log_radius))
        halves.append(side / 2)
        first.append(total)
        columns.append(across)
        rows.append(up)
        total += across * up
    centre, log_radius_all = np.concatenate(centres), np.concatenate(log_radii)
    half = np.repeat(halves, np.array(columns) * np.array(rows))
    radius = np.exp(log_radius_all)
    dense = question.forms(centre, radius, np.zeros(total, dtype=bool))
    shapes = csr_matrix(dense)
    weight = np.stack(
        [np.asarray(shapes.multiply(shapes @ q).sum(axis=1)).ravel() for q in question.projected]
    )
    return Candidates(
        low=low,
        centre=centre,
        log_radius=log_radius_all,
        half=half,
        span=span,
        shapes=shapes,
        weight=np.maximum(weight, 0.0),
        first=np.array(first),
        columns=np.array(columns),
        rows=np.array(rows),
        level_half=np.array(halves),
        log_least=float(log_least),
        log_volume=np.log((2 * half) ** 2 * 2 * span),
    )


def propose_tiles(
    question: Question,
    candidates: Candidates,
    weighted: Array,
    departure: IntArray,
    tempering: float,
) -> npt.NDArray[np.float32]:
    """Weight (b, t) of proposing each tile given residuals without the dish; rows sum to 1."""
    prior = question.prior
    variance = 1.0 / (tempering * candidates.weight + prior.depth_sd**-2)
    base = 0.5 * SHARPNESS * np.log(variance) + candidates.log_volume + candidates.log_radius
    pull = (candidates.shapes @ weighted.T).T
    mean = (prior.depth_mean * prior.depth_sd**-2 - tempering * pull).astype(np.float32)
    np.maximum(mean, 0.0, out=mean)
    np.square(mean, out=mean)
    mean *= (0.5 * SHARPNESS * variance).astype(np.float32)[departure]
    mean += base.astype(np.float32)[departure]
    mean -= mean.max(axis=1, keepdims=True)
    share = np.exp(mean, out=mean)
    share *= (1.0 - UNIFORM_SHARE) / share.sum(axis=1, keepdims=True)
    even = np.exp(candidates.log_volume)
    share += (UNIFORM_SHARE * even / even.sum()).astype(np.float32)
    proposal: npt.NDArray[np.float32] = share
    return proposal


def pick_tiles(share: npt.NDArray[np.float32], rng: np.random.Generator) -> IntArray:
    """Pick one column of each row by its share."""
    running = np.cumsum(share, axis=1)
    luck = rng.random(len(share))[:, None] * running[:, -1:]
    picked: IntArray = np.minimum((running < luck).sum(axis=1), share.shape[1] - 1)
    return picked
