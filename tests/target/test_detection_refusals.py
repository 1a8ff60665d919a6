"""Boards that are partly there, twice there, not declared, or not there at all."""

from __future__ import annotations

import numpy as np
import pytest

from survey.target import detect_targets, sheet_image
from survey.visit.model import ForeignBoard, SheetBoard, TargetSpec
from tests.target.rendering import develop, homography_of_size, place_board, project

CODE = "letter-3"
SPEC = TargetSpec("porch board", SheetBoard(CODE))
POSE = homography_of_size(CODE, 260, at_px=(250, 250), yaw_deg=20)  # a module is 20 px


def scene():
    photo = np.full((500, 500), 110.0, np.float32)
    place_board(photo, CODE, POSE)
    return photo


def search(photo, specs=(SPEC,)):
    return detect_targets(develop(photo, noise=1.5, rng=np.random.default_rng(1)), list(specs))


def only_problem(photo, specs=(SPEC,)):
    sightings, problems = search(photo, specs)
    assert sightings == ()
    assert len(problems) == 1
    return problems[0]


@pytest.mark.parametrize(
    ("rows", "columns", "least", "most"),
    [
        ((100, 500), (338, 500), 0.6, 0.75),
        ((0, 500), (0, 165), 0.6, 0.75),
        ((0, 165), (0, 500), 0.6, 0.75),
        ((100, 160), (100, 165), 0.85, 0.99),
    ],
)
def test_hidden_corners_are_left_out_and_the_others_stay_right(rows, columns, least, most):
    photo = scene()
    photo[rows[0] : rows[1], columns[0] : columns[1]] = 60
    (seen,), problems = search(photo)
    assert problems == ()
    assert least < seen.coverage < most
    assert len(seen.corners_px) == round(seen.coverage * 44)
    residual = seen.corners_px - project(POSE, seen.corners_target)
    assert np.abs(residual).max() < 0.15


def test_board_cut_by_the_photos_edge_gives_the_corners_inside():
    (seen,), problems = search(scene()[:, :350].copy())
    assert problems == ()
    assert 0.6 < seen.coverage < 0.8
    assert seen.corners_px[:, 0].max() < 350
    residual = seen.corners_px - project(POSE, seen.corners_target)
    assert np.abs(residual).max() < 0.15


def test_too_few_corners_are_counted():
    photo = scene()
    photo[:, 335:] = photo[:, :165] = photo[335:] = 60
    problem = only_problem(photo)
    assert problem.code == "too few corners"
    assert problem.target == "porch board"
    assert "of its 44 checker corners" in problem.sentence
    assert "12 are needed" in problem.sentence


def test_marker_without_its_frame_is_no_board():
    photo = scene()
    photo[:, 335:] = photo[:, :165] = photo[335:] = photo[:165] = 60
    assert only_problem(photo).code == "wrong layout"


def test_mirrored_photo_is_named():
    problem = only_problem(scene()[:, ::-1].copy())
    assert problem.code == "mirrored"
    assert "flipped left to right" in problem.sentence


def test_second_copy_makes_both_unusable():
    problem = only_problem(np.concatenate([scene(), scene()], axis=1))
    assert problem.code == "duplicate"
    assert "twice" in problem.sentence


def test_undeclared_sheet_is_named_with_what_was_declared():
    problem = only_problem(scene(), [TargetSpec("porch board", SheetBoard("letter-4"))])
    assert problem.code == "not declared"
    assert problem.target is None
    assert "letter-3" in problem.sentence
    assert "letter-4" in problem.sentence


def test_undeclared_sheet_beside_a_declared_one_is_named_too():
    photo = np.full((300, 640), 110.0, np.float32)
    place_board(photo, CODE, homography_of_size(CODE, 150, at_px=(150, 150)))
    place_board(photo, "a4-9", homography_of_size("a4-9", 150, at_px=(480, 150)))
    (seen,), (problem,) = search(photo)
    assert seen.target == "porch board"
    assert (problem.code, "a4-9" in problem.sentence) == ("not declared", True)


def test_hopelessly_small_board_is_never_a_sighting():
    photo = np.full((120, 120), 110.0, np.float32)
    place_board(photo, CODE, homography_of_size(CODE, 15, at_px=(60, 60)))
    sightings, _ = search(photo)
    assert sightings == ()


@pytest.mark.parametrize("blur_px", [5.0, 8.0])
def test_hopelessly_blurred_board_is_never_a_sighting(blur_px):
    photo = np.full((200, 200), 110.0, np.float32)
    place_board(photo, CODE, homography_of_size(CODE, 90, at_px=(100, 100)))
    grey = develop(photo, blur_px=blur_px, noise=2, rng=np.random.default_rng(1))
    assert detect_targets(grey, [SPEC])[0] == ()


@pytest.mark.parametrize("keep", ["left", "right", "top", "bottom"])
def test_half_a_print_is_no_board(keep):
    """Cut through the marker's middle."""
    picture = sheet_image(CODE, 1.5)
    middle_row, middle_column = (n // 2 for n in picture.shape)
    cut = {
        "left": np.s_[:, middle_column:],
        "right": np.s_[:, :middle_column],
        "top": np.s_[middle_row:, :],
        "bottom": np.s_[:middle_row, :],
    }[keep]
    halved = picture.copy()
    halved[cut] = 120
    assert detect_targets(halved, [SPEC])[0] == ()


def every_target():
    """A target of every kind, for photos that hold none."""
    boards = [SheetBoard(f"{size}-{n}") for size in ("letter", "a3", "board-24") for n in (1, 7)]
    foreign = [
        ForeignBoard(kind="marker", dictionary="DICT_4X4_50", marker=0.1, first_id=n)
        for n in range(50)
    ]
    chess = ForeignBoard(
        kind="charuco",
        dictionary="DICT_6X6_250",
        marker=0.02,
        square=0.04,
        columns=5,
        rows=7,
        first_id=0,
    )
    boards = [*boards, *foreign, chess]
    return [TargetSpec(f"board {n}", board) for n, board in enumerate(boards)]


@pytest.mark.parametrize(
    "name", ["astronaut", "brick", "camera", "coffee", "coins", "grass", "gravel", "page", "text"]
)
def test_no_target_is_seen_in_a_picture_of_something_else(name):
    """Pictures that come with scikit-image."""
    data = pytest.importorskip("skimage.data")
    try:
        picture = getattr(data, name)()
    except (OSError, ModuleNotFoundError, ConnectionError):
        pytest.skip(f"scikit-image did not bring {name} along")
    if picture.ndim == 3:
        picture = picture[:, :, ::-1]
    sightings, problems = detect_targets(np.ascontiguousarray(picture), every_target())
    assert (sightings, problems) == ((), ())


@pytest.mark.parametrize("period", [6, 10, 17, 31])
@pytest.mark.parametrize("kind", ["chess", "bricks", "bars", "squares"])
def test_no_target_is_seen_in_a_lattice(kind, period):
    v, u = np.indices((600, 800))
    lattice = {
        "chess": (u // period + v // period) % 2,
        "bricks": ((u + period * (v // period % 2)) % (2 * period) > 2) & (v % period > 2),
        "bars": u // period % 2,
        "squares": (u % (2 * period) < period) & (v % (2 * period) < period),
    }[kind]
    picture = develop(
        60.0 + 140.0 * lattice.astype(np.float32), noise=4, rng=np.random.default_rng(period)
    )
    sightings, problems = detect_targets(picture, every_target())
    assert (sightings, problems) == ((), ())


@pytest.mark.parametrize("seed", range(3))
def test_no_target_is_seen_in_noise(seed):
    rng = np.random.default_rng(seed)
    coarse = rng.uniform(0, 255, (90, 120)).astype(np.float32)
    picture = np.kron(coarse, np.ones((7, 7), np.float32)).astype(np.uint8)
    assert detect_targets(picture, every_target()) == ((), ())


@pytest.mark.parametrize("shape", [(1, 1), (3, 900), (40, 40), (2000, 2)])
def test_tiny_and_blank_pictures_hold_nothing(shape):
    for level in (0, 128, 255):
        assert detect_targets(np.full(shape, level, np.uint8), [SPEC]) == ((), ())
    assert detect_targets(np.full((*shape, 3), 90, np.uint8), [SPEC]) == ((), ())


def test_nothing_declared_is_nothing_seen():
    assert search(scene(), ()) == ((), ())
