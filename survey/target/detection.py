"""Finds the declared targets in the pixels of one photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from survey.target.boards import BoardPlan, plan_of
from survey.target.candidates import WIDE_WINDOW_PX, find_quads, reduce
from survey.target.decoding import MarkerHit, Words, read_markers, words_of
from survey.target.foreign_corners import measure_charuco, measure_grid, measure_single
from survey.target.measuring import Corners, Unusable, fit_marker
from survey.target.model import Array, Sighting, SightingProblem
from survey.target.sheet_corners import measure_sheet
from survey.target.sheets import MARKER_DICTIONARY, code_of_marker
from survey.visit.model import ForeignBoard, SheetBoard, TargetSpec

Grey = npt.NDArray[np.uint8]

REDUCED_BY = 2.0  # the first search; three pixels a module are read as surely as at full size
COARSE = (3.0, 8.0)  # smaller yet, for prints so near that the first sees only their edges
NEAR_PX = 40.0  # side of a marker from which those count, pixels of the first
THINNED_BY = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0)  # for prints behind twigs: a module is 4 px in one
LEAST_THINNED_PX = 40  # of an image that is worth a search
SMALL_PHOTO_PX = 1700  # photos no longer than that are searched at full size at once
QUIET = 0.8  # paper round our own marker that is fitted with it, modules


@dataclass(frozen=True, slots=True)
class _Layer:
    """An image made of the photo, `by` times smaller, and the dark quadrilaterals in it."""

    image: Grey
    by: float
    quads: Array


@dataclass(frozen=True, slots=True)
class _Search:
    """One photo under search: its pixels and the layers that markers are read in."""

    photo: str
    grey: Grey
    layers: tuple[_Layer, ...]

    def read(self, dictionary: str, *, mirrored: bool = False) -> list[MarkerHit]:
        """Read all markers of a dictionary, each place once."""
        hits = []
        for layer in self.layers:
            quads = layer.quads[:, ::-1] if mirrored else layer.quads
            for hit in read_markers(layer.image, quads, words_of(dictionary)):
                hits.append(replace(hit, corners_px=(hit.corners_px + 0.5) * layer.by - 0.5))
        return _each_place_once(hits)


def detect_targets(
    pixels: npt.NDArray[np.uint8], specs: Sequence[TargetSpec], *, photo: str = ""
) -> tuple[tuple[Sighting, ...], tuple[SightingProblem, ...]]:
    """Find declared targets in one photo.

    Parameters
    ----------
    pixels : (h, w) or (h, w, 3) uint8 array
        Grey, or blue, green, red; upright.
    specs : sequence of TargetSpec
        Targets that were put up.
    photo : str
        Name that sightings and problems carry.

    Returns
    -------
    sightings : tuple of Sighting
        In the order of `specs`.
    problems : tuple of SightingProblem
        Boards that were seen but can't be used, and boards that aren't declared.

    Raises
    ------
    InputError
        If a declared board can't be (see `layout_of`).
    """
    plans = {spec.name: plan_of(spec.board) for spec in specs}
    if not plans:
        return (), ()
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    grey = np.ascontiguousarray(grey, dtype=np.uint8)
    small = max(grey.shape) <= SMALL_PHOTO_PX
    layers: tuple[_Layer, ...] = (
        _Layer(grey, 1.0, _find_all_quads(grey, 1.0 if small else REDUCED_BY)),
    )
    search = _Search(photo, grey, layers)
    sightings, problems = _look(search, specs, plans)
    if not sightings:
        layers += _covered_layers(grey)
        if not small:
            layers += (_Layer(grey, 1.0, find_quads(grey)),)
        search = _Search(photo, grey, layers)
        sightings, problems = _look(search, specs, plans)
    if not sightings and not problems:
        problems = _look_in_mirror(search, specs, plans)
    return tuple(sightings), tuple(problems)


def _find_all_quads(grey: Grey, by: float) -> Array:
    """Dark quadrilaterals of all sizes, px, found in a photo made `by` times smaller and less."""
    first = reduce(grey, by)
    found = [find_quads(first)]
    for coarse in COARSE:
        quads = find_quads(first, reduced_by=coarse, window_px=WIDE_WINDOW_PX)
        found.append(np.reshape([quad for quad in quads if _size(quad) > NEAR_PX], (-1, 4, 2)))
    return (np.concatenate(found) + 0.5) * by - 0.5


def _covered_layers(grey: Grey) -> tuple[_Layer, ...]:
    """Layers without what is dark and thin: a twig, a wire or a rope across the print.

    Each pixel becomes the lightest of its neighbourhood and then the darkest of those; what is
    thinner than the neighbourhood goes, a marker's modules stay.
    """
    layers = []
    for by in THINNED_BY:
        if min(grey.shape) < LEAST_THINNED_PX * by:
            break
        image = cv2.morphologyEx(reduce(grey, by), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        closed = image.astype(np.uint8, copy=False)
        layers.append(_Layer(closed, by, find_quads(closed)))
    return tuple(layers)


def _look(
    search: _Search, specs: Sequence[TargetSpec], plans: dict[str, BoardPlan]
) -> tuple[list[Sighting], list[SightingProblem]]:
    sightings: list[Sighting] = []
    problems: list[SightingProblem] = []
    hits = {name: search.read(name) for name in sorted({p.dictionary for p in plans.values()})}
    for spec in specs:
        plan = plans[spec.name]
        mine = [hit for hit in hits[plan.dictionary] if hit.number in plan.markers]
        if not mine:
            continue
        result, told = _measure(search, spec, plan, mine)
        problems += told
        if result is not None:
            sightings.append(_sighting(search.photo, spec.name, result))
    declared = {(plan.dictionary, number) for plan in plans.values() for number in plan.markers}
    for dictionary, found in hits.items():
        strange = [hit for hit in found if (dictionary, hit.number) not in declared]
        problems += _undeclared(search, dictionary, strange, specs)
    return sightings, problems


def _measure(
    search: _Search, spec: TargetSpec, plan: BoardPlan, hits: list[MarkerHit]
) -> tuple[Corners | None, list[SightingProblem]]:
    """Measure one declared board; the marker of a second copy makes both unusable."""
    if plan.kind == "sheet":
        results = [result for hit in hits if (result := _measure_sheet(search, plan, hit))]
    elif plan.kind == "marker":
        words = _bits(plan)
        singles = [measure_single(search.grey, plan, hit, words[hit.number]) for hit in hits]
        results = [single for single in singles if single is not None]
    else:
        return _measure_foreign(search, spec, plan, hits)
    usable = [result for result in results if isinstance(result, Corners)]
    if len(usable) > 1:
        return None, [_problem(search, spec, plan, _DUPLICATE)]
    if usable:
        return usable[0], []
    refused = [result for result in results if isinstance(result, Unusable)]
    return None, [_problem(search, spec, plan, refused[0])] if refused else []


_DUPLICATE = Unusable(
    "duplicate",
    "it is in the photo twice, so neither copy can be told from the other",
    "take one copy down, or print another number",
)


def _measure_sheet(search: _Search, plan: BoardPlan, hit: MarkerHit) -> Corners | Unusable | None:
    marker = fit_marker(search.grey, hit, _bits(plan)[hit.number], margin=QUIET)
    return None if marker is None else measure_sheet(search.grey, plan, marker)


def _measure_foreign(
    search: _Search, spec: TargetSpec, plan: BoardPlan, hits: list[MarkerHit]
) -> tuple[Corners | None, list[SightingProblem]]:
    """Measure a grid or ChArUco board; a ChArUco board is tried in its other layout too."""
    numbers = [hit.number for hit in hits]
    if len(set(numbers)) < len(numbers):
        return None, [_problem(search, spec, plan, _DUPLICATE)]
    if plan.kind == "marker grid":
        result = measure_grid(search.grey, plan, hits, _bits(plan))
    else:
        result = measure_charuco(search.grey, plan, hits, _bits(plan))
    board = spec.board
    seen = len(result.corners_px) if isinstance(result, Corners) else 0
    whole = seen == len(plan.layout.points)
    if plan.kind == "charuco" and isinstance(board, ForeignBoard) and not whole:
        # In the wrong layout some boards fit all but one row, each corner a square off.
        other = plan_of(_other_layout(board))
        again = measure_charuco(search.grey, other, hits, _bits(other))
        if isinstance(again, Corners) and len(again.corners_px) > seen:
            legacy = "true" if not board.legacy_layout else "false"
            told = Unusable(
                "wrong layout",
                "it is printed in the other ChArUco layout than declared, and was read as printed",
                f"write legacy_layout = {legacy}",
            )
            return again, [_problem(search, spec, plan, told)]
    if isinstance(result, Corners):
        return result, []
    return None, [_problem(search, spec, plan, result)]


def _other_layout(board: ForeignBoard) -> ForeignBoard:
    return ForeignBoard(
        kind=board.kind,
        dictionary=board.dictionary,
        marker=board.marker,
        first_id=board.first_id,
        columns=board.columns,
        rows=board.rows,
        square=board.square,
        gap=board.gap,
        legacy_layout=not board.legacy_layout,
    )


def _undeclared(
    search: _Search, dictionary: str, strange: list[MarkerHit], specs: Sequence[TargetSpec]
) -> list[SightingProblem]:
    """Sheets of ours that were seen with their frame but aren't declared."""
    if dictionary != MARKER_DICTIONARY:
        return []
    declared = [spec.board.code for spec in specs if isinstance(spec.board, SheetBoard)]
    problems = []
    for hit in strange:
        code = code_of_marker(hit.number)
        if code is None:
            continue
        plan = plan_of(SheetBoard(code.text))
        if not isinstance(_measure_sheet(search, plan, hit), Corners):
            continue
        among = f"the declared sheets are {', '.join(declared)}" if declared else "no sheet is"
        sentence = (
            f"sheet {code.text} is in the photo but isn't declared ({among}); add it to the "
            "targets, or correct the sheet of the target that it is"
        )
        problems.append(SightingProblem(search.photo, "not declared", sentence))
    return problems


def _look_in_mirror(
    search: _Search, specs: Sequence[TargetSpec], plans: dict[str, BoardPlan]
) -> list[SightingProblem]:
    """Look for targets in a photo that was flipped left to right."""
    problems = []
    for spec in specs:
        plan = plans[spec.name]
        hits = [
            hit
            for hit in search.read(plan.dictionary, mirrored=True)
            if hit.number in plan.markers and hit.wrong_bits == 0
        ]
        bits = _bits(plan)
        margin = QUIET if plan.kind == "sheet" else 0.3
        if any(fit_marker(search.grey, hit, bits[hit.number], margin=margin) for hit in hits):
            told = Unusable(
                "mirrored",
                "it reads the wrong way round, so the photo was flipped left to right",
                "use the photo as the camera took it, with mirroring switched off",
            )
            problems.append(_problem(search, spec, plan, told))
    return problems


def _problem(search: _Search, spec: TargetSpec, plan: BoardPlan, told: Unusable) -> SightingProblem:
    sentence = f"target {spec.name} ({plan.name}): {told.why}; {told.cure}"
    return SightingProblem(search.photo, told.code, sentence, spec.name)


def _sighting(photo: str, name: str, corners: Corners) -> Sighting:
    return Sighting(
        photo=photo,
        target=name,
        corners_target=corners.corners_target,
        corners_px=corners.corners_px,
        sd_px=corners.sd_px,
        module_px=corners.module_px,
        blur_px=corners.blur_px,
        coverage=corners.coverage,
    )


def _bits(plan: BoardPlan) -> dict[int, npt.NDArray[np.bool_]]:
    words: Words = words_of(plan.dictionary, tuple(plan.markers))
    return dict(zip(words.numbers, words.bits, strict=True))


def _each_place_once(hits: list[MarkerHit]) -> list[MarkerHit]:
    """Keep the best reading of each marker in each place."""
    kept: list[MarkerHit] = []
    for hit in sorted(hits, key=lambda hit: (hit.wrong_bits, -_side(hit))):
        middle = hit.corners_px.mean(axis=0)
        again = any(
            other.number == hit.number
            and np.linalg.norm(other.corners_px.mean(axis=0) - middle) < 0.5 * _side(other)
            for other in kept
        )
        if not again:
            kept.append(hit)
    return sorted(kept, key=lambda hit: hit.number)


def _side(hit: MarkerHit) -> float:
    return _size(hit.corners_px)


def _size(quad: Array) -> float:
    """Side of a square of the same area, px."""
    return float(np.sqrt(abs(cv2.contourArea(quad.astype(np.float32)))))
