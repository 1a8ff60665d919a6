"""What readings say of a surface once its plane, its sag and its waviness are integrated out.

With dishes given, heights are normal around a plane with covariance = readings + departures. The
plane has a flat prior, so that what counts is the restricted likelihood (Patterson, Thompson 1971,
Biometrika 58, 545-554): log L = const - (r' Q r) / 2, Q = P - P A (A' P A)^-1 A' P, P = V^-1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve

from survey.drainage.process import Waviness, plane_trend

Array = npt.NDArray[np.float64]

MM = 1e-3


@dataclass(frozen=True, slots=True)
class Departure:
    """How a roof may depart from plane and dishes: waviness, an overall sag, breaks in its fall.

    `sag_sd` metres, of each quadratic term over the half extent of the plane; `profile` of height
    across the plane, the same all along it, and of height along it, the same all across: a break
    in the fall runs parallel to a side; `share` prior probability.
    """

    waviness: Waviness
    sag_sd: float
    share: float
    profile: Waviness | None = None


FOLD_SHARE = 0.35  # of roofs whose fall breaks or bends along lines parallel to a side
FOLD = Waviness(8.0 * MM, 0.8)  # changes the fall by 0.15 in 12 (sd) over about 3 ft
DEPARTURES = (
    *(
        Departure(Waviness(sd, length), sag, (1.0 - FOLD_SHARE) * share * sag_share)
        for sd, length, share in (
            (0.1 * MM, 0.9, 0.45),
            (0.5 * MM, 0.75, 0.35),
            (1.2 * MM, 0.9, 0.2),
        )
        for sag, sag_share in ((0.0, 0.6), (5.0 * MM, 0.4))
    ),
    Departure(Waviness(0.1 * MM, 0.9), 0.0, 0.5 * FOLD_SHARE, FOLD),
    Departure(Waviness(0.5 * MM, 0.75), 0.0, 0.5 * FOLD_SHARE, FOLD),
)  # own judgement; 1/50 in and 1/20 in of waviness, 3/16 in of sag, 5/16 in of folds


@dataclass(frozen=True, slots=True)
class Soundings:
    """Heights known of one plane.

    Attributes
    ----------
    places : (m, 2) array
        Plane frame, metres.
    heights : (n,) array
        What was observed: metres; m/m for a slope reading.
    covariance : (n, n) array
        m2.
    breaks : tuple of (2, 2) arrays
        Lines across which the surface may step, from end to end, plane frame.
    operator : (n, m) array or None
        What each observation makes of the heights at `places` (a slope reading is a difference);
        None: observation i is the height at place i.
    """

    places: Array
    heights: Array
    covariance: Array
    breaks: tuple[Array, ...] = ()
    operator: Array | None = None

    def observe(self, values: Array) -> Array:
        """Turn values (..., m) at the places into observations (..., n)."""
        if self.operator is None:
            return values
        observed: Array = values @ self.operator.T
        return observed

    def design(self) -> Array:
        """Design matrix (n, p): plane and a step for each break line."""
        return self.observe(trend_design(self.places, self.breaks).T).T


def trend_design(places: Array, breaks: tuple[Array, ...]) -> Array:
    """Plane and steps at places (m, 2): columns 1, u, v and one for each break line."""
    return np.column_stack([plane_trend(places), *(beyond(line, places) for line in breaks)])


def beyond(line: Array, places: Array) -> Array:
    """1 for places on the left of a break line's direction, else 0."""
    run = line[1] - line[0]
    away = places - line[0]
    left: Array = (run[0] * away[:, 1] - run[1] * away[:, 0] > 0).astype(float)
    return left


@dataclass(frozen=True, slots=True)
class Extent:
    """Middle and half sizes of a plane, to scale its sag."""

    middle: Array
    half: Array

    def sag_terms(self, places: Array) -> Array:
        """Quadratic terms (m, 3) at places."""
        u, v = ((places - self.middle) / self.half).T
        return np.column_stack([1 - u**2, 1 - v**2, u * v])


@dataclass(frozen=True, slots=True)
class Weighing:
    """The readings under one departure: everything that scoring and drawing needs.

    `inverse` P = V^-1, `projected` Q, `trend_covariance` (A' P A)^-1, `log_constant`.
    """

    departure: Departure
    inverse: Array
    projected: Array
    trend_covariance: Array
    log_constant: float


def departure_covariance(
    departure: Departure, extent: Extent, first: Array, second: Array
) -> Array:
    """Covariance (n, m) of sag, waviness and breaks in the fall between places, m2."""
    wavy = departure.waviness.covariance(first, second)
    if departure.profile is not None:
        for axis in (slice(0, 1), slice(1, 2)):
            wavy = wavy + departure.profile.covariance(first[:, axis], second[:, axis])
    if departure.sag_sd == 0.0:
        return wavy
    sag: Array = departure.sag_sd**2 * extent.sag_terms(first) @ extent.sag_terms(second).T
    return wavy + sag


def weigh(soundings: Soundings, extent: Extent, departure: Departure) -> Weighing:
    """Work out the restricted likelihood of readings under one departure."""
    design = soundings.design()
    places = soundings.places
    departed = departure_covariance(departure, extent, places, places)
    total = soundings.covariance + soundings.observe(soundings.observe(departed).T)
    factor = cho_factor(total, lower=True)
    inverse = cho_solve(factor, np.eye(len(total)))
    inverse = (inverse + inverse.T) / 2
    solved = inverse @ design
    information = design.T @ solved
    trend_covariance = np.linalg.inv(information)
    projected = inverse - solved @ trend_covariance @ solved.T
    log_constant = -float(np.log(np.diag(factor[0])).sum()) - 0.5 * float(
        np.linalg.slogdet(information)[1]
    )
    return Weighing(
        departure, inverse, (projected + projected.T) / 2, trend_covariance, log_constant
    )
