"""Opening a folder: what is there, what is missing, what the system won't give."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from survey.errors import InputError, Problem, StorageError
from survey.visit import open_visit
from survey.visit.marks_file import parse_marks
from survey.visit.reading import MOST_PHOTOS, list_photos
from survey.visit.readings_file import parse_readings_text
from survey.visit.visit_file import parse_visit
from survey.visit.workbook import read_workbook_rows
from tests.visit.full_visit import MARKS, READINGS, VISIT, problems_of, write_full_visit


def test_missing_folder_and_file_in_its_place_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"does not exist; make one with: survey begin FOLDER"):
        open_visit(tmp_path / "nowhere")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputError, match="is a file, not a visit folder"):
        open_visit(tmp_path / "file")


def test_folder_without_visit_file_is_named(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path)
    assert problem.where == "visit.toml"
    assert "survey begin" in problem.cure


def test_system_that_refuses_to_read_is_a_storage_error(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = Path.open

    def refuse(path: Path, *args: object, **kwargs: object) -> object:
        if path.name == "marks.json":
            raise PermissionError(13, "Permission denied")
        return real(path, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(StorageError, match=r"marks\.json can't be read \(permission denied\)"):
        open_visit(folder)


def test_photos_come_by_name_without_notes_and_hidden_files(folder: Path) -> None:
    for name in ("C.HEIC", "10.png", "clip.mp4", "Thumbs.db", "notes.txt"):
        (folder / "photos" / name).write_bytes(b"x")
    (folder / "photos" / "sub").mkdir()
    names = [path.name for path in list_photos(folder)]
    assert names == ["10.png", "C.HEIC", "a.jpg", "b.jpg", "clip.mp4"]


def test_link_among_the_photos_is_refused(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.jpg").write_bytes(b"x")
    (folder / "photos" / "c.jpg").symlink_to(tmp_path / "secret.jpg")
    assert any("is a link" in one.what for one in problems_of(folder))


@pytest.mark.parametrize("name", ["photos", "visit.toml", "marks.json", "readings.csv"])
def test_link_in_place_of_a_part_of_the_visit_is_refused(folder: Path, name: str) -> None:
    (folder / name).rename(folder.parent / name)
    (folder / name).symlink_to(folder.parent / name)
    (problem, *_) = [one for one in problems_of(folder) if one.where == name]
    assert "is a link" in problem.what


@pytest.mark.parametrize("name", [b"a\nb.jpg", b"\xff\xfe.jpg"])
def test_photo_whose_name_no_result_could_hold_is_refused(folder: Path, name: bytes) -> None:
    try:
        Path(os.fsdecode(os.fsencode(folder / "photos") + b"/" + name)).write_bytes(b"x")
    except OSError:
        pytest.skip("this file system takes no such name")
    (problem,) = problems_of(folder)
    assert "no plain text" in problem.what and problem.cure == "rename the photo"


def test_photos_in_place_of_a_folder_and_too_many_are_refused(tmp_path: Path) -> None:
    (tmp_path / "photos").write_bytes(b"")
    with pytest.raises(InputError, match="a file, not a folder"):
        list_photos(tmp_path)
    (tmp_path / "photos").unlink()
    (tmp_path / "photos").mkdir()
    for number in range(MOST_PHOTOS + 1):
        (tmp_path / "photos" / f"{number}.jpg").touch()
    with pytest.raises(InputError, match=f"over {MOST_PHOTOS}"):
        list_photos(tmp_path)


def mutant(data: bytes, rng: random.Random) -> bytes:
    """One to four random injuries: bytes changed, cut, doubled, swapped, or signs put in."""
    broken = bytearray(data)
    signs = (b'"', b"'", b"[", b"]", b"{", b"}", b"=", b",", b"\n", b"\\", b"\0", b"#", b"-",
             b"nan", b"1e999", b"\xff", b"\xf0\x9f\x8f\xa0", b'"""', b";", b"9" * 30)  # fmt: skip
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(broken) + 1)
        end = min(len(broken), at + rng.randint(1, 40))
        match rng.randrange(5):
            case 0:
                broken[at:end] = b""
            case 1:
                broken[at:at] = rng.choice(signs)
            case 2:
                broken[at:end] = rng.randbytes(end - at)
            case 3:
                broken[at:at] = broken[at:end] * rng.randint(1, 5)
            case 4:
                broken = broken[:at] if rng.random() < 0.2 else broken
        if not broken:
            break
    return bytes(broken)


SEED = 20260504


@pytest.mark.parametrize("name", ["visit.toml", "marks.json", "readings.csv"])
def test_mutants_of_each_file_end_as_a_visit_or_a_named_error(tmp_path: Path, name: str) -> None:
    folder = write_full_visit(tmp_path / "visit")
    original = (folder / name).read_bytes()
    rng = random.Random(f"{SEED} {name}")
    opened = 0
    for number in range(300):
        data = mutant(original, rng)
        (folder / name).write_bytes(data)
        try:
            open_visit(folder)
            opened += 1
        except InputError as error:
            assert all(one.what and one.where for one in error.problems), (number, data)
            assert len(str(error)) < 200_000
    assert opened < 300


@pytest.mark.slow
def test_many_mutants_of_each_text_end_as_values_or_a_named_error() -> None:
    rng = random.Random(SEED)
    folder = Path()
    visit, _ = parse_visit(VISIT, folder, [])
    for number in range(20_000):
        problems: list[Problem] = []
        which = number % 3
        text = mutant((VISIT, MARKS, READINGS)[which].encode(), rng).decode(errors="replace")
        try:
            if which == 0:
                parse_visit(text, folder, problems)
            elif which == 1:
                parse_marks(text, problems)
            else:
                parse_readings_text(text, visit, problems)
        except InputError as error:
            problems += error.problems
        assert all(one.what and one.where for one in problems), text


def test_mutants_of_a_workbook_end_as_rows_or_a_named_error() -> None:
    """Half are injured as a file, half inside one of their parts, which a checksum then fits."""
    from tests.visit.test_workbook import ROWS, SHEET, rewritten, workbook

    original = workbook(ROWS)
    parts = (SHEET, "xl/workbook.xml", "xl/styles.xml", "[Content_Types].xml")
    rng = random.Random(SEED)
    for number in range(400):
        if number % 2:
            data = mutant(original, rng)
        else:
            data = rewritten(original, rng.choice(parts), lambda part: mutant(part, rng))
        try:
            rows = read_workbook_rows(data, "readings.xlsx")
        except InputError as error:
            assert error.where.startswith("readings.xlsx"), number
        else:
            assert all(isinstance(cell, str) for _, cells in rows for cell in cells)
