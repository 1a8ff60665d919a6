// A plane seen square on, with a line that measures; its interval follows from how the plane is known
// and how finely the ends were pressed.

import { bitmap, keepAsking } from "./api.js";
import { announce, byId, complain, el, refill } from "./dom.js";
import { Gestures } from "./gestures.js";
import { arrow } from "./keys.js";
import { arms, stroke, tag, trace } from "./lines.js";
import { on, state } from "./store.js";
import { lengthText } from "./units.js";
import { View, distance, middleOf } from "./view.js";

const PRESSED = 0.7; // CSS pixels, sd of one coordinate of a press
const SEEN = 1; // photo px, sd of one coordinate of an edge that the eye finds
const GRAB = { mouse: 12, pen: 12, touch: 22 };
const BARS = { us: [0.0254, 0.1524, 0.3048, 1.524, 3.048, 6.096], metric: [0.01, 0.1, 0.5, 1, 2, 5, 10] };

let square = null;

/** Open the rectified image of a plane. */
export function openSquare(plane) {
  square ??= new Square();
  square.present(plane);
}

class Square {
  constructor() {
    Object.assign(this, { canvas: byId("square"), told: byId("square-length"), dialog: byId("square-sheet"), ends: [] });
    this.canvas.addEventListener("keydown", (event) => this.key(event));
    this.dialog.addEventListener("close", () => { this.plane = null; });
    const quarter = (dx, dy) => () => this.pan(dx * this.view.width / 4, dy * this.view.height / 4);
    const does = { in: () => this.zoom(1.6), out: () => this.zoom(1 / 1.6), fit: () => { this.view.fit(); this.draw(); },
      left: quarter(1, 0), right: quarter(-1, 0), up: quarter(0, 1), down: quarter(0, -1),
      new: () => { this.ends = []; this.hair = null; this.show(); }, close: () => this.dialog.close() };
    for (const [word, act] of Object.entries(does)) byId(`square-${word}`).addEventListener("click", act);
    byId("square-photo").addEventListener("change", (event) => {
      this.ends = [];
      this.fitted = false;
      this.load(event.target.value);
    });
    this.view = new View();
    this.gestures = new Gestures(this.canvas, this);
    new ResizeObserver(() => this.resize()).observe(this.canvas);
    on("visit result", () => { if (this.plane) this.load(this.photo); });
  }

  present(plane) {
    Object.assign(this, { plane, photo: null, lies: null, image: null, ends: [], hair: null, fitted: false });
    this.dialog.showModal();
    this.heading([]);
    this.told.value = "Straightening the photo …";
    this.load(null);
    this.canvas.focus();
  }

  heading(photos) {
    byId("square-name").textContent = this.plane;
    const choice = byId("square-photo");
    refill(choice, photos.map((name) => el("option", { value: name, text: name })));
    choice.value = this.photo ?? "";
    choice.hidden = photos.length < 2;
  }

  /** Ask how the image lies, again until it follows from the newest figures; then fetch it. */
  async load(photo) {
    const { plane } = this;
    const mine = this.asking = {};
    const path = `/api/rectified?plane=${encodeURIComponent(plane)}${photo ? `&photo=${encodeURIComponent(photo)}` : ""}`;
    await keepAsking(path, () => mine === this.asking && plane === this.plane, async (told) => {
      if (told.version >= 0 && told.version !== this.lies?.version) await this.take(told);
      return told.version >= (state.result?.version ?? 0);
    }).catch((failure) => { this.dialog.close(); complain(failure); });
  }

  async take(told) {
    if (!told.photo) {
      this.told.value = `not observed: ${told.why}; ${told.cure}`;
      return;
    }
    const image = await bitmap(`/rectified.jpg?plane=${encodeURIComponent(this.plane)}&photo=${encodeURIComponent(told.photo)}&v=${told.version}`);
    this.image?.close();
    Object.assign(this, { image, lies: told, photo: told.photo });
    this.view.photo = { width: told.size_px[0], height: told.size_px[1] };
    this.heading(told.photos);
    if (!this.fitted) this.view.fit();
    this.fitted = true;
    this.show();
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (!width || !height) return;
    this.ratio = Math.min(window.devicePixelRatio || 1, 2);
    this.canvas.width = Math.round(width * this.ratio);
    this.canvas.height = Math.round(height * this.ratio);
    this.view.resize(width, height);
    this.draw();
  }

  // --- answers to gestures and keys ------------------------------------------------------------

  press(place, type) {
    const near = this.ends.findIndex((px) => distance(this.view.toScreen(px), place) <= (GRAB[type] ?? 12));
    this.start = { place, near };
    return near >= 0 && type !== "touch" ? "at once" : "after a rest";
  }

  open() {
    this.moves = this.start.near;
    this.hair = this.moves >= 0 ? this.ends[this.moves] : this.view.toPhoto(this.start.place);
    this.draw();
  }

  steer(dx, dy) {
    if (!this.hair) return;
    this.hair = [this.hair[0] + dx / this.view.scale, this.hair[1] + dy / this.view.scale];
    if (this.moves >= 0) this.ends[this.moves] = this.hair;
    this.show();
  }

  lift() {
    if (this.hair && this.moves < 0) this.set(this.hair);
    this.hair = null;
    this.show();
  }

  tap(place) {
    if (this.start.near < 0) this.set(this.view.toPhoto(place));
  }

  drop() { this.hair = null; this.draw(); }
  pan(dx, dy) { this.view.panBy(dx, dy); this.draw(); }
  zoom(factor, place = this.view.middle()) { this.view.zoomAt(factor, place); this.draw(); }

  /** A third end begins a new line. */
  set(px) {
    if (!this.image) return;
    this.ends = this.ends.length > 1 ? [px] : [...this.ends, px];
    this.fine = PRESSED / this.view.scale;
    this.show();
    announce(this.told.value);
  }

  key(event) {
    const by = arrow(event, this.view);
    const middle = this.view.toPhoto(this.view.middle());
    const about = this.hair ? this.view.toScreen(this.hair) : undefined;
    if (by) this.hair = (this.hair ?? middle).map((value, axis) => value + by[axis]);
    else if (event.key === "Enter" && this.hair) this.set(this.hair);
    else if (event.key === "Enter") this.hair = middle;
    else if (event.key === "+" || event.key === "=") this.zoom(1.5, about);
    else if (event.key === "-") this.zoom(1 / 1.5, about);
    else if (event.key === "0") this.view.fit();
    else return;
    if (by) this.view.reveal(this.hair);
    event.preventDefault();
    this.draw();
  }

  // --- the line --------------------------------------------------------------------------------

  show() {
    const line = this.ends.length > 1 ? measure(this.lies, this.ends, this.fine ?? 0) : null;
    const units = state.visit.units;
    this.length = line && lengthText(line.length, line.half, units);
    if (this.image) this.told.value = this.length ?? (this.ends.length ? "Press the other end." : "Press both ends of what to measure.");
    this.draw();
  }

  draw() {
    cancelAnimationFrame(this.frame);
    this.frame = requestAnimationFrame(() => this.paint());
  }

  paint() {
    const { view, ratio, image } = this;
    const context = this.canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.fillStyle = "#d9d6cc";
    context.fillRect(0, 0, view.width, view.height);
    if (!image) return;
    context.imageSmoothingEnabled = view.scale < 2;
    context.drawImage(image, view.left, view.top, image.width * view.scale, image.height * view.scale);
    const places = (points) => points.map((px) => view.toScreen(px));
    trace(context, places(this.lies.outline_px), true);
    stroke(context, "#56b4e9", { width: 2, dash: [6, 3] });
    trace(context, places(this.ends));
    if (this.ends.length > 1) stroke(context, "#f0e442");
    for (const px of [...this.ends, this.hair ?? []].filter((one) => one.length)) {
      context.beginPath();
      arms(context, view.toScreen(px), 4, 18);
      stroke(context, "#f0e442");
    }
    if (this.length) {
      const [x, y] = middleOf(places(this.ends));
      tag(context, this.length, x + 10, y - 34, { inverse: true });
    }
    this.scaleBar(context);
  }

  scaleBar(context) {
    const { units } = state.visit;
    const metre = this.view.scale / this.lies.m_per_px;
    const long = (BARS[units] ?? BARS.us).findLast((one) => one * metre <= this.view.width / 3);
    if (!long) return;
    const [x, y] = [16, this.view.height - 18];
    const end = x + long * metre;
    trace(context, [[x, y - 8], [x, y], [end, y], [end, y - 8]]);
    stroke(context, "#fff");
    tag(context, lengthText(long, null, units), end + 10, y - 18);
  }
}

/** Length and half-width of a line between two pixels of the image, metres. */
export function measure(told, [one, other], sdPx) {
  const step = told.m_per_px;
  const across = [(other[0] - one[0]) * step, -(other[1] - one[1]) * step];
  const length = Math.hypot(...across);
  if (!length) return { length, half: 0 };
  const along = across.map((value) => value / length);
  const [from, to] = [one, other].map((px) => weights(told, px));
  const modes = told.modes[0].map((_, mode) => [0, 1].reduce((sum, axis) => sum + along[axis] *
    (mixed(to, (node) => told.modes[2 * node + axis][mode]) - mixed(from, (node) => told.modes[2 * node + axis][mode])), 0));
  const shared = modes.reduce((sum, value) => sum + value * value, 0);
  const pressed = [from, to].reduce((sum, at) => {
    const [uu, uv, vv] = [0, 1, 2].map((part) => mixed(at, (node) => told.pressing[node][part]));
    return sum + uu * along[0] ** 2 + 2 * uv * along[0] * along[1] + vv * along[1] ** 2;
  }, 0);
  return { length, half: told.coverage_factor * Math.sqrt(shared + pressed * SEEN ** 2 + 2 * (sdPx * step) ** 2) };
}

/** The four nodes about a pixel with their weights; beyond the grid the outermost ones go on. */
function weights(told, [x, y]) {
  const last = told.nodes - 1;
  const [u, v] = [(x + 0.5) / told.size_px[0] * last, (1 - (y + 0.5) / told.size_px[1]) * last];
  const [i, j] = [u, v].map((at) => Math.max(0, Math.min(last - 1, Math.floor(at))));
  const [p, q] = [u - i, v - j];
  return [[0, 0, (1 - p) * (1 - q)], [1, 0, p * (1 - q)], [0, 1, (1 - p) * q], [1, 1, p * q]]
    .map(([di, dj, weight]) => [(j + dj) * told.nodes + i + di, weight]);
}

const mixed = (at, valueOf) => at.reduce((sum, [node, weight]) => sum + weight * valueOf(node), 0);
