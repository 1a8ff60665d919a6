"""What the page gets for what it asks: one shape, whole visits, patches, news."""

from __future__ import annotations

import json
import threading
import time

import pytest

from survey.web.described import find_patch
from survey.web.settings import LARGEST_JSON
from tests.web.conftest import Asker

POINT = {"kind": "point", "photo": "front.jpg", "px": [10.0, 20.0]}


def mark_roof(asker: Asker) -> None:
    for x, y in [(200, 800), (1060, 840), (910, 300), (360, 280)]:
        asker.act("put mark", mark={**POINT, "px": [x, y]})
    asker.act("put plane", plane={"outline": ["A", "B", "C", "D"]})


def test_an_empty_visit_is_told_whole(asker):
    visit = asker.get("/api/visit").json()
    assert visit["ok"] is True and visit["version"] == 0 and visit["name"] == "porch"
    assert visit["next_point"] == "A" and visit["marks"] == [] and visit["can_undo"] is False
    assert [photo["name"] for photo in visit["photos"]] == ["front.jpg", "photo 1.jpg"]
    photo = visit["photos"][0]
    assert (photo["width"], photo["height"], photo["usable"]) == (1300, 1001, True)
    assert photo["searched"] is False and photo["targets"] == []


def test_a_patch_applied_to_the_old_visit_is_the_new_visit(asker):
    def without(visit):
        return {k: v for k, v in visit.items() if k not in ("ok", "photos", "version", "seen")}

    def patched(old, patch):
        marks = {mark["id"]: mark for mark in old["marks"]}
        for ident in patch.pop("marks_removed", []):
            del marks[ident]
        for mark in patch.pop("marks_put", []):
            marks[mark["id"]] = mark
        return {**old, **patch, "marks": list(marks.values())}

    old = without(asker.get("/api/visit").json())
    actions = [
        ("put mark", {"mark": POINT}),
        ("put mark", {"mark": {**POINT, "px": [50, 20], "point": "B"}}),
        ("put mark", {"mark": {**POINT, "px": [50, 90], "point": "C"}}),
        ("put plane", {"plane": {"outline": ["A", "B", "C"]}}),
        ("put edge", {"edge": {"name": "A-B", "marked_as": "fascia", "kind": "eave"}}),
        ("put target", {"target": {"sheet": "letter-1", "mounted": "plumb", "across": "7 in"}}),
        ("put reading", {"reading": {"kind": "tape", "point": "A", "to": "B", "value": "12' 6\""}}),
        ("put setup", {"setup": {"rod_length": "8 ft"}}),
        ("put benchmark", {"benchmark": {"name": "A", "elevation": "100 ft"}}),
        ("put outlet", {"outlet": {"kind": "scupper", "at": "A"}}),
        ("put penetration", {"penetration": {"kind": "pipe", "at": "B"}}),
        ("put visit", {"visit": {"by": "somebody", "units": "metric"}}),
        ("put conditions", {"conditions": {"wind": "light"}}),
        ("put mark", {"mark": {**POINT, "px": [11, 20], "point": "A"}}),
        ("remove mark", {"id": "m3"}),
        ("remove reading", {"id": "T1"}),
        ("remove setup", {"name": "S1"}),
        ("undo", {}),
        ("redo", {}),
        ("remove outlet", {"name": "outlet 1"}),
    ]
    for kind, more in actions:
        answer = asker.act(kind, **more)
        assert answer.status_code == 200, (kind, answer.text)
        told = answer.json()
        assert told["reload"] is False
        new = without(asker.get("/api/visit").json())
        assert patched(old, told["visit_patch"]) == new, kind
        old = new
    assert [edge["written"].get("marked_as") for edge in old["edges"]].count("fascia") == 1
    assert old["targets"][0]["across_m"] == pytest.approx(0.1778)
    assert old["benchmarks"][0]["elevation_m"] == pytest.approx(30.48)


def test_pressing_four_corners_and_closing_gives_a_plane_with_guessed_edges(asker):
    mark_roof(asker)
    visit = asker.get("/api/visit").json()
    assert visit["planes"][0]["outline"] == ["A", "B", "C", "D"]
    assert [(e["name"], e["kind"], e["guessed"]) for e in visit["edges"]] == [
        ("A-B", "eave", True), ("B-C", "rake", True), ("C-D", "headwall", True),
        ("D-A", "rake", True),
    ]  # fmt: skip
    asker.act("put edge", edge={"name": "C-D", "kind": "ridge"})
    edge = asker.get("/api/visit").json()["edges"][2]
    assert edge["kind"] == "ridge" and edge["guessed"] is False


@pytest.mark.parametrize("px", [[0, 0], [201.1234, 987.6543], [-0.5, 1000.4999], [1299.4, 0.001]])
def test_a_press_is_stored_where_it_was(asker, folder, px):
    asker.act("put mark", mark={**POINT, "px": px})
    stored = json.loads((folder / "marks.json").read_text())["marks"][0]["px"]
    assert max(abs(a - b) for a, b in zip(stored, px, strict=True)) <= 0.0005


def test_a_tab_that_others_overtook_is_told_to_load_again(asker):
    other = Asker(asker.http, asker.session, "other")
    other.act("put mark", mark={**POINT, "point": "X"})
    told = asker.act("put mark", mark={**POINT, "point": "Y"}).json()
    assert told["reload"] is True and told["version"] == 2


def test_a_conflict_has_its_own_status_and_says_who_did_what(asker):
    asker.act("put setup", setup={"name": "S1"})
    other = Asker(asker.http, asker.session, "other")
    other.version = asker.version
    other.act("put setup", setup={"name": "S1", "instrument": "laser"})
    answer = asker.act("put setup", setup={"name": "S1", "instrument": "tube"})
    assert answer.status_code == 409
    told = answer.json()
    assert told["ok"] is False and told["conflict"]["other"] == "setup S1" and told["cure"]


def test_news_of_a_change_comes_at_once(asker):
    answers = []

    def wait() -> None:
        start = time.monotonic()
        told = asker.get("/api/changes?since=0&wait=20").json()
        answers.append((told, time.monotonic() - start))

    waiting = threading.Thread(target=wait)
    waiting.start()
    time.sleep(0.3)
    asker.act("put mark", mark=POINT)
    waiting.join()
    told, took = answers[0]
    assert told["version"] == 1 and took < 5
    assert asker.get("/api/changes?since=0").json()["version"] == 1  # no wait when behind
    assert asker.get("/api/changes?since=1&wait=0").json()["version"] == 1


def test_a_hand_edit_is_news_too(asker, folder):
    path = folder / "visit.toml"
    path.write_text(path.read_text().replace('"porch"', '"back porch"'))
    assert asker.get("/api/changes?since=0&wait=5").json()["version"] == 1
    assert asker.get("/api/visit").json()["name"] == "back porch"


def test_a_visit_broken_by_hand_is_told_with_all_its_problems(asker, folder):
    path = folder / "visit.toml"
    path.write_text(path.read_text() + "[[plane]]\nname = 1\n[[edge]]\nbetween = 1\n")
    answer = asker.get("/api/visit")
    assert answer.status_code == 422
    told = answer.json()
    assert told["ok"] is False and len(told["problems"]) >= 3
    assert all(problem["where"].startswith("visit.toml") for problem in told["problems"])


def test_the_search_of_a_photo_is_news(asker, desk):
    desk.live.news += 1
    told = asker.get("/api/changes?since=0&seen=0&wait=20").json()
    assert told == {"ok": True, "version": 0, "seen": 1}


@pytest.mark.parametrize(
    "body",
    [
        b"", b"{", b"[]", b"null", b'"x"', b"\xff\xfe", b'{"a": NaN}', b'{"a": 1, "a": 2}',
        b"[" * 100_000, b'{"client": "c"}',
        b'{"client": "c", "request_id": "1", "base": "0", "action": {"kind": "undo"}}',
        b'{"client": "c", "request_id": "1", "base": true, "action": {"kind": "undo"}}',
        b'{"client": "c", "request_id": "1", "base": 0, "action": []}',
        b'{"client": "", "request_id": "1", "base": 0, "action": {"kind": "undo"}}',
        b'{"client": "a\\nb", "request_id": "1", "base": 0, "action": {"kind": "undo"}}',
        b'{"client": "c", "request_id": "1", "base": 99, "action": {"kind": "undo"}}',
        b'{"client": "c", "request_id": "1", "base": -1, "action": {"kind": "put setup"}}',
    ],
)  # fmt: skip
def test_requests_that_make_no_sense_are_refused_in_one_shape(asker, body):
    headers = {**asker.headers, "content-type": "application/json"}
    answer = asker.http.post("/api/act", content=body, headers=headers)
    assert answer.status_code == 422
    told = answer.json()
    assert told["ok"] is False and set(told) >= {"error", "where", "cure"}
    assert asker.get("/api/visit").json()["version"] == 0


@pytest.mark.parametrize(("over", "status"), [(0, 422), (1, 413)])
def test_the_limit_of_a_request_holds(asker, over, status):
    start = b'{"client": "'
    body = start + b"x" * (LARGEST_JSON - len(start) - 2 + over) + b'"}'
    headers = {**asker.headers, "content-type": "application/json"}
    answer = asker.http.post("/api/act", content=body, headers=headers)
    assert answer.status_code == status
    assert answer.json()["ok"] is False


def test_text_that_looks_like_a_page_stays_text(asker):
    nasty = "<img src=x onerror=alert(1)>"
    told = asker.act("put setup", setup={"name": "S1", "instrument": nasty})
    assert told.status_code == 200
    answer = asker.get("/api/visit")
    assert answer.headers["content-type"] == "application/json"
    assert answer.json()["setups"][0]["instrument"] == nasty


def test_snapping_by_http(asker):
    body = {"photo": "front.jpg", "px": [197, 799], "radius_px": 15}
    told = asker.post("/api/snap", body).json()
    assert told["kind"] == "corner"
    # the roof's corner as drawn: (0.15, 0.80) of 1300 x 1001; filling draws half a pixel wide
    assert abs(told["px"][0] - 195.0) < 0.7 and abs(told["px"][1] - 800.8) < 0.7
    line = {"photo": "front.jpg", "px": [[300, 806], [900, 834]], "radius_px": 10}
    assert asker.post("/api/snap", line).json()["kind"] == "edge"
    for wrong in ({"photo": "none.jpg"}, {"px": 5}, {"radius_px": 1e9}, {"px": [[1, 2]]}):
        answer = asker.post("/api/snap", {**body, **wrong})
        assert answer.status_code in (404, 422) and answer.json()["error"]


def test_the_phone_door_is_shut_unless_asked_for(asker):
    assert asker.get("/api/phone").json() == {"ok": True, "on": False, "address": None}
    assert asker.get("/api/phone.png").status_code == 404


def test_a_patch_names_only_what_changed():
    old = {"marks": [{"id": "a", "x": 1}, {"id": "b", "x": 1}], "points": ["A"], "name": "v"}
    new = {"marks": [{"id": "b", "x": 2}, {"id": "c", "x": 1}], "points": ["A"], "name": "w"}
    assert find_patch(old, new) == {
        "name": "w",
        "marks_put": [{"id": "b", "x": 2}, {"id": "c", "x": 1}],
        "marks_removed": ["a"],
    }
    assert find_patch(old, old) == {}
