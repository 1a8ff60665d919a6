"""Everybody gets at everything: screen readers, small screens, fingers, and no request goes out."""

from __future__ import annotations

import shutil
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from tests.web import measurable
from tests.web.browser import hands

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[3] / "sample_images" / "porch"
TABS = ("mark", "list", "readings", "result")


def sample(folder: Path) -> Path:
    shutil.copytree(SAMPLE, folder)
    return folder


def findings(page: Any) -> list[str]:
    """What axe has to say, of any level; run through the driver, so that the policy stays on."""
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")["violations"]
    return [f"{one['id']}: {[node['target'] for node in one['nodes']]}" for one in found]


def load_axe(page: Any) -> None:
    pytest.importorskip("axe_playwright_python")
    script = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    page.evaluate(script)


@pytest.mark.parametrize("width", [1280, 320])
def test_axe_finds_nothing_on_any_sheet(
    tmp_path: Path, opened: Any, served: Any, width: int
) -> None:
    page = opened(served(sample(tmp_path / "porch")), viewport={"width": width, "height": 800})
    hands.wait_sharp(page)
    load_axe(page)
    for tab in TABS:
        page.click(f"#tab-{tab}")
        page.wait_for_timeout(300)
        assert findings(page) == [], tab
    page.click("#tab-list")
    page.click("#panel-list .marks .row >> nth=0")
    assert findings(page) == [], "a chosen mark"
    page.click("#tab-mark")
    page.get_by_role("button", name="Stain or damage").click()
    page.click(".edges .row >> nth=0")
    assert findings(page) == [], "an edge's questions"


def test_plane_seen_square_on_is_measured_by_mouse_and_by_keys(
    tmp_path: Path, opened: Any, served: Any
) -> None:
    """The wall's eave side, end to end: its true length lies within what the line says."""
    page = opened(served(measurable.write_measurable(tmp_path / "shed")))
    page.click("#tab-result")
    measure = page.get_by_role("button", name="Measure on a photo of wall")
    hands.until(page, "document.querySelector('[data-key=\"Measure on a photo of wall\"]')", 150)
    measure.click()

    def told() -> str:
        return str(page.locator("#square-length").evaluate("node => node.value"))

    hands.until(page, "document.getElementById('square-length').value.includes('Press')", 150)
    load_axe(page)
    assert findings(page) == []
    lies = page.evaluate("fetch('/api/rectified?plane=wall').then(r => r.json())")
    box = page.locator("#square").bounding_box()
    assert box is not None
    wide, high = lies["size_px"]
    scale = min(box["width"] / wide, box["height"] / high)
    ends = [lies["outline_px"][lies["outline"].index(name)] for name in "AB"]
    for x, y in ends:
        page.mouse.click(
            box["x"] + (box["width"] - wide * scale) / 2 + (x + 0.5) * scale,
            box["y"] + (box["height"] - high * scale) / 2 + (y + 0.5) * scale,
        )
    truth = measurable.true_length("A", "B")
    value, half = (float(part.split()[0]) for part in told().split("±"))
    assert abs(value - truth) < half < 0.1
    page.keyboard.press("Enter")
    for _ in range(3):
        page.keyboard.press("Control+ArrowRight")
    page.keyboard.press("Enter")
    assert told() == "Press the other end."
    page.keyboard.press("Control+ArrowDown")
    page.keyboard.press("Enter")
    assert "±" in told()
    page.keyboard.press("Escape")
    assert page.locator("#square-sheet").is_hidden()
    assert page.troubles == []


def test_cells_pasted_from_a_spreadsheet_become_readings(
    tmp_path: Path, opened: Any, served: Any
) -> None:
    """With a header line anywhere, without one from the field on; one undo takes them back."""
    page = opened(served(measurable.write_measurable(tmp_path / "shed")))
    page.click("#tab-readings")

    def paste(label: str, text: str) -> None:
        page.get_by_label(label, exact=True).evaluate(
            """(node, text) => { const data = new DataTransfer(); data.setData('text/plain', text);
            node.dispatchEvent(new ClipboardEvent('paste', {clipboardData: data, bubbles: true,
                                                            cancelable: true})); }""",
            text,
        )
        hands.wait_saved(page)

    rows = "document.querySelectorAll('.reading-list li').length"
    paste("From", "A\tB\t1.22 m\nB\tC\t0.81 m\n")
    hands.until(page, f"{rows} === 2")
    paste("From", "kind\tsetup\tpoint\tvalue (mm)\nrod\tS1\tA\t812\nrod\tS1\tA\t813\n")
    hands.until(page, f"{rows} === 4")
    text = (tmp_path / "shed" / "readings.csv").read_text(encoding="utf-8")
    assert "1.22 m" in text and "812 mm" in text
    assert "closes within" in page.locator(".closures").inner_text()
    paste("From", "A\tB\t1.22 m\t\t\tone too many\n")
    assert "no column" in page.locator("#trouble p").inner_text()
    page.click("#undo")
    hands.until(page, f"{rows} === 2")


def test_axe_finds_nothing_on_an_empty_visit(tmp_path: Path, opened: Any, served: Any) -> None:
    (tmp_path / "empty").mkdir()
    page = opened(served(tmp_path / "empty"))
    load_axe(page)
    assert findings(page) == []
    assert page.locator("#guide button").count() == 1


@pytest.mark.parametrize("text", [1, 2])
def test_nothing_is_wider_than_a_small_screen(
    tmp_path: Path, opened: Any, served: Any, text: int
) -> None:
    """320 CSS px wide; at twice the text size, as 640 px wide screens show it at 200 %."""
    page = opened(served(sample(tmp_path / "porch")), viewport={"width": 320 * text, "height": 700})
    page.evaluate(f"document.documentElement.style.fontSize = '{16 * text}px'")
    for tab in TABS:
        page.click(f"#tab-{tab}")
        page.wait_for_timeout(200)
        assert page.evaluate("document.documentElement.scrollWidth") <= 320 * text, tab


def test_buttons_are_large_and_letters_not_small(tmp_path: Path, opened: Any, served: Any) -> None:
    page = opened(served(sample(tmp_path / "porch")), viewport={"width": 834, "height": 1112})
    for tab in TABS:
        page.click(f"#tab-{tab}")
        page.wait_for_timeout(200)
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, select, summary, input:not([type=checkbox])')]
            .filter(node => node.checkVisibility() && !node.classList.contains('unseen'))
            .filter(node => { const box = node.getBoundingClientRect();
                              return box.height < 43.9 || box.width < 43.9; })
            .map(node => node.outerHTML.slice(0, 90))"""  # noqa: E501
        )
        assert small == []
        tiny = page.evaluate(
            """() => [...document.body.querySelectorAll('*')]
            .filter(node => node.checkVisibility() && [...node.childNodes].some(
                one => one.nodeType === 3 && one.data.trim()))
            .filter(node => parseFloat(getComputedStyle(node).fontSize) < 16)
            .map(node => node.outerHTML.slice(0, 90))"""
        )
        assert tiny == []


def test_nothing_is_asked_of_another_machine(tmp_path: Path, opened: Any, served: Any) -> None:
    one = served(sample(tmp_path / "porch"))
    page = opened(one)
    hands.wait_sharp(page)
    for tab in TABS:
        page.click(f"#tab-{tab}")
    page.wait_for_timeout(500)
    assert len(page.asked) > 20
    assert [url for url in page.asked if not url.startswith((one.origin, "blob:"))] == []
    assert page.troubles == []  # no report of the policy either


def test_scripts_are_small_files_under_150_kilobytes_together() -> None:
    static = files("survey.web").joinpath("static")
    scripts = {
        f.name: f.read_text(encoding="utf-8") for f in static.iterdir() if f.name.endswith(".js")
    }
    assert sum(len(text.encode()) for text in scripts.values()) < 150_000
    assert max(text.count("\n") for text in scripts.values()) < 400
    page = static.joinpath("index.html").read_text(encoding="utf-8")
    assert " style=" not in page and "<style" not in page and "onclick" not in page
    for name, text in scripts.items():
        for word in ("eval(", "new Function", "innerHTML", "http://", "https://"):
            allowed = name == "dom.js" and word == "http://"  # the name of SVG's namespace
            assert word not in text or allowed, (name, word)
