"""Set-ups say at every reading how they close, with no photo and no adjustment."""

from __future__ import annotations

from tests.web.conftest import Asker


def read(asker: Asker, point: str, value: str, setup: str = "S1") -> list[dict[str, object]]:
    """Type one rod reading; return what the answer itself says of the levels."""
    answer = asker.act(
        "put reading", reading={"kind": "rod", "setup": setup, "point": point, "value": value}
    )
    assert answer.status_code == 200, answer.text
    levels: list[dict[str, object]] = answer.json()["visit_patch"]["levels"]
    return levels


def mark_points(asker: Asker) -> None:
    for point, px in (("A", [100, 200]), ("B", [700, 300])):
        asker.act(
            "put mark", mark={"kind": "point", "photo": "front.jpg", "point": point, "px": px}
        )


def test_a_set_up_is_open_then_closed_then_off(asker):
    mark_points(asker)
    assert asker.get("/api/visit").json()["levels"] == []
    asker.act("put setup", setup={"name": "S1"})
    (one,) = read(asker, "A", "3 ft")
    assert (one["state"], one["setups"]) == ("open", ["S1"])
    (one,) = read(asker, "B", "3 ft 2 in")
    assert one["state"] == "open" and "2 readings" in str(one["sentence"])
    (one,) = read(asker, "A", "3 ft 0-1/16 in")
    assert one["state"] == "closed" and 'closes within 1/16"' in str(one["sentence"])
    (one,) = read(asker, "B", "2 ft 2 in")  # a foot misread
    assert one["state"] == "off" and "1' 0\"" in str(one["sentence"])


def test_two_set_ups_close_over_the_points_they_share(asker):
    mark_points(asker)
    for name in ("S1", "S2"):
        asker.act("put setup", setup={"name": name})
    read(asker, "A", "3 ft")
    read(asker, "B", "4 ft")
    told = read(asker, "A", "5 ft", "S2")
    assert {one["state"] for one in told} == {"open"}
    told = read(asker, "B", "6 ft", "S2")
    assert [(one["state"], one["setups"]) for one in told] == [("closed", ["S1", "S2"])]
