"""Faults that a target's own residuals can't show, found from what else the visit observed.

A print that came out 5 % small, a zoomed or cropped photo, a board tilted against its wall: each
leaves the target's corners fitting perfectly and bends everything measured from it. When readings
contradict each other, every class of fault is tried in turn: what it would make untrue is let go,
the visit is adjusted without it, and the classes are compared by chi-square. One fault costs as
much as one gross reading, so a class wins only where it explains more than setting single readings
aside would.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from survey.adjustment.adjusted import AdjustedNetwork
from survey.adjustment.board_shape import BoardShape, bent_boards, describe_shape, flattened
from survey.adjustment.equations_base import FIELD
from survey.adjustment.model import (
    LENS,
    LENS_MEAN,
    PLANE,
    PRINT_SCALE,
    EdgeInPhoto,
    Network,
    Observation,
    OnSurface,
    PointInPhoto,
    Prior,
    State,
    TapeLength,
    TargetCorners,
    TargetMount,
    TargetOnPlane,
)
from survey.adjustment.wording import listed

LOOSE_PRINT = 0.2  # relative sd of a print scale that is not believed
LOOSE_LENS = np.array([0.5, 0.1, 0.1, 0.1, 0.03])  # of focal, image width (twice), k1, k2
LOOSE_SURFACE = 0.5  # metres, sd of a point that need not lie on its plane
MOVED = " (moved)"
MOST_PHOTOS = 3  # photos tried one by one


Kind = TypeVar("Kind", bound=Observation)


@dataclass(frozen=True, slots=True)
class FaultModel:
    """One fault that may have happened: its class, what it concerns, and the network without it.

    `subjects` names all targets that one fault concerns alike (check lines of every print misread).
    `parameters` is how many numbers were fitted to the network itself (a board's bow); `words` says
    what was found then.
    """

    code: str
    subject: str
    network: Network
    parameters: int = 0
    words: str = ""
    subjects: tuple[str, ...] = ()


def fault_models(
    network: Network, state: State, flagged: Iterable[Observation]
) -> list[FaultModel]:
    """List every fault worth trying.

    Parameters
    ----------
    network : Network
    state : State
        Near the majority of the observations.
    flagged : iterable of Observation
        Those that were set aside or contradict others; photos are tried singly only if named here.
    """
    targets = list(dict.fromkeys(o.target for o in _of(network, TargetCorners)))
    photos = list(dict.fromkeys(p for o in flagged for p in [getattr(o, "photo", "")] if p))
    models: list[FaultModel] = []
    placed = [target for target in targets if (PRINT_SCALE, target) in state]
    if len(placed) > 1 and _has_tapes(network):
        models.append(_all_prints(network, placed))
    for target in targets:
        models += _target_models(network, target, bool(len(targets) > 1 or _has_tapes(network)))
        models += [_moved(network, target, photo) for photo in photos[:MOST_PHOTOS]]
    models += [_flat(network, state, shape) for shape in bent_boards(network, state)]
    models += _lens_models(network, photos[:MOST_PHOTOS])
    models += [_off_plane(network, plane) for plane in network.outlines]
    before = [id(observation) for observation in network.observations]
    return [m for m in models if [id(o) for o in m.network.observations] != before]


def _of(network: Network, kind: type[Kind]) -> list[Kind]:
    return [o for o in network.observations if isinstance(o, kind)]


def _has_tapes(network: Network) -> bool:
    return bool(_of(network, TapeLength))


def _changed(network: Network, change: Callable[[Observation], Observation | None]) -> Network:
    """Give the network with each observation changed, or dropped where `change` gives None."""
    changed = [change(observation) for observation in network.observations]
    return replace(network, observations=[o for o in changed if o is not None])


def _target_models(network: Network, target: str, scale_elsewhere: bool) -> list[FaultModel]:
    def print_free(o: Observation) -> Observation | None:
        if isinstance(o, Prior) and o.key == (PRINT_SCALE, target):
            return replace(o, sd=np.maximum(o.sd, LOOSE_PRINT))
        return o

    def off_plane(o: Observation) -> Observation | None:
        return None if isinstance(o, TargetOnPlane) and o.target == target else o

    def mounted_anyhow(o: Observation) -> Observation | None:
        return None if isinstance(o, TargetMount) and o.target == target else o

    models = [
        FaultModel("target-tilted", target, _changed(network, off_plane)),
        FaultModel("target-mounting-wrong", target, _changed(network, mounted_anyhow)),
    ]
    if scale_elsewhere:
        free = _changed(network, print_free)
        models.insert(0, FaultModel("print-scale-contradicted", target, free))
    return models


def _all_prints(network: Network, targets: list[str]) -> FaultModel:
    """Let all prints be out by the same amount (one ruler misread, one printer setting)."""
    keys = {(PRINT_SCALE, target) for target in targets}
    stated = {o.key: o for o in _of(network, Prior) if o.key in keys and o.mean_of is None}
    leading = next(iter(stated), None)

    def follow(o: Observation) -> Observation | None:
        if not isinstance(o, Prior) or o.key not in stated or leading is None:
            return o
        if o.key == leading:
            return replace(o, sd=np.maximum(o.sd, LOOSE_PRINT))
        return replace(o, mean=o.mean - stated[leading].mean, mean_of=leading)

    if len(stated) < 2:
        return FaultModel("print-scale-contradicted", "", network)
    return FaultModel(
        "print-scale-contradicted",
        listed([name for _, name in stated]),
        _changed(network, follow),
        subjects=tuple(name for _, name in stated),
    )


def _moved(network: Network, target: str, photo: str) -> FaultModel:
    """Let the target have hung elsewhere when one photo was taken."""
    elsewhere = target + MOVED

    def split(o: Observation) -> Observation | None:
        if isinstance(o, TargetCorners) and (o.target, o.photo) == (target, photo):
            return replace(o, target=elsewhere)
        return o

    seen = [o for o in _of(network, TargetCorners) if o.target == target]
    if len(seen) < 2 or all(o.photo != photo for o in seen):
        return FaultModel("target-moved", target, network)
    moved = _changed(network, split)
    moved.observations.append(
        Prior(
            id=f"print scale {elsewhere}",
            where=f"print scale of target {target}",
            key=(PRINT_SCALE, elsewhere),
            mean=np.zeros(2),
            sd=np.full(2, 1e-6),
            mean_of=(PRINT_SCALE, target),
        )
    )
    return FaultModel("target-moved", f"{target} in {photo}", moved)


def _flat(network: Network, state: State, shape: BoardShape) -> FaultModel:
    """Show a bent board's corners where a flat one's would be."""
    return FaultModel(
        "target-not-flat",
        shape.target,
        _changed(network, lambda o: flattened(network, state, shape, o)),
        parameters=len(shape.bow),
        words=describe_shape(network, shape),
    )


def _lens_models(network: Network, photos: list[str]) -> list[FaultModel]:
    """List cameras whose lens is not what its files say, or one photo of it (a zoom, a crop)."""
    models = []
    for prior in _of(network, Prior):
        kind, name = prior.key
        alone = kind == LENS and prior.mean_of is None
        if kind == LENS_MEAN or alone or (kind == LENS and name in photos):
            models.append(FaultModel("lens-contradicted", name, _lens_free(network, prior)))
    return models


def _lens_free(network: Network, freed: Prior) -> Network:
    focal, width = _lens_size(network, freed)
    sd = LOOSE_LENS * np.array([focal, width, width, 1.0, 1.0])

    def free(o: Observation) -> Observation | None:
        return replace(freed, sd=np.maximum(freed.sd, sd)) if o is freed else o

    return _changed(network, free)


def _lens_size(network: Network, prior: Prior) -> tuple[float, float]:
    """Focal length and image width that a lens prior is about, px."""
    camera = network.cameras.get(prior.key[1])
    if camera is None:
        camera = next(
            (c for c in network.cameras.values() if math.isclose(c.focal, float(prior.mean[0]))),
            next(iter(network.cameras.values())),
        )
    return camera.focal, float(camera.size_px[0])


def _off_plane(network: Network, plane: str) -> FaultModel:
    """Let marked edges of a plane lie off it (an overhang nobody declared)."""
    marked = {o.point for o in _of(network, PointInPhoto)}
    marked |= {name for o in _of(network, EdgeInPhoto) for name in (o.start, o.end)}
    marked -= {o.point for o in _of(network, OnSurface) if o.may_sag}

    def loose(o: Observation) -> Observation | None:
        if isinstance(o, OnSurface) and o.on == (PLANE, plane) and o.point in marked:
            return replace(o, sd=max(o.sd, LOOSE_SURFACE))
        return o

    return FaultModel("edge-off-plane", plane, _changed(network, loose))


def is_troubled(solution: AdjustedNetwork) -> bool:
    """Whether readings contradict each other so that a fault may be behind it."""
    statistics = solution.statistics
    aside = any(not o.used and o.kind != FIELD for o in solution.observations)
    misfit = statistics.degrees_of_freedom > 0 and statistics.variance_factor > statistics.upper
    codes = {finding.code for finding in solution.findings}
    return misfit or "readings-contradict" in codes or aside
