"""Whether photos and plane file are still what they were."""

from __future__ import annotations

import copy
import hashlib
from pathlib import Path

import pytest

from survey.errors import InputError
from survey.photo.model import Photo
from survey.planefile import PlaneFile, read_plane_file, verify_plane_file, write_plane_file
from tests.planefile.made import a_plane_file, photos
from tests.rules.made import a_visit


@pytest.fixture
def visit_folder(tmp_path):
    """A folder with two photos and the plane file that was made of them."""
    (tmp_path / "photos").mkdir()
    logged = []
    for name in ("one.jpg", "two.jpg"):
        path = tmp_path / "photos" / name
        path.write_bytes(name.encode() * 1000)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        logged.append(Photo(name, path, digest, "JPEG", None, refused="no target"))
    logged.append(photos()[0])  # could not be read: no hash
    write_plane_file(a_plane_file(visit=a_visit(folder=tmp_path), photos=tuple(logged)), tmp_path)
    return tmp_path


def verify(folder: Path) -> list[str]:
    return verify_plane_file(read_plane_file(folder / "porch.planes.json"), folder)


def problems(folder: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        verify(folder)
    assert caught.value.exit_code == 2
    return [f"{problem.where}: {problem.what}" for problem in caught.value.problems]


def test_unchanged_visit_is_told_so(visit_folder):
    first, second = verify(visit_folder)
    assert first.startswith("plane file unchanged")
    assert second == "2 photos unchanged"


def test_one_changed_bit_in_a_photo_is_named(visit_folder):
    path = visit_folder / "photos" / "two.jpg"
    data = bytearray(path.read_bytes())
    data[500] ^= 1
    path.write_bytes(data)
    assert problems(visit_folder) == ["photos/two.jpg: the photo was changed since it was measured"]


def test_missing_photo_and_changed_figure_are_named_together(visit_folder):
    (visit_folder / "photos" / "one.jpg").unlink()
    path = visit_folder / "porch.planes.json"
    path.write_text(path.read_text("utf-8").replace("0.240:12", "0.290:12"), "utf-8")
    assert problems(visit_folder) == [
        "content_sha256: the plane file was changed after it was written",
        "photos/one.jpg: the photo is missing",
    ]


def test_respaced_file_with_the_same_content_is_unchanged(visit_folder):
    path = visit_folder / "porch.planes.json"
    path.write_text(path.read_text("utf-8").replace("\n", "\n "), "utf-8")
    assert verify(visit_folder)


def test_link_that_leads_out_of_the_folder_is_not_followed(visit_folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "one.jpg"
    inside = visit_folder / "photos" / "one.jpg"
    outside.write_bytes(inside.read_bytes())
    inside.unlink()
    inside.symlink_to(outside)
    assert problems(visit_folder) == ["photos/one.jpg: the photo leads out of the visit folder"]


def test_folder_in_place_of_a_photo_is_a_sentence(visit_folder):
    path = visit_folder / "photos" / "one.jpg"
    path.unlink()
    path.mkdir()
    (line,) = problems(visit_folder)
    assert "can't be read" in line


def test_tampered_hash_alone_is_a_change():
    document = copy.deepcopy(dict(a_plane_file(photos=()).document))
    document["content_sha256"] = "0" * 64
    with pytest.raises(InputError, match="changed after it was written"):
        verify_plane_file(PlaneFile(document), Path())
