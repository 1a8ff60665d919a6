"""Changing visit.toml by program: comments stay, and what would break it is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
import tomlkit

from survey.errors import InputError
from survey.visit import add_table, begin_visit, open_visit, update_visit_toml


@pytest.fixture
def begun(tmp_path: Path) -> Path:
    begin_visit(tmp_path / "visit")
    return tmp_path / "visit"


def lines(folder: Path) -> list[str]:
    return (folder / "visit.toml").read_text(encoding="utf-8").splitlines()


def test_changing_one_key_changes_one_line(begun: Path) -> None:
    before = lines(begun)

    def edit(document: tomlkit.TOMLDocument) -> None:
        document["plies"] = 3

    update_visit_toml(begun, edit)
    changed = [pair for pair in zip(before, lines(begun), strict=True) if pair[0] != pair[1]]
    assert changed == [("plies = 2", "plies = 3")]
    assert open_visit(begun).plies == 3


def test_added_table_leaves_every_line_that_was_there(begun: Path) -> None:
    before = lines(begun)
    update_visit_toml(
        begun, lambda document: add_table(document, "target", {"name": "T1", "sheet": "a4-1"})
    )
    update_visit_toml(
        begun,
        lambda document: add_table(
            document, "plane", {"name": "upper", "outline": ["D", "C", "E"], "plies": 1}
        ),
    )
    after = lines(begun)
    rest = iter(after)
    assert all(line in rest for line in before), "an old line is gone or moved"
    visit = open_visit(begun)
    assert visit.targets[0].name == "T1"
    assert visit.planes[1].outline == ("D", "C", "E")


def test_edit_without_change_writes_nothing(begun: Path) -> None:
    before = (begun / "visit.toml").stat().st_mtime_ns
    update_visit_toml(begun, lambda document: None)
    assert (begun / "visit.toml").stat().st_mtime_ns == before


def test_edit_that_would_break_the_visit_is_refused_and_not_written(begun: Path) -> None:
    before = (begun / "visit.toml").read_bytes()

    def edit(document: tomlkit.TOMLDocument) -> None:
        document["plies"] = 99

    with pytest.raises(InputError, match="plies is 99"):
        update_visit_toml(begun, edit)
    with pytest.raises(InputError, match="stands twice"):
        update_visit_toml(
            begun,
            lambda document: add_table(
                document, "plane", {"name": "porch", "outline": ["A", "B", "C"]}
            ),
        )
    assert (begun / "visit.toml").read_bytes() == before


def test_unsound_file_is_not_edited(begun: Path) -> None:
    path = begun / "visit.toml"
    path.write_text(path.read_text(encoding="utf-8") + "\nplies = \n", encoding="utf-8")
    with pytest.raises(InputError, match="not valid TOML"):
        update_visit_toml(begun, lambda document: None)


def test_change_by_somebody_else_meanwhile_is_not_overwritten(begun: Path) -> None:
    path = begun / "visit.toml"

    def edit(document: tomlkit.TOMLDocument) -> None:
        path.write_text(path.read_text(encoding="utf-8") + "# mine\n", encoding="utf-8")
        document["plies"] = 3

    with pytest.raises(InputError, match="somebody else"):
        update_visit_toml(begun, edit)
    assert lines(begun)[-1] == "# mine"
