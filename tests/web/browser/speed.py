"""How fast the page is in headless Chromium: ``python -m tests.web.browser.speed [ROUNDS]``.

Prints the rows of docs/performance.md: each figure in every round, with the load of the machine.
Nothing here is a test: on a machine that does other work as well the figures are the machine's.
"""

from __future__ import annotations

import os
import shutil
import statistics
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from playwright.sync_api import sync_playwright

from tests.web import measurable
from tests.web.browser import hands
from tests.web.browser.conftest import FLAGS, Served, serve, show

SAMPLE = Path(__file__).parents[3] / "sample_images" / "porch"
PHOTOS = {"12 MP": (4032, 3024), "48 MP": (8064, 6048)}
COUNTING = """
const made = createImageBitmap;
window.decoded = {now: 0, most: 0};
window.createImageBitmap = async (...args) => {
  const image = await made(...args);
  const bytes = image.width * image.height * 4, close = image.close.bind(image);
  decoded.now += bytes;
  decoded.most = Math.max(decoded.most, decoded.now);
  image.close = () => { decoded.now -= bytes; close(); };
  return image;
};
"""
SIGHT = """name => new Promise(seen => {
  const canvas = document.getElementById('photo'), pen = canvas.getContext('2d');
  const blank = () => { const [r, g, b] = pen.getImageData(canvas.width / 2, canvas.height / 2, 1, 1).data;
                        return r === 217 && g === 214 && b === 204; };
  const begun = performance.now();
  [...document.querySelectorAll('.shot')].find(one => one.textContent.includes(name)).click();
  const look = () => (blank() ? requestAnimationFrame(look) : seen(performance.now() - begun));
  requestAnimationFrame(look);
})"""  # noqa: E501
FRAMES = """() => { window.frames_ = []; let last = 0; window.counting = true;
  const count = now => { if (last) frames_.push(now - last); last = now;
                         if (window.counting) requestAnimationFrame(count); };
  requestAnimationFrame(count); }"""
ECHO = """() => { window.echoes = []; document.getElementById('photo').addEventListener('pointerup', event => {
  requestAnimationFrame(() => setTimeout(() => echoes.push(performance.now() - event.timeStamp))); }); }"""  # noqa: E501
RESULTS = """() => import('/static/store.js').then(({on, state}) => {
  window.lifted = 0; window.waits = [];
  document.getElementById('photo').addEventListener('pointerup', event => {
    lifted = event.timeStamp; window.before = state.visit.version; });
  on('result', () => { if (lifted && state.result.version > window.before && state.result.result) {
    waits.push(performance.now() - lifted); lifted = 0; } }); })"""


def write_photo(path: Path, size: tuple[int, int]) -> None:
    """A photo with as much fine detail as a phone's: noise, blurred at several scales."""
    rng = np.random.default_rng(1)
    small = rng.normal(128, 40, (size[1] // 16, size[0] // 16, 3)).astype(np.float32)
    image = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC)
    image += cv2.GaussianBlur(rng.normal(0, 30, image.shape).astype(np.float32), (0, 0), 1.2)
    cv2.imwrite(str(path), np.clip(image, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])


def photos_visit(folder: Path) -> Path:
    (folder / "photos").mkdir(parents=True)
    (folder / "visit.toml").write_text('name = "photos"\n', encoding="utf-8")
    hands.write_speck_photo(folder / "photos" / "a small one.png")
    for name, size in PHOTOS.items():
        write_photo(folder / "photos" / f"{name}.jpg", size)
    return folder


def first_sight(page: Any, name: str) -> float:
    """Seconds from the press in the strip until something of the photo is on the canvas."""
    return float(page.evaluate(SIGHT, f"{name}.jpg")) / 1000


def pan(page: Any, seconds: float = 3.0) -> list[float]:
    """Lengths of frames, ms, while the photo is panned about at one photo pixel a screen pixel."""
    box = hands.canvas_box(page)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    hands.zoom(page, (x, y), 8, -200)
    hands.wait_sharp(page)
    page.evaluate(FRAMES)
    page.mouse.move(x, y)
    page.mouse.down()
    steps = int(seconds * 60)
    for step in range(steps):
        turn = 2 * np.pi * step / 90
        page.mouse.move(x + 250 * np.sin(turn), y + 160 * np.sin(2 * turn))
    page.mouse.up()
    page.evaluate("window.counting = false")
    return [float(one) for one in page.evaluate("frames_")]


def press_about(page: Any, count: int, pause: float, seed: int = 2) -> None:
    rng = np.random.default_rng(seed)
    box = hands.canvas_box(page)
    for _ in range(count):
        page.mouse.click(
            box["x"] + box["width"] * rng.uniform(0.1, 0.8),
            box["y"] + box["height"] * rng.uniform(0.3, 0.7),
        )
        page.wait_for_timeout(pause)
        hands.wait_saved(page)


def share(values: list[float], quantile: float) -> float:
    return float(np.quantile(values, quantile)) if values else float("nan")


def one_round(browser: Any, folder: Path) -> dict[str, str]:
    told: dict[str, str] = {"load": f"{os.getloadavg()[0]:.1f}"}

    def with_page(visit: Path, act: Callable[[Any], None]) -> None:
        one: Served = serve(visit)
        context = browser.new_context(viewport={"width": 1366, "height": 768})
        context.add_init_script(COUNTING)
        try:
            act(show(context, one))
            print(told, file=sys.stderr)
        finally:
            context.close()
            one.stop()

    def photos(page: Any) -> None:
        for name in PHOTOS:
            told[f"first sight, {name}, s"] = f"{first_sight(page, name):.2f}"
            frames = pan(page)
            told[f"frame while panning {name}, median, ms"] = f"{statistics.median(frames):.1f}"
            told[f"frame while panning {name}, 95 %, ms"] = f"{share(frames, 0.95):.1f}"
        told["decoded tiles at most, MB"] = f"{page.evaluate('decoded.most') / 1e6:.0f}"
        page.evaluate(ECHO)
        press_about(page, 20, 150)
        told["echo of a mark, 95 %, ms"] = f"{share(page.evaluate('echoes'), 0.95):.0f}"

    def results(key: str) -> Callable[[Any], None]:
        def act(page: Any) -> None:
            fresh = "fetch('/api/result').then(r => r.json()).then(r => r.checked)"
            hands.until(page, fresh, 900)
            page.evaluate(RESULTS)
            for seed in range(6):
                press_about(page, 1, 100, seed)
                for _ in range(300):
                    if page.evaluate("lifted === 0"):  # else it took a mark that was there
                        break
                    page.wait_for_timeout(100)
            waits = page.evaluate("waits")
            told[key] = f"{statistics.median(waits):.0f}" if waits else "over 30000"

        return act

    with_page(photos_visit(folder / "photos"), photos)
    with_page(measurable.write_measurable(folder / "shed"),
              results("result of a mark, two photos, ms"))  # fmt: skip
    shutil.copytree(SAMPLE, folder / "porch")
    with_page(folder / "porch", results("result of a mark, sample visit of eight photos, ms"))
    return told


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    told: list[dict[str, str]] = []
    with sync_playwright() as driver:
        path = shutil.which("chromium") or shutil.which("chromium-browser")
        browser = driver.chromium.launch(executable_path=path, args=FLAGS)
        for _ in range(rounds):
            with tempfile.TemporaryDirectory() as folder:
                told.append(one_round(browser, Path(folder)))
        browser.close()
    for key in told[0]:
        print(f"| {key} | {' | '.join(one[key] for one in told)} |")


if __name__ == "__main__":
    main()
