"""A population of guesses at the dishes of a plane, and how each guess scores."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from survey.drainage.dishes import DishPrior, depth_posterior, dish_shape, draw_depth
from survey.drainage.evidence import Soundings, Weighing
from survey.drainage.pond_edges import Ring, fit_ring

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

LEVEL_FALL = 1e-6  # m/m, under which a plane has no uphill
MANY = 250  # observations from which dishes, which touch few of them, are weighed one by one
SPARSE = 0.15  # share of the observations they may touch for that


@dataclass(frozen=True, slots=True)
class Question:
    """What is known and asked: readings under every departure, prior, and the plane's outline.

    `projected` (h, n, n) and `log_constant` (h,) come from `weigh`, `log_share` is the departures'
    prior. `tilt` (2,) is the fall of the plane, about, du and dv.
    """

    soundings: Soundings
    weighings: tuple[Weighing, ...]
    projected: Array
    log_constant: Array
    log_share: Array
    prior: DishPrior
    outline: Array
    most_dishes: int
    tilt: Array
    rings: tuple[Ring, ...] = ()

    @property
    def area(self) -> float:
        """Area in which centres may lie, m2 in the plane."""
        return float(shapely.Polygon(self.outline).area)

    @property
    def uphill(self) -> Array:
        """Unit vector (2,) up the fall of the plane, plane frame; zero on a level one."""
        steepness = float(np.linalg.norm(self.tilt))
        return self.tilt / steepness if steepness > LEVEL_FALL else np.zeros(2)

    def forms(self, centre: Array, radius: Array, bell: BoolArray) -> Array:
        """Work out what dishes (...) of depth one take from the observations (..., n)."""
        return self.soundings.observe(shapes_at(self.soundings.places, centre, radius, bell))

    def holds(self, centre: Array) -> BoolArray:
        """Whether centres (..., 2) lie on the plane."""
        polygon = shapely.Polygon(self.outline)
        inside: BoolArray = shapely.contains_xy(polygon, centre[..., 0], centre[..., 1])
        return inside


@dataclass(slots=True)
class Particles:
    """A population of b guesses, each with up to k dishes.

    `centre` (b, k, 2), `radius`, `depth`, `bell`, `active` (b, k), `departure` (b,). Kept beside:
    `ring` (b,) how well tide lines fit as pond edges, `bowls` (one (b, m) for each ring) what the
    dishes take from its places, `form` (b, k, n) dish shapes at the readings, `pulled` (b, k, n) Q
    times those, `residual` (b, n) readings minus dishes, `weighted` (b, n) Q times that.
    """

    centre: Array
    radius: Array
    depth: Array
    bell: BoolArray
    active: BoolArray
    departure: IntArray
    ring: Array
    bowls: tuple[Array, ...]
    form: Array
    pulled: Array
    residual: Array
    weighted: Array

    @property
    def count(self) -> IntArray:
        """Number of dishes of each guess."""
        total: IntArray = self.active.sum(axis=1)
        return total

    def take(self, order: IntArray) -> Particles:
        """Return the guesses of `order`, copied."""
        taken = {
            name: getattr(self, name)[order].copy()
            for name in Particles.__dataclass_fields__
            if name != "bowls"
        }
        return Particles(**taken, bowls=tuple(bowl[order].copy() for bowl in self.bowls))


@dataclass(frozen=True, slots=True)
class Dishes:
    """One dish for each of some guesses: place, size, rim, and its forms at the observations."""

    centre: Array
    radius: Array
    bell: BoolArray
    form: Array
    pulled: Array

    def of(self, chosen: BoolArray) -> Dishes:
        """Return those chosen."""
        return Dishes(
            self.centre[chosen],
            self.radius[chosen],
            self.bell[chosen],
            self.form[chosen],
            self.pulled[chosen],
        )


def shapes_at(places: Array, centre: Array, radius: Array, bell: BoolArray) -> Array:
    """Dish shapes (..., n) at places (n, 2) for dishes (...)."""
    along_u = (places[:, 0] - centre[..., :1]) / radius[..., None]
    along_v = (places[:, 1] - centre[..., 1:]) / radius[..., None]
    return dish_shape(along_u**2 + along_v**2, bell[..., None])


def weigh_vectors(question: Question, departure: IntArray, vectors: Array) -> Array:
    """Q times vectors (b, n), each under its own departure (b,)."""
    out = np.empty_like(vectors)
    if vectors.shape[1] >= MANY and np.count_nonzero(vectors) < SPARSE * vectors.size:
        for row, (number, vector) in enumerate(zip(departure, vectors, strict=True)):
            near = np.flatnonzero(vector)
            out[row] = vector[near] @ question.projected[number][near]
        return out
    for number in np.unique(departure):
        mine = departure == number
        out[mine] = vectors[mine] @ question.projected[number]
    return out


def refresh(question: Question, particles: Particles) -> None:
    """Recompute everything kept beside the guesses, in place."""
    p = particles
    p.form = question.forms(p.centre, p.radius, p.bell)
    p.form *= p.active[..., None]
    b, k, n = p.form.shape
    many = np.repeat(p.departure, k)
    p.pulled = weigh_vectors(question, many, p.form.reshape(b * k, n)).reshape(b, k, n)
    p.residual = question.soundings.heights + np.einsum("bk,bkn->bn", p.depth, p.form)
    p.weighted = weigh_vectors(question, p.departure, p.residual)
    if question.rings:
        p.bowls = tuple(
            np.einsum("bk,bkm->bm", p.depth, shapes_at(ring.places, p.centre, p.radius, p.bell))
            for ring in question.rings
        )
        p.ring = ring_score(question, p.departure, p.residual, p.bowls)


def ring_score(
    question: Question, departure: IntArray, residual: Array, bowls: Sequence[Array]
) -> Array:
    """Log density (b,) of all tide lines as edges of ponds."""
    total = np.zeros(len(residual))
    for ring, bowl in zip(question.rings, bowls, strict=True):
        total += fit_ring(ring, departure, residual, bowl).score
    return total


def log_likelihood(question: Question, particles: Particles) -> Array:
    """Restricted log likelihood (b,) of the guesses, that of the rings as pond edges included."""
    misfit = np.einsum("bn,bn->b", particles.residual, particles.weighted)
    value: Array = question.log_constant[particles.departure] - 0.5 * misfit + particles.ring
    return value


def draw_prior(question: Question, size: int, rng: np.random.Generator) -> Particles:
    """Draw a population from what is believed before any reading."""
    prior = question.prior
    kmax = question.most_dishes
    shares = np.exp(prior.log_count(np.arange(kmax + 1.0), question.area))
    count = rng.choice(kmax + 1, size=size, p=shares / shares.sum())
    low, high = question.outline.min(axis=0), question.outline.max(axis=0)
    centre = low + rng.random((size, kmax, 2)) * (high - low)
    for _ in range(200):
        outside = ~question.holds(centre)
        if not outside.any():
            break
        centre[outside] = low + rng.random((int(outside.sum()), 2)) * (high - low)
    radius = rng.uniform(prior.least_radius, prior.most_radius, (size, kmax))
    alone = depth_posterior(prior, np.zeros(()), np.zeros(()))
    depth = draw_depth(prior, alone, rng.random((size, kmax)))
    departure = rng.choice(len(question.log_share), size=size, p=np.exp(question.log_share))
    n = len(question.soundings.heights)
    blank = np.zeros((size, kmax, n))
    particles = Particles(
        centre=centre,
        radius=radius,
        depth=depth,
        bell=rng.random((size, kmax)) < prior.bell_share,
        active=np.arange(kmax) < count[:, None],
        departure=departure.astype(np.int64),
        ring=np.zeros(size),
        bowls=tuple(np.zeros((size, len(ring.places))) for ring in question.rings),
        form=blank,
        pulled=blank,
        residual=np.zeros((size, n)),
        weighted=np.zeros((size, n)),
    )
    particles.depth *= particles.active
    refresh(question, particles)
    return particles
