"""A rectified image has one scale everywhere, and its lengths carry an interval that holds."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from survey.adjustment.model import CAMERA, LENS, PLANE
from survey.geometry.cameras import rays
from survey.geometry.planes import meet_plane
from survey.photo import read_photos, read_pixels
from survey.visit import open_visit
from survey.web.progress import measure_progress
from survey.web.rectified import draw_rectified, sight_of
from survey.web.rectifying import rectify
from survey.web.sightings import SightingStore
from survey.web.tiles import make_levels
from tests.web import measurable


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = measurable.write_measurable(tmp_path_factory.mktemp("shed") / "visit")
    visit = open_visit(folder)
    photos = read_photos(visit)
    store = SightingStore(folder)
    seen = [store.search(photo, visit.targets) for photo in photos]
    progress = measure_progress(
        visit, photos, [one for s in seen for one in s.sightings], [], thorough=False
    )
    return visit, photos, progress


def told_of(measured, photo=None, plane="wall"):
    visit, photos, progress = measured
    cameras = {one.name: one.camera for one in photos}
    return rectify(visit, progress.solution, cameras, plane, photo)


def image_of(measured, told):
    photo = next(one for one in measured[1] if one.name == told["photo"])
    levels = make_levels(read_pixels(photo))
    return draw_rectified(told, sight_of(told, photo.camera.size_px), levels)


@pytest.mark.parametrize("photo", ["left.jpg", "right.jpg"])
def test_rectified_image_has_one_scale_in_both_directions(measured, photo):
    """The wall is a rendered sheet with a square marker, which is square again."""
    told = told_of(measured, photo)
    image = image_of(measured, told)
    assert image.shape[:2] == tuple(reversed(told["size_px"]))
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    found: list[np.ndarray] = []
    for name in ("DICT_4X4_1000", "DICT_5X5_1000", "DICT_6X6_1000", "DICT_ARUCO_MIP_36H12"):
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
        corners, _, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(image)
        if len(corners) > len(found):
            found = [one.reshape(4, 2) for one in corners]
    assert found
    sides = np.array([np.linalg.norm(np.roll(one, -1, axis=0) - one, axis=1) for one in found])
    assert np.abs(sides / np.median(sides) - 1).max() < 0.01  # under a pixel on each side
    assert abs(sides[:, [0, 2]].mean() / sides[:, [1, 3]].mean() - 1) < 0.005


def test_corners_lie_where_the_plane_file_says_they_do(measured):
    told = told_of(measured)
    corners = np.array(told["outline_px"]) * told["m_per_px"]
    names = told["outline"]
    (plane,) = measured[2].plane_file.document["planes"]
    for edge in measured[2].plane_file.document["edges"]:
        ends = [corners[names.index(edge[key])] for key in ("start", "end")]
        length = float(np.linalg.norm(ends[1] - ends[0]))
        assert length == pytest.approx(edge["length"]["value"], abs=2e-3)
        assert length == pytest.approx(
            measurable.true_length(edge["start"], edge["end"]),
            abs=1.5 * edge["length"]["half_width"] + 2e-3,
        )
    assert plane["name"] == "wall"


@pytest.mark.parametrize("photo", ["left.jpg", "right.jpg"])
def test_interpolated_interval_is_that_of_the_adjustment(measured, photo):
    """Lines anywhere on the plane: sd by the nodes' modes against direct propagation."""
    _, photos, progress = measured
    told = told_of(measured, photo)
    sight = sight_of(told, next(one.camera.size_px for one in photos if one.name == photo))
    keys = ((CAMERA, photo), (LENS, photo), (PLANE, "wall"))
    rng = np.random.default_rng(11)
    size, step = np.array(told["size_px"]), told["m_per_px"]
    for _ in range(12):
        ends = rng.uniform(0, 1, (2, 2)) * (size - 1)
        if np.linalg.norm(ends[1] - ends[0]) < 200:
            continue
        uv = told["corner_m"] + (ends + 0.5) * [step, -step]
        px, _ = sight.to_px(uv)

        def length_of(state, px=px, keys=keys):
            pose, lens, plane = (state[key] for key in keys)
            met = meet_plane(
                pose.translation, rays(px, lens, sight.fixed) @ pose.rotation.T,
                plane.normal, plane.offset,
            )  # fmt: skip
            return np.array([np.linalg.norm(met[1] - met[0])])

        value, covariance = progress.solution.propagate(length_of, keys)
        assert value[0] == pytest.approx(np.linalg.norm(ends[1] - ends[0]) * step, rel=1e-4)
        assert sd_by_modes(told, ends) == pytest.approx(float(np.sqrt(covariance[0, 0])), rel=0.06)


def sd_by_modes(told, ends):
    """The page's arithmetic (square.js), written anew."""
    count, modes = told["nodes"], np.array(told["modes"])
    modes = modes.reshape(count, count, 2, -1)
    along = (ends[1] - ends[0]) * [1, -1]
    along = along / np.linalg.norm(along)

    def moved(px):
        u = (px[0] + 0.5) / told["size_px"][0] * (count - 1)
        v = (1 - (px[1] + 0.5) / told["size_px"][1]) * (count - 1)
        i, j = min(int(u), count - 2), min(int(v), count - 2)
        p, q = u - i, v - j
        return (
            (1 - q) * ((1 - p) * modes[j, i] + p * modes[j, i + 1])
            + q * ((1 - p) * modes[j + 1, i] + p * modes[j + 1, i + 1])
        )  # fmt: skip

    return float(np.linalg.norm(along @ (moved(ends[1]) - moved(ends[0]))))


def test_what_cannot_be_shown_is_said_with_a_cure(measured):
    for plane in ("roof", ""):
        told = told_of(measured, None, plane)
        assert told["photo"] is None and told["photos"] == []
        assert told["why"] and told["cure"]
    visit, _, progress = measured
    none = rectify(visit, progress.solution, {}, "wall", None)
    assert "no photo" in none["why"]


def test_a_photo_that_does_not_show_the_plane_is_not_taken(measured):
    assert told_of(measured, "elsewhere.jpg")["photo"] in measurable.STANDS
