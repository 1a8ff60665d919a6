"""Every action is on the disk before it is told of, and can be taken back to the first byte."""

from __future__ import annotations

import json
import random
import shutil
import threading
from importlib.resources import files
from pathlib import Path

import pytest

from survey.errors import InputError, StorageError
from survey.visit import open_visit
from survey.web import fieldbook as book_module
from survey.web.conflicts import ConflictError
from survey.web.fieldbook import FieldBook
from survey.web.journal import FOLDER, JOURNAL

FILES = ("visit.toml", "marks.json", "readings.csv")


def contents(folder: Path) -> dict[str, bytes | None]:
    return {
        name: (folder / name).read_bytes() if (folder / name).exists() else None for name in FILES
    }


def point(x: float, y: float = 5.0, **more) -> dict:
    return {"kind": "point", "photo": "front.jpg", "px": [x, y], **more}


BOTH = [
    {"kind": "put mark", "mark": point(2)},
    {"kind": "put setup", "setup": {"name": "S1"}},
]


class Tab:
    """Somebody who does actions in a field book."""

    def __init__(self, book: FieldBook, name: str = "tab") -> None:
        self.book = book
        self.name = name
        self.count = len(book.journal.entries) * 1000
        self.seen = book.version

    def act(self, kind: str, **more):
        self.count += 1
        receipt = self.book.act(self.name, str(self.count), self.seen, {"kind": kind, **more})
        self.seen = receipt.version
        return receipt


@pytest.fixture
def book(folder: Path) -> FieldBook:
    return FieldBook(folder)


@pytest.fixture
def example(folder: Path) -> Path:
    """The hand-written example visit with its comments, and photos."""
    for name in FILES[:1] + FILES[2:]:
        (folder / name).write_bytes(files("survey.visit").joinpath("example", name).read_bytes())
    (folder / "marks.json").write_bytes(b'{"marks": [ ],\r\n "format": 1}')
    return folder


def test_an_empty_visit_becomes_a_plane_by_presses_alone(book, folder):
    tab = Tab(book)
    corners = [(200, 800), (1060, 840), (910, 300), (360, 280)]
    for x, y in corners:
        tab.act("put mark", mark=point(x, y))
    tab.act("put plane", plane={"outline": ["A", "B", "C", "D"]})
    visit = open_visit(folder)
    assert [mark.point for mark in visit.marks] == ["A", "B", "C", "D"]
    assert visit.planes[0].name == "roof 1"
    # clockwise would be seen from below; the lowest side in the photo is taken for the eave
    assert visit.planes[0].outline == ("A", "B", "C", "D")
    kinds = {edge.name: edge.kind.value for edge in visit.edges}
    assert kinds == {"A-B": "eave", "B-C": "rake", "C-D": "headwall", "D-A": "rake"}
    assert book.guessed_edges == {"A-B", "B-C", "C-D", "A-D"}
    tab.act("put edge", edge={"between": ["B", "A"], "kind": "eave", "meets": "gutter"})
    assert book.guessed_edges == {"B-C", "C-D", "A-D"}


def test_a_clockwise_outline_is_turned_round(book, folder):
    tab = Tab(book)
    for x, y in [(200, 800), (360, 280), (910, 300), (1060, 840)]:
        tab.act("put mark", mark=point(x, y))
    tab.act("put plane", plane={"outline": ["A", "B", "C", "D"]})
    assert open_visit(folder).planes[0].outline == ("A", "D", "C", "B")
    tab.act("put plane", plane={"name": "as told", "outline": ["A", "B", "C"]}, guess=False)
    assert open_visit(folder).planes[1].outline == ("A", "B", "C")


def random_action(rng: random.Random, book: FieldBook) -> dict:
    """Any action that may or may not be possible just now."""
    visit = book.visit
    marks = [mark.id for mark in visit.marks] or ["m1"]
    planes = [plane.name for plane in visit.planes] or ["porch"]
    edges = [edge.name for edge in visit.edges] or ["A-B"]
    readings = [reading.id for reading in visit.readings] or ["T1"]
    names = ["A", "B", "C", "D", "E", "F"]
    number = rng.randrange(1000)
    px = [rng.uniform(0, 1299), rng.uniform(0, 1000)]
    return rng.choice(
        [
            lambda: {"kind": "put mark", "mark": point(*px)},
            lambda: {"kind": "put mark", "mark": point(*px, point=rng.choice(names))},
            lambda: {"kind": "put mark", "mark": point(*px, id=rng.choice(marks), point="A")},
            lambda: {"kind": "put mark", "mark": {"kind": "edge", "photo": "photo 1.jpg",
                     "start": "A", "end": "B", "px": [px, [1.5, 2.5]]}},
            lambda: {"kind": "put mark", "mark": {"kind": "gravity", "photo": "front.jpg",
                     "direction": "plumb", "px": [px, [7, 8]], "on": None}},
            lambda: {"kind": "remove mark", "id": rng.choice(marks)},
            lambda: {"kind": "put plane", "plane": {"outline": rng.sample(names, 4)}},
            lambda: {"kind": "put plane", "plane": {"name": rng.choice(planes),
                     "coverings_on": rng.randrange(3)}},
            lambda: {"kind": "remove plane", "name": rng.choice(planes)},
            lambda: {"kind": "put edge", "edge": {"name": rng.choice(edges),
                     "kind": rng.choice(["eave", "rake", "ridge"]), "level": rng.random() < 0.5}},
            lambda: {"kind": "remove edge", "name": rng.choice(edges)},
            lambda: {"kind": "put target", "target": {"sheet": "letter-1", "mounted": "plumb"}},
            lambda: {"kind": "put setup", "setup": {"instrument": f"level {number}"}},
            lambda: {"kind": "put visit", "visit": {"by": f"person {number}", "plies": None}},
            lambda: {"kind": "put conditions", "conditions": {"wind": f"{number} mph"}},
            lambda: {"kind": "put reading", "reading": {"kind": "tape", "point": "A", "to": "B",
                     "value": f"{1 + number % 20} ft 3-1/4 in"}},
            lambda: {"kind": "put reading", "reading": {"id": rng.choice(readings),
                     "note": f"again {number}"}},
            lambda: {"kind": "remove reading", "id": rng.choice(readings)},
            lambda: {"kind": "together", "actions": [
                {"kind": "put mark", "mark": point(*px)},
                {"kind": "put setup", "setup": {}}]},
        ]
    )()  # fmt: skip


def do_at_random(book: FieldBook, count: int, seed: int, undos: float = 0.0) -> int:
    rng = random.Random(seed)
    tab = Tab(book)
    done = 0
    while done < count:
        try:
            if undos and rng.random() < undos:
                tab.act(rng.choice(["undo", "redo"]))
            else:
                tab.act(**random_action(rng, book))
            done += 1
        except InputError:
            continue
    return done


@pytest.mark.parametrize("count", [60, pytest.param(1000, marks=pytest.mark.slow)])
def test_random_actions_undone_give_the_first_files_byte_for_byte(example, count):
    first = contents(example)
    book = FieldBook(example)
    do_at_random(book, count, seed=17)
    last = contents(example)
    assert last != first
    book = FieldBook(example)  # as after a reload
    tab = Tab(book)
    steps = len(book.history.done)
    assert steps > count * 0.5
    for _ in range(steps):
        tab.act("undo")
    assert contents(example) == first
    with pytest.raises(InputError, match="nothing to undo"):
        tab.act("undo")
    book = FieldBook(example)
    tab = Tab(book)
    for _ in range(steps):
        tab.act("redo")
    assert contents(example) == last
    open_visit(example)


def test_undo_and_redo_amid_random_actions_keep_the_visit_sound(example):
    book = FieldBook(example)
    do_at_random(book, 60, seed=5, undos=0.4)
    assert open_visit(example) == book.visit
    again = FieldBook(example)
    assert [entry.number for entry in again.history.done] == [
        entry.number for entry in book.history.done
    ]
    assert [entry.number for entry in again.history.undone] == [
        entry.number for entry in book.history.undone
    ]


def test_a_new_action_after_undo_ends_what_could_be_redone(book):
    tab = Tab(book)
    tab.act("put mark", mark=point(1))
    tab.act("undo")
    tab.act("put mark", mark=point(2))
    with pytest.raises(InputError, match="nothing to redo"):
        tab.act("redo")


def test_ids_are_never_used_twice_even_after_undo(book):
    tab = Tab(book)
    first = tab.act("put mark", mark=point(1)).applied[0]["mark"]["id"]
    tab.act("undo")
    second = tab.act("put mark", mark=point(2)).applied[0]["mark"]["id"]
    assert (first, second) == ("m1", "m2")


def test_asking_twice_does_it_once_even_after_a_restart(folder):
    book = FieldBook(folder)
    action = {"kind": "put mark", "mark": point(10)}
    one = book.act("tab", "r1", 0, action)
    assert book.act("tab", "r1", 0, action) == one
    again = FieldBook(folder)
    assert again.act("tab", "r1", 0, action).version == one.version
    assert len(again.visit.marks) == 1


def test_an_action_that_would_break_the_visit_changes_nothing(book, folder):
    tab = Tab(book)
    tab.act("put mark", mark=point(1))
    before, version = contents(folder), book.version
    for bad in (
        {"kind": "put mark", "mark": point(1, photo="none.jpg")},
        {"kind": "put plane", "plane": {"outline": ["A", "B"]}},
        {"kind": "put edge", "edge": {"between": ["A", "Z"]}},
        {"kind": "put reading", "reading": {"kind": "tape", "point": "A", "to": "B", "value": "x"}},
        {"kind": "put outlet", "outlet": {"kind": "scupper"}},
        {"kind": "put visit", "visit": {"name": None}},
        {"kind": "put visit", "visit": {"colour": "red"}},
        {"kind": "put target", "target": {"name": "T", "sheet": {"x": {"y": 1}}}},
        {"kind": "remove plane", "name": "none"},
        {"kind": "together", "actions": [{"kind": "put mark", "mark": point(2)}, {"kind": "x"}]},
        {"kind": "together", "actions": []},
        {"kind": "fly"},
        {"kind": ["put mark"]},
        {},
    ):
        with pytest.raises(InputError) as caught:
            tab.act(**{"kind": None, **bad})
        assert str(caught.value)
    assert contents(folder) == before and book.version == version


def test_a_mark_outside_its_photo_is_refused(folder):
    book = FieldBook(folder)
    book.sizes = lambda: {"front.jpg": (1300, 1001)}
    tab = Tab(book)
    tab.act("put mark", mark=point(-0.5, 1000.5))
    for px in ((-0.51, 0), (0, 1000.51), (1299.6, 0)):
        with pytest.raises(InputError, match="outside"):
            tab.act("put mark", mark=point(*px))


def test_a_hand_at_the_files_wins_and_undo_works_around_it(book, folder):
    tab = Tab(book)
    tab.act("put setup", setup={"name": "S1"})
    path = folder / "visit.toml"
    path.write_text("# written by hand\n" + path.read_text() + "# and below\n")
    tab.act("put setup", setup={"name": "S2"})
    text = path.read_text()
    assert text.startswith("# written by hand\n") and "# and below" in text
    for _ in range(2):
        tab.act("undo")
    assert (
        path.read_text() == '# written by hand\n# by hand\nname = "porch"  # short\n# and below\n'
    )


def test_a_hand_edit_of_the_same_place_is_not_undone_over(book, folder):
    tab = Tab(book)
    tab.act("put visit", visit={"by": "one"})
    path = folder / "visit.toml"
    path.write_text(path.read_text().replace('by = "one"', 'by = "another"'))
    tab.seen = book.version
    with pytest.raises(InputError, match="edited at the same place"):
        tab.act("undo")
    assert 'by = "another"' in path.read_text()


def test_a_hand_edit_that_breaks_the_visit_is_told_and_nothing_written(book, folder):
    tab = Tab(book)
    (folder / "visit.toml").write_text("name = [")
    with pytest.raises(InputError, match=r"visit\.toml"):
        tab.act("put mark", mark=point(1))
    assert (folder / "visit.toml").read_text() == "name = ["


# --- two at once --------------------------------------------------------------------------------


def test_two_edits_of_one_mark_are_both_kept_and_told(book, folder):
    one, two = Tab(book, "one"), Tab(book, "two")
    ident = one.act("put mark", mark=point(10)).applied[0]["mark"]["id"]
    two.seen = book.version
    one.act("put mark", mark=point(11, id=ident, point="A"))
    receipt = two.act("put mark", mark=point(12, id=ident, point="A"))
    assert receipt.conflict is not None
    assert receipt.conflict.kept == {"mark": "m2", "beside": "m1"}
    assert {(mark.id, mark.px[0]) for mark in open_visit(folder).marks} == {("m1", 11), ("m2", 12)}


def test_a_mark_removed_by_another_comes_back_when_it_was_being_moved(book, folder):
    one, two = Tab(book, "one"), Tab(book, "two")
    one.act("put mark", mark=point(10, id="m1", point="A"))
    two.seen = book.version
    one.act("remove mark", id="m1")
    receipt = two.act("put mark", mark=point(12, id="m1", point="A"))
    assert receipt.conflict is not None and "removed" in receipt.conflict.sentence
    assert [mark.px[0] for mark in open_visit(folder).marks] == [12]


def test_different_keys_of_one_table_are_both_done_and_the_same_key_is_asked_about(book, folder):
    one, two = Tab(book, "one"), Tab(book, "two")
    one.act("put setup", setup={"name": "S1"})
    two.seen = book.version
    one.act("put setup", setup={"name": "S1", "instrument": "laser"})
    two.act("put setup", setup={"name": "S1", "rod_length": "8 ft"})
    with pytest.raises(ConflictError, match="somebody else"):
        two.seen = 1
        two.act("put setup", setup={"name": "S1", "instrument": "water level"})
    setup = open_visit(folder).setups[0]
    assert setup.instrument == "laser" and setup.rod_length is not None
    two.seen = book.version
    two.act("put setup", setup={"name": "S1", "instrument": "water level"})
    assert open_visit(folder).setups[0].instrument == "water level"


def test_undo_does_not_take_back_what_the_asker_has_not_seen(book):
    one, two = Tab(book, "one"), Tab(book, "two")
    one.act("put mark", mark=point(1))
    two.seen = book.version
    one.act("put mark", mark=point(2))
    with pytest.raises(ConflictError, match="meanwhile"):
        two.act("undo")
    two.seen = book.version
    two.act("undo")
    assert len(book.visit.marks) == 1


def test_300_interleaved_actions_of_two_tabs_are_all_there(folder):
    """Two threads, 150 actions each, neither waiting for the other; every one is accounted for."""
    book = FieldBook(folder)
    kept: dict[str, tuple[float, float]] = {}
    asked: list[str] = []
    failures: list[BaseException] = []

    def work(name: str, seed: int) -> None:
        rng = random.Random(seed)
        tab = Tab(book, name)
        try:
            for number in range(150):
                if rng.random() < 0.3:
                    tab.seen = book.version  # this tab looks again now and then
                px = (round(rng.uniform(0, 1299), 3), round(rng.uniform(0, 1000), 3))
                if rng.random() < 0.5:
                    mark = point(*px, id=f"{name}{number}", point="A")
                    kept[tab.act("put mark", mark=mark).applied[0]["mark"]["id"]] = px
                else:  # both move the same few marks
                    mark = point(*px, id=f"shared{rng.randrange(5)}", point="A")
                    receipt = tab.act("put mark", mark=mark)
                    ident = receipt.applied[0]["mark"]["id"]
                    if receipt.conflict is not None:
                        asked.append(ident)
                        kept[ident] = px
                    else:
                        shared.setdefault(ident, []).append((receipt.version, px))
        except BaseException as failure:
            failures.append(failure)

    shared: dict[str, list[tuple[int, tuple[float, float]]]] = {}
    threads = [threading.Thread(target=work, args=(name, i)) for i, name in enumerate("ab")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failures
    marks = {mark.id: mark.px for mark in open_visit(folder).marks}
    for ident, px in kept.items():
        assert marks[ident] == px
    for ident, edits in shared.items():
        # of edits that met no conflict, each saw the one before it; the last one stands
        assert marks[ident] == max(edits)[1]
    assert asked, "the seeds were chosen so that both moved one mark at once"
    assert book.version == 300
    numbers = [entry.number for entry in book.journal.entries]
    assert numbers == list(range(1, 301))


# --- failures -----------------------------------------------------------------------------------


def test_a_crash_between_journal_and_files_is_finished_at_the_next_start(folder, monkeypatch):
    book = FieldBook(folder)
    tab = Tab(book)
    tab.act("put mark", mark=point(1))
    before = contents(folder)

    class PowerCut(BaseException):
        pass

    def fail(*_: object) -> None:
        raise PowerCut

    with monkeypatch.context() as patch:
        patch.setattr(book_module, "write_text", fail)
        with pytest.raises(PowerCut):
            tab.act("together", actions=BOTH)
    assert contents(folder) == before
    again = FieldBook(folder)
    assert len(again.visit.marks) == 2 and len(again.visit.setups) == 1
    Tab(again).act("undo")
    assert contents(folder) == before


def test_a_full_disk_leaves_the_old_state_and_says_so(folder, monkeypatch):
    book = FieldBook(folder)
    tab = Tab(book)
    tab.act("put mark", mark=point(1))
    before = contents(folder)
    calls = []

    def fail_second(where: Path, name: str, text: str | None) -> None:
        calls.append(name)
        if len(calls) == 2:
            raise StorageError(f"{name} could not be written (no space left)", where=name)
        real(where, name, text)

    real = book_module.write_text
    with monkeypatch.context() as patch:
        patch.setattr(book_module, "write_text", fail_second)
        with pytest.raises(StorageError, match="no space"):
            tab.act("together", actions=BOTH)
    assert contents(folder) == before
    tab.act("put mark", mark=point(3))
    again = FieldBook(folder)
    assert [mark.px[0] for mark in again.visit.marks] == [1, 3]
    Tab(again).act("undo")
    assert contents(folder) == before


def test_a_journal_that_cannot_be_synced_means_nothing_was_done(folder, monkeypatch):
    import os

    book = FieldBook(folder)
    before = contents(folder)

    def fail(_: int) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with pytest.raises(StorageError, match="could not be noted"):
            Tab(book).act("put mark", mark=point(1))
    assert contents(folder) == before
    assert FieldBook(folder).version == 0


@pytest.mark.parametrize("cut", [1, 10, 60, 200])
def test_a_line_cut_short_was_never_acknowledged_and_is_dropped(folder, cut):
    tab = Tab(FieldBook(folder))
    tab.act("put mark", mark=point(1))
    path = folder / FOLDER / JOURNAL
    whole = path.read_bytes()
    path.write_bytes(whole + whole.splitlines()[1][:cut])
    assert FieldBook(folder).version == 1
    assert path.read_bytes() == whole


@pytest.mark.parametrize(
    "line",
    [b"{}", b"[]", b"nonsense", b'{"kind": "do", "n": "x"}', b'{"kind": "do"}', b"\xff\xfe"],
)
def test_a_damaged_journal_is_named_by_line(folder, line):
    Tab(FieldBook(folder)).act("put mark", mark=point(1))
    path = folder / FOLDER / JOURNAL
    path.write_bytes(path.read_bytes() + line + b"\n")
    with pytest.raises(InputError, match=r"journal\.jsonl line 4.*rename"):
        FieldBook(folder)


def test_a_foreign_journal_can_not_name_other_files(folder, tmp_path):
    Tab(FieldBook(folder)).act("put mark", mark=point(1))
    path = folder / FOLDER / JOURNAL
    lines = path.read_text().splitlines()
    entry = json.loads(lines[1])
    entry["n"] = 2
    entry["changes"][0]["file"] = "../outside.txt"
    entry["files"] = {"../outside.txt": [None, "00"]}
    path.write_text("\n".join([*lines, json.dumps(entry)]) + "\n")
    with pytest.raises(InputError, match="damaged"):
        FieldBook(folder)
    assert not (tmp_path / "outside.txt").exists()


def test_links_in_the_visit_are_not_followed_when_writing(folder, tmp_path):
    target = tmp_path / "elsewhere.json"
    target.write_text("{}")
    (folder / "marks.json").symlink_to(target)
    with pytest.raises(InputError, match="link"):
        FieldBook(folder)
    (folder / "marks.json").unlink()
    shutil.rmtree(folder / FOLDER)
    (tmp_path / "other").mkdir()
    (folder / FOLDER).symlink_to(tmp_path / "other")
    with pytest.raises(StorageError, match="no plain folder"):
        FieldBook(folder)
    assert list((tmp_path / "other").iterdir()) == []


def test_a_journal_of_a_newer_format_is_refused_by_name(folder):
    FieldBook(folder)
    path = folder / FOLDER / JOURNAL
    path.write_text('{"kind": "head", "format": 2}\n')
    with pytest.raises(InputError, match="newer"):
        FieldBook(folder)
