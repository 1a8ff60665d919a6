"""A population of guesses at the dishes of a plane, and how each guess scores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from survey.drainage.dishes import DishPrior, depth_posterior, dish_shape, draw_depth
from survey.drainage.evidence import Soundings, Weighing

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

SPILL_SD = 0.0016  # m, 1/16 in: a full pond's edge about the spill of its dish; own judgement
WRONG_RING = 0.02  # share of part-full rings that stand where no pond could; own judgement
NO_DISH = 1e-3  # 1/m, density of a ring's level where no dish lies under it; own judgement
MANY = 250  # observations from which dishes, which touch few of them, are weighed one by one
SPARSE = 0.15  # share of the observations they may touch for that


@dataclass(frozen=True, slots=True)
class Ring:
    """One tide line as a pond's edge.

    `rows` among the observations, `middle` (2,) plane frame, `nominal` mean height of the plane,
    by its tilt alone, at the told places; `full_share` how likely its pond was full to its spill.
    """

    rows: IntArray
    middle: Array
    nominal: float
    full_share: float


@dataclass(frozen=True, slots=True)
class Question:
    """What is known and asked: readings under every departure, prior, and the plane's outline.

    `projected` (h, n, n) and `log_constant` (h,) come from `weigh`, `log_share` is the departures'
    prior. `tilt` (2,) is the fall of the plane, about, du and dv; it carries the shift of a traced
    place over into height.
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

    def forms(
        self, centre: Array, radius: Array, bell: BoolArray, shift: Array | None = None
    ) -> Array:
        """Work out what dishes (...) of depth one take from the observations (..., n).

        `shift` (..., t, 2) moves the traced places, the last ones.
        """
        soundings = self.soundings
        traced = soundings.traced
        if traced == 0 or shift is None:
            return soundings.observe(shapes_at(soundings.places, centre, radius, bell))
        moved = traced_shapes(soundings.places[-traced:] + shift, centre, radius, bell)
        steady = shapes_at(soundings.places[:-traced], centre, radius, bell)
        if soundings.operator is not None:
            steady = steady @ soundings.operator[:-traced, :-traced].T
        return np.concatenate([steady, moved], axis=-1)

    def holds(self, centre: Array) -> BoolArray:
        """Whether centres (..., 2) lie on the plane."""
        polygon = shapely.Polygon(self.outline)
        inside: BoolArray = shapely.contains_xy(polygon, centre[..., 0], centre[..., 1])
        return inside


@dataclass(slots=True)
class Particles:
    """A population of b guesses, each with up to k dishes.

    `centre` (b, k, 2), `radius`, `depth`, `bell`, `active` (b, k), `departure` (b,), `shift`
    (b, t, 2) of the traced places. Kept beside: `ring` (b,) how well the rings fit as pond edges,
    `form` (b, k, n) dish shapes at the readings, `pulled` (b, k, n) Q times those, `residual`
    (b, n) readings minus dishes, `weighted` (b, n) Q times that.
    """

    centre: Array
    radius: Array
    depth: Array
    bell: BoolArray
    active: BoolArray
    departure: IntArray
    shift: Array
    ring: Array
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
        return Particles(
            *(getattr(self, name)[order].copy() for name in Particles.__dataclass_fields__)
        )


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


def traced_shapes(places: Array, centre: Array, radius: Array, bell: BoolArray) -> Array:
    """Dish shapes (..., t) at places (..., t, 2) of their own for dishes (...)."""
    away = (places - centre[..., None, :]) / radius[..., None, None]
    return dish_shape((away**2).sum(axis=-1), bell[..., None])


def ring_score(
    question: Question, centre: Array, radius: Array, depth: Array, residual: Array
) -> Array:
    """Log density (b,) of the levels of tide lines given dishes (b, k) and residuals (b, n).

    Most rings are the edge of a pond full to its spill, which for a dish alone on its plane is the
    lowest point of its rim; the others stand anywhere below. Above the spill there are none, but
    for a small share that keeps a wrong ring from ruling everything.
    """
    total = np.zeros(len(centre))
    if not question.rings:
        return total
    steepness = float(np.linalg.norm(question.tilt))
    downhill = -question.tilt / max(steepness, 1e-12)
    for ring in question.rings:
        level = ring.nominal - residual[:, ring.rows].mean(axis=1)
        away2 = ((centre - ring.middle) ** 2).sum(axis=-1) / radius**2
        water = depth * np.maximum(1.0 - away2, 0.0)
        owner = np.argmax(water, axis=1)
        every = np.arange(len(centre))
        held = depth[every, owner]
        lowest = centre[every, owner] + radius[every, owner, None] * downhill
        spill = lowest @ question.tilt
        gap = spill - level
        full = np.where(question.holds(lowest), ring.full_share, 0.0)
        deepest = np.maximum(held, 1e-4)
        below = np.where((gap >= 0) & (gap <= deepest), 1.0 - WRONG_RING, WRONG_RING) / deepest
        at_spill = np.exp(-0.5 * (gap / SPILL_SD) ** 2) / (SPILL_SD * np.sqrt(2 * np.pi))
        density = full * at_spill + (1.0 - full) * below
        total += np.where(water[every, owner] > 0, np.log(density + NO_DISH), np.log(NO_DISH))
    return total


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
    p.form = question.forms(p.centre, p.radius, p.bell, p.shift[:, None])
    p.form *= p.active[..., None]
    b, k, n = p.form.shape
    many = np.repeat(p.departure, k)
    p.pulled = weigh_vectors(question, many, p.form.reshape(b * k, n)).reshape(b, k, n)
    p.residual = question.soundings.heights + np.einsum("bk,bkn->bn", p.depth, p.form)
    if p.shift.shape[1]:
        p.residual[:, -p.shift.shape[1] :] -= p.shift @ question.tilt
    p.weighted = weigh_vectors(question, p.departure, p.residual)
    p.ring = ring_score(question, p.centre, p.radius, p.depth, p.residual)


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
    traced = question.soundings.traced
    shift = np.zeros((size, traced, 2))
    if question.soundings.plan_sd is not None:
        plan_sd = question.soundings.plan_sd[n - traced :]
        shift = plan_sd[:, None] * rng.standard_normal((size, traced, 2))
    blank = np.zeros((size, kmax, n))
    particles = Particles(
        centre=centre,
        radius=radius,
        depth=depth,
        bell=rng.random((size, kmax)) < prior.bell_share,
        active=np.arange(kmax) < count[:, None],
        departure=departure.astype(np.int64),
        shift=shift,
        ring=np.zeros(size),
        form=blank,
        pulled=blank,
        residual=np.zeros((size, n)),
        weighted=np.zeros((size, n)),
    )
    particles.depth *= particles.active
    refresh(question, particles)
    return particles
