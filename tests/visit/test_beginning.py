"""`survey begin`: a folder that opens as it stands, holds what it says, and overwrites nothing."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from survey.errors import InputError, StorageError
from survey.visit import begin_visit, open_visit
from survey.visit.model import RodReading, SlopeReading, TapeReading


@pytest.fixture
def begun(tmp_path: Path) -> Path:
    begin_visit(tmp_path / "visit")
    return tmp_path / "visit"


def test_example_opens_and_holds_every_kind_of_reading(begun: Path) -> None:
    visit = open_visit(begun)
    kinds = [type(one) for one in visit.readings]
    assert kinds.count(TapeReading) == 6
    assert kinds.count(RodReading) == 35
    assert kinds.count(SlopeReading) == 1
    assert visit.planes[0].outline == ("A", "B", "C", "D")
    assert (visit.photo_paths, visit.marks) == ((), ())


def test_written_files_are_the_ones_returned(tmp_path: Path) -> None:
    written = begin_visit(tmp_path / "visit")
    found = sorted(path for path in (tmp_path / "visit").rglob("*") if path.is_file())
    assert sorted(written) == found


def test_rod_readings_of_the_example_lie_on_a_plane_of_three_eighths_in_twelve(
    begun: Path,
) -> None:
    """A plane fitted to the rods by least squares (numpy) falls 3/8 in 12 and agrees with the
    digital level; one reading in the stain ring lies over 3/4 in under it, the rest within 1/8."""
    visit = open_visit(begun)
    spots = [one for one in visit.readings if isinstance(one, RodReading) and one.spot]
    places = np.array([(one.spot.along, one.spot.up) for one in spots if one.spot])
    heights = -np.array([one.value for one in spots])
    ring = np.array(["G34" == one.id for one in spots])
    design = np.column_stack([places, np.ones(len(places))])
    fit, *_ = np.linalg.lstsq(design[~ring], heights[~ring], rcond=None)
    pitch = 12 * math.hypot(fit[0], fit[1])
    assert pitch == pytest.approx(3 / 8, abs=0.02)
    (level,) = [one for one in visit.readings if isinstance(one, SlopeReading)]
    assert 12 * math.tan(level.value) == pytest.approx(pitch, abs=0.03)
    residuals = (heights - design @ fit) / 0.0254
    assert residuals[ring][0] < -0.75
    assert np.abs(residuals[~ring]).max() < 0.2


def test_tapes_of_the_example_close_within_their_own_sd(begun: Path) -> None:
    """Four sides and two diagonals fix a quadrilateral once over: B-D follows from the others."""
    tapes = {
        frozenset((one.start, one.end)): one
        for one in open_visit(begun).readings
        if isinstance(one, TapeReading)
    }

    def length(pair: str) -> float:
        return tapes[frozenset(pair)].value

    def angle_at_a(side: float, diagonal: float, opposite: float) -> float:
        return math.acos((side**2 + diagonal**2 - opposite**2) / (2 * side * diagonal))

    angle = angle_at_a(length("AB"), length("AC"), length("BC")) + angle_at_a(
        length("AD"), length("AC"), length("CD")
    )
    diagonal = math.sqrt(
        length("AB") ** 2 + length("AD") ** 2 - 2 * length("AB") * length("AD") * math.cos(angle)
    )
    assert diagonal == pytest.approx(length("BD"), abs=4 * tapes[frozenset("BD")].sd)


def uncommented(text: str) -> str:
    """The example with its commented blocks switched on: lines that are TOML behind the sign."""
    return re.sub(r"^# (?=\[\[|[a-z_]+ = )", "", text, flags=re.MULTILINE)


def test_commented_blocks_of_the_example_are_sound_when_switched_on(begun: Path) -> None:
    path = begun / "visit.toml"
    path.write_text(uncommented(path.read_text(encoding="utf-8")), encoding="utf-8")
    readings = begun / "readings.csv"
    text = readings.read_text(encoding="utf-8")
    readings.write_text(text.replace("# R9", "R9"), encoding="utf-8")
    visit = open_visit(begun)
    assert [one.name for one in visit.targets] == ["T1"]
    assert [one.name for one in visit.outlets] == ["scupper 1"]
    assert [one.name for one in visit.penetrations] == ["vent 1"]
    assert [one.name for one in visit.setups] == ["S1", "S2"]
    assert [one.point for one in visit.readings if isinstance(one, RodReading)][-2:] == ["TP1"] * 2


def test_empty_folder_is_filled(tmp_path: Path) -> None:
    (tmp_path / "visit").mkdir()
    begin_visit(tmp_path / "visit")
    assert open_visit(tmp_path / "visit").name == "visit"


@pytest.mark.parametrize("name", ["oak street", "Müllers Dach", 'the "old" shed', "back\\slash"])
def test_visit_is_named_for_its_folder(tmp_path: Path, name: str) -> None:
    begin_visit(tmp_path / name)
    assert open_visit(tmp_path / name).name == name


def test_folder_whose_name_no_visit_can_have_keeps_the_name_of_the_example(tmp_path: Path) -> None:
    begin_visit(tmp_path / ("long" * 20))
    assert open_visit(tmp_path / ("long" * 20)).name == "example porch"


@pytest.mark.parametrize("name", ["visit.toml", ".hidden", "holiday.jpg"])
def test_folder_that_holds_anything_is_refused_and_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"mine")
    with pytest.raises(InputError, match="is not empty"):
        begin_visit(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_bytes() == b"mine"


def test_file_of_that_name_is_refused(tmp_path: Path) -> None:
    (tmp_path / "visit").write_bytes(b"mine")
    with pytest.raises(InputError, match="is a file"):
        begin_visit(tmp_path / "visit")
    with pytest.raises(StorageError, match="can't be made"):
        begin_visit(tmp_path / "visit" / "inside")


@pytest.mark.parametrize("failing", range(1, 5))
def test_failure_at_any_file_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int
) -> None:
    import survey.visit.beginning as beginning

    real, calls = beginning.write_atomically, []

    def write(path: Path, data: bytes) -> None:
        calls.append(path)
        if len(calls) == failing:
            raise StorageError("no space left", where=str(path))
        real(path, data)

    monkeypatch.setattr(beginning, "write_atomically", write)
    with pytest.raises(StorageError, match="no space left"):
        begin_visit(tmp_path / "visit")
    assert list(tmp_path.iterdir()) == []
