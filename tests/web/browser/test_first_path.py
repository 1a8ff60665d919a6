"""From an empty visit to a measured porch: by mouse alone, by keys alone, by touch alone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest

from tests.web.browser import hands

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[3] / "sample_images" / "porch"
FLAT = ("board-24-2",)  # the sample's sheet that lies on the roof
PHOTOS = ("ladder_left.jpg", "ladder_right.jpg", "lawn_far.jpg")
CORNERS = ("porch eave left", "porch eave right", "porch wall right", "porch wall left")


def places(photo: str) -> list[tuple[str, tuple[float, float]]]:
    """Where the sample's corners are in a photo, in the order the page asks for them."""
    marks = json.loads((SAMPLE / "marks.json").read_text(encoding="utf-8"))["marks"]
    found = {m["point"]: m["px"] for m in marks if m["photo"] == photo and m["kind"] == "point"}
    return [("ABCD"[i], tuple(found[name])) for i, name in enumerate(CORNERS) if name in found]


def empty_visit(folder: Path) -> Path:
    """A folder with nothing in it."""
    folder.mkdir()
    return folder


def window_place(page: Any, photo: str, px: tuple[float, float]) -> tuple[float, float]:
    """Where a photo pixel is while the whole photo is shown."""
    width, height = page.evaluate(
        "name => fetch('/api/visit').then(r => r.json()).then(v => v.photos.find(p => p.name === name))"  # noqa: E501
        ".then(p => [p.width, p.height])",
        photo,
    )
    box = hands.canvas_box(page)
    scale = min(box["width"] / width, box["height"] / height)
    return (
        box["x"] + (box["width"] - width * scale) / 2 + (px[0] + 0.5) * scale,
        box["y"] + (box["height"] - height * scale) / 2 + (px[1] + 0.5) * scale,
    )


class Mouse:
    """Presses with a mouse, counted."""

    def __init__(self, page: Any) -> None:
        self.page, self.presses = page, 0

    def choose(self, words: str) -> None:
        self.use(self.page.locator("#guide").get_by_role("button", name=words))

    def open(self, photo: str) -> None:
        self.use(self.page.locator(".shot", has_text=photo))

    def use(self, control: Any) -> None:
        """Press any control of the page."""
        self.presses += 1
        control.click()

    def tab(self, name: str) -> None:
        self.use(self.page.locator(f"#tab-{name}"))

    def fill(self, label: str, text: str) -> None:
        """Type into a field, which a press has to reach first."""
        self.use(self.page.get_by_label(label, exact=True))
        self.page.keyboard.type(text)

    def mark(self, photo: str, px: tuple[float, float]) -> None:
        self.presses += 1
        self.page.mouse.click(*window_place(self.page, photo, px))


class Touch(Mouse):
    """Fingers: they rest until the magnifier opens, then lift."""

    def __init__(self, page: Any) -> None:
        super().__init__(page)
        self.devices = page.context.new_cdp_session(page)

    def use(self, control: Any) -> None:
        self.presses += 1
        control.tap()

    def mark(self, photo: str, px: tuple[float, float]) -> None:
        self.presses += 1
        self.page.locator("#stage").scroll_into_view_if_needed()
        x, y = window_place(self.page, photo, px)
        self.devices.send(
            "Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]}
        )
        hands.until(self.page, "!document.getElementById('magnifier').hidden")
        self.devices.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


class Keys(Mouse):
    """Keys alone: Tab and Enter for buttons, arrows and Enter on the photo."""

    def press(self, key: str) -> None:
        self.presses += 1
        self.page.keyboard.press(key)

    def go_to(self, wanted: Any) -> None:
        for _ in range(150):
            if wanted.evaluate("node => node === document.activeElement"):
                return
            self.press("Tab")
        raise AssertionError(f"Tab never came to {wanted}")

    def use(self, control: Any) -> None:
        self.go_to(control)
        self.press("Enter")

    def tab(self, name: str) -> None:
        """Come to the row of tabs and go along it by arrows."""
        self.go_to(self.page.locator("[role=tab][tabindex='0'], [role=tab]:not([tabindex])"))
        for _ in range(4):
            if self.page.locator(f"#tab-{name}").get_attribute("aria-selected") == "true":
                return
            self.press("ArrowRight")
        raise AssertionError(f"no tab {name}")

    def fill(self, label: str, text: str) -> None:
        self.go_to(self.page.get_by_label(label, exact=True))
        self.page.keyboard.type(text)

    def mark(self, photo: str, px: tuple[float, float]) -> None:
        self.go_to(self.page.locator("#photo"))
        self.press("Enter")
        for axis, (less, more) in enumerate((("Left", "Right"), ("Up", "Down"))):
            for held, reach in (("Control+", 60.0), ("Shift+", 9.0), ("", 0.9), ("Alt+", 0.09)):
                for _ in range(60):
                    away = px[axis] - self.hair()[axis]
                    if abs(away) < reach * (1 if reach < 10 else 3):
                        break
                    self.press(f"{held}Arrow{more if away > 0 else less}")
        assert np.abs(np.subtract(self.hair(), px)).max() < 0.15
        self.press("Enter")

    def hair(self) -> tuple[float, float]:
        self.page.wait_for_timeout(30)
        words = self.page.locator("#hold-place").evaluate("node => node.value")
        x, y = words.split()[-2:]
        return float(x.rstrip(",")), float(y)


def name_sheets(page: Any, hand: Mouse, seconds: float = 0) -> None:
    """Answer how each sheet that was found so far was put up; wait for the search to end."""
    searching = (
        "[...document.querySelectorAll('.shot')].some(n => n.textContent.includes('looking'))"
    )
    said = page.locator("#guide .next")
    hands.until(page, "!document.querySelector('#guide .next').textContent.includes('Looking')", 90)
    if seconds:
        hands.until(page, f"!{searching}", seconds)
        page.wait_for_timeout(500)
    while "How was" in (words := said.inner_text()):
        flat = any(code in words for code in FLAT)
        hand.choose("Any other way" if flat else "Upright, plumb and level")
        hand.choose("Nobody measured")
        hands.wait_saved(page)
        page.wait_for_timeout(700)


def walk(page: Any, hand: Mouse, folder: Path) -> None:
    """Follow the page's own guidance from the first step to the last."""
    said = page.locator("#guide .next")
    assert page.locator("#guide button").count() == 1
    with page.expect_file_chooser() as chooser:
        hand.choose("Choose photos")
    chooser.value.set_files([SAMPLE / "photos" / name for name in PHOTOS])
    hands.until(page, "document.querySelectorAll('#photos .shot').length === 3", 90)
    for name in PHOTOS:
        assert (folder / "photos" / name).read_bytes() == (SAMPLE / "photos" / name).read_bytes()
    assert page.locator("#guide button").count() <= 2
    name_sheets(page, hand)
    assert "shows the whole roof" in said.inner_text()
    for photo in PHOTOS:
        if page.locator(".shot[aria-current] .shot-name").inner_text() != photo:
            hand.open(photo)
        hands.wait_sharp(page)
        for count, (_, px) in enumerate(places(photo), start=1):
            hand.mark(photo, px)
            hands.until(
                page, f"document.querySelectorAll('#panel-list .marks li').length >= {count}"
            )
        hands.wait_saved(page)
        if "Close" in page.locator("#guide").inner_text():
            hand.choose("Close the outline")
            hands.wait_saved(page)
            name_sheets(page, hand)
            hand.choose("Yes, these")
    hands.wait_saved(page)
    name_sheets(page, hand, seconds=90)


def measured(page: Any, hand: Mouse) -> dict[str, Any]:
    """The plane file that the page lets one save, once it is measured in full."""
    hands.until(
        page,
        "fetch('/api/result').then(r => r.json()).then(r => r.checked && r.state === 'fresh')",
        300,
    )
    with page.expect_download() as saved:
        hand.tab("result")
        hand.use(page.locator("#panel-result [data-key=save]"))
    assert saved.value.suggested_filename.endswith(".planes.json")
    document: dict[str, Any] = json.loads(Path(saved.value.path()).read_text(encoding="utf-8"))
    return document


@pytest.mark.parametrize("way", ["mouse", "keys", "touch"])
def test_porch_is_marked_from_nothing(tmp_path: Path, opened: Any, served: Any, way: str) -> None:
    folder = empty_visit(tmp_path / "porch")
    one = served(folder)
    settings = (
        {"viewport": {"width": 834, "height": 1112}, "has_touch": True} if way == "touch" else {}
    )
    page = opened(one, **settings)
    hand = {"mouse": Mouse, "keys": Keys, "touch": Touch}[way](page)
    walk(page, hand, folder)

    marks = {(m["photo"], m["point"]): m for m in hands.marks(folder)}
    wanted = {(photo, name): px for photo in PHOTOS for name, px in places(photo)}
    assert set(marks) == set(wanted)
    whole = 3024 / hands.canvas_box(page)["width"]  # photo pixels a CSS pixel
    for key, px in wanted.items():
        limit = 1.5 * whole + 17  # a press may be snapped by 12 px at most
        assert np.abs(np.subtract(marks[key]["px"], px)).max() < limit
    document = measured(page, hand)
    if way != "keys":
        assert hand.presses <= 25
    truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["planes"]["porch"]
    (roof,) = document["planes"]
    area = roof["area"]
    assert abs(area["value"] - truth["true_area"]) < 2 * area["half_width"] < 0.2 * area["value"]
    # these photos don't tell which way is up on the roof itself: said, with what would
    assert "value" in roof["pitch"] or roof["pitch"]["cure"]

    type_slope(page, hand)
    (roof,) = measured(page, hand)["planes"]
    pitch = roof["pitch"]
    assert abs(pitch["value"] - truth["pitch_rise_in_12"] / 12) < 2 * pitch["half_width"]
    assert page.troubles == []
    assert [url for url in page.asked if not url.startswith((one.origin, "blob:"))] == []


def type_slope(page: Any, hand: Mouse) -> None:
    """Write down what the digital level said on the roof, as the sample's readings have it."""
    hand.tab("readings")
    hand.use(page.get_by_role("button", name="Slope", exact=True))
    assert page.get_by_label("Plane", exact=True).input_value() == "roof"
    hand.fill("Slope", "1.4 deg")
    hand.use(page.get_by_role("button", name="Write it down"))
    hands.until(page, "document.querySelectorAll('.reading-list li').length === 1")
    hands.wait_saved(page)


def test_chosen_photos_are_sent_as_they_are(tmp_path: Path, opened: Any, served: Any) -> None:
    """Bytes and name of each photo, one request each; a refusal is told in one sentence."""
    folder = tmp_path / "visit"
    folder.mkdir()
    page = opened(served(folder))
    got: list[tuple[str, str, bytes]] = []

    def take(route: Any) -> None:
        headers = route.request.headers
        got.append(
            (headers["x-file-name"], headers["content-type"], route.request.post_data_buffer)
        )
        if len(got) == 1:
            route.fulfill(json={"ok": True, "version": 0})
        else:
            route.fulfill(
                status=422,
                json={
                    "ok": False,
                    "error": "it is no photo",
                    "where": "b.jpg",
                    "cure": "send a JPEG, PNG or HEIC",
                },
            )

    page.route("**/api/photos", take)
    sent = {}
    for name, data in (("a ü.jpg", bytes(range(256)) * 40), ("b.jpg", b"nothing")):
        sent[name] = data
        (tmp_path / name).write_bytes(data)
    with page.expect_file_chooser() as chooser:
        page.locator("#guide").get_by_role("button", name="Choose photos").click()
    chooser.value.set_files([tmp_path / name for name in sent])
    hands.until(page, "!document.getElementById('trouble').hidden")
    assert [(unquote(name), kind, data) for name, kind, data in got] == [
        (name, "application/octet-stream", data) for name, data in sent.items()
    ]
    words = page.locator("#trouble p").inner_text()
    assert words == "b.jpg: it is no photo; send a JPEG, PNG or HEIC."
