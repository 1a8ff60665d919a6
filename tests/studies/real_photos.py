"""Lengths on real photographs: a block of a chessboard plays the target, the rest is checked.

Run from the repository's folder: ``python -m tests.studies.real_photos``. The 26 chessboard
photographs of OpenCV's samples (640 x 480, 9 x 6 inner corners; Debian package opencv-doc). In each
photo a block of 2 x 2 squares is taken for the printed target, at four places of the board; every
other corner is a marked point of the plane that the target lies on, as nearly as the program takes
any target to lie on its wall. Lengths run from the block's middle corner to each other corner and
are compared with the board's grid; the lens is calibrated on the other half of the photos of the
same camera. Beside it, the plain homography of the block's corners.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from survey.adjustment.adjust import adjust
from survey.adjustment.model import (
    LENS,
    PLANE,
    POINT,
    PRINT_SCALE,
    Network,
    OnSurface,
    PointInPhoto,
    Prior,
    TargetCorners,
    TargetOnPlane,
)
from survey.adjustment.network_photos import TILT_ON_PLANE, corner_sds
from survey.photo import calibrate
from survey.photo.model import Calibration, CameraPrior
from survey.target.model import Sighting

SIZE_PX = (640, 480)
SQUARE = 0.025  # metres; the sample's own setting, a scale only
COLUMNS, ROWS = 9, 6
BLOCK = 2  # squares a side
BLOCKS = ((0, 0), (6, 0), (0, 3), (6, 3))  # column and row of each block's first corner
FLATNESS = 0.0003  # metres: paper on a stiff backing, seen in hand
BINS = ((0.75, 1.25), (1.25, 2.0), (2.0, 3.0), (3.0, 4.0), (4.0, 6.0))  # block sides


@dataclass(frozen=True)
class Length:
    """One checked length: distance in block sides, true, ours with its half-width, homography's."""

    distance: float
    true: float
    ours: float
    half_width: float
    homography: float


def board_corners(folder: Path, side: str) -> dict[str, np.ndarray]:
    """Sub-pixel corners (54, 2) of each photo of one camera ("left" or "right")."""
    found = {}
    for path in sorted(folder.glob(f"{side}[01]?.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        seen, corners = cv2.findChessboardCorners(grey, (COLUMNS, ROWS))
        assert seen, path.name
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
        corners = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), criteria)
        found[path.name] = corners.reshape(-1, 2).astype(float)
    return found


def grid() -> np.ndarray:
    """The board's corners (54, 2), metres; y up as in a target's frame."""
    columns, rows = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
    return SQUARE * np.column_stack([columns.ravel(), -rows.ravel()]).astype(float)


def other_half(corners: dict[str, np.ndarray], name: str) -> Calibration:
    """Calibrate on the photos of the half that a photo does not belong to."""
    names = sorted(corners)
    mine = names.index(name) % 2
    return calibrate([(grid(), corners[n]) for i, n in enumerate(names) if i % 2 != mine], SIZE_PX)


def prior_of(calibration: Calibration) -> CameraPrior:
    """What a calibration says of the camera, without any stabiliser: these lenses are fixed."""
    k1, k2, p1, p2, k3 = calibration.distortion
    return CameraPrior(
        size_px=SIZE_PX,
        focal=calibration.focal,
        focal_sd=max(calibration.focal_sd, 0.002 * calibration.focal),
        centre=calibration.centre,
        centre_sd=float(max(calibration.centre_sd)),
        k1=k1,
        k2=k2,
        p1=p1,
        p2=p2,
        k3=k3,
        k1_sd=calibration.distortion_sd[0],
        k2_sd=calibration.distortion_sd[1],
        source="calibrated",
    )


def block_network(
    photo: str, px: np.ndarray, block: tuple[int, int], calibration: Calibration
) -> tuple[Network, list[int], list[int]]:
    """The network of one photo; also the block's corners and the others, by number.

    How well a corner is found is what the calibration of the other photos was left with.
    """
    prior = prior_of(calibration)
    corner_sd = calibration.rms_px / np.sqrt(2)
    inside = [
        row * COLUMNS + column
        for row in range(block[1], block[1] + BLOCK + 1)
        for column in range(block[0], block[0] + BLOCK + 1)
        if row < ROWS and column < COLUMNS
    ]
    others = [i for i in range(COLUMNS * ROWS) if i not in inside]
    flat = grid() - grid()[inside].mean(axis=0)
    sighting = Sighting(
        photo, "T", flat[inside], px[inside], np.full(len(inside), corner_sd), 8.0, 1.5
    )
    mean = np.array([prior.focal, *prior.centre, prior.k1, prior.k2])
    sd = np.array([prior.focal_sd, prior.centre_sd, prior.centre_sd, prior.k1_sd, prior.k2_sd])
    observations = [
        Prior(id="lens", key=(LENS, photo), mean=mean, sd=sd),
        Prior(id="print", key=(PRINT_SCALE, "T"), mean=np.ones(2), sd=np.full(2, 1e-6)),
        TargetCorners(
            id="T",
            photo=photo,
            target="T",
            corners_target=flat[inside],
            corners_px=px[inside],
            sd_px=corner_sds(sighting),
        ),
        TargetOnPlane(
            id="T on board",
            target="T",
            plane="board",
            thickness=0.0,
            tilt_sd=TILT_ON_PLANE,
            thickness_sd=FLATNESS,
        ),
    ]
    middle = inside[len(inside) // 2]
    for i in [middle, *others]:
        name = f"P{i:02}"
        mark = (float(px[i, 0]), float(px[i, 1]))
        observations += [
            PointInPhoto(id=f"m{name}", photo=photo, point=name, px=mark, sd_px=corner_sd),
            OnSurface(id=f"o{name}", on=(PLANE, "board"), point=name, sd=FLATNESS),
        ]
    return Network(observations=observations, cameras={photo: prior}), inside, others


def by_homography(px: np.ndarray, inside: Sequence[int], prior: CameraPrior) -> np.ndarray:
    """All corners (54, 2) carried by the homography of the block, distortion taken out first."""
    matrix = np.array(
        [[prior.focal, 0, prior.centre[0]], [0, prior.focal, prior.centre[1]], [0, 0, 1]]
    )
    terms = np.array([prior.k1, prior.k2, prior.p1, prior.p2, prior.k3])
    straight = cv2.undistortPoints(px[:, None], matrix, terms, P=matrix)
    carry, _ = cv2.findHomography(straight[list(inside)], grid()[list(inside)])
    return cv2.perspectiveTransform(straight, carry)[:, 0]


def check_photo(
    photo: str, px: np.ndarray, block: tuple[int, int], calibration: Calibration
) -> list[Length]:
    """Every length from a block's middle corner in one photo."""
    network, inside, others = block_network(photo, px, block, calibration)
    solution = adjust(network, search_faults=False)
    plain = by_homography(px, inside, prior_of(calibration))
    middle = inside[len(inside) // 2]
    first: tuple[str, str] = (POINT, f"P{middle:02}")
    keys = [first, *((POINT, f"P{i:02}") for i in others)]

    def spans(state):
        return np.array([np.linalg.norm(state[key] - state[first]) for key in keys[1:]])

    derived = solution.derive(spans, keys)
    half = derived.coverage_factor * derived.sd
    lengths = []
    for j, i in enumerate(others):
        true = float(np.linalg.norm(grid()[i] - grid()[middle]))
        lengths.append(
            Length(
                float(np.linalg.norm(grid()[i] - grid()[middle])) / (BLOCK * SQUARE),
                true,
                float(derived.value[j]),
                float(half[j]),
                float(np.linalg.norm(plain[i] - plain[middle])),
            )
        )
    return lengths


def study(folder: Path, *, every: int = 1) -> Iterator[Length]:
    """Check lengths on every n-th photo of both cameras."""
    for side in ("left", "right"):
        corners = board_corners(folder, side)
        for name in sorted(corners)[::every]:
            calibration = other_half(corners, name)
            for block in BLOCKS:
                yield from check_photo(name, corners[name], block, calibration)


def table(lengths: Sequence[Length]) -> str:
    """Markdown table: errors and coverage by distance, ours and the homography's."""
    lines = [
        "| distance, target sides | lengths | ours, 95 % of errors within | half-width, median "
        "| coverage | homography, 95 % of errors within |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for low, high in BINS:
        here = [one for one in lengths if low <= one.distance < high]
        ours = np.array([abs(one.ours / one.true - 1) for one in here])
        plain = np.array([abs(one.homography / one.true - 1) for one in here])
        half = np.median([one.half_width / one.true for one in here])
        held = np.mean([abs(one.ours - one.true) <= one.half_width for one in here])
        lines.append(
            f"| {low:g}-{high:g} | {len(here)} | {np.quantile(ours, 0.95):.2%} | {half:.2%} | "
            f"{held:.1%} | {np.quantile(plain, 0.95):.2%} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--folder", type=Path, default=Path("/usr/share/doc/opencv-doc/examples/data")
    )
    parser.add_argument("--every", type=int, default=1)
    given = parser.parse_args()
    print(table(list(study(given.folder, every=given.every))))


if __name__ == "__main__":
    main()
