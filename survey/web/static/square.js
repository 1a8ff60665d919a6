// A plane seen square on, at one scale everywhere, with a line that measures: its length carries its
// interval, which follows from how the plane is known and how finely the ends were pressed.

import { bitmap, get } from "./api.js";
import { announce, button, complain, el, refill } from "./dom.js";
import { Gestures } from "./gestures.js";
import { stroke, tag } from "./lines.js";
import { on, state } from "./store.js";
import { lengthText } from "./units.js";
import { View } from "./view.js";

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
    this.canvas = el("canvas", { id: "square", tabindex: "0", role: "application",
      "aria-label": "Plane seen square on. Arrow keys move the cross-hair, Enter sets an end of the line.",
      on: { keydown: (event) => this.key(event) } });
    this.told = el("output", { class: "figure", for: "square" });
    this.bar = el("div", { class: "bar" });
    this.dialog = el("dialog", { class: "square", "aria-label": "Plane seen square on", on: { close: () => { this.plane = null; } } },
      this.bar, el("div", { class: "square-stage" }, this.canvas), this.told,
      el("div", { class: "chips", role: "group", "aria-label": "View and line" },
        this.does("+", "Zoom in", () => this.zoom(1.6)), this.does("−", "Zoom out", () => this.zoom(1 / 1.6)),
        this.does("Fit", "Whole plane", () => { this.view.fit(); this.draw(); }),
        ...[["←", "left", 1, 0], ["→", "right", -1, 0], ["↑", "up", 0, 1], ["↓", "down", 0, -1]].map(([sign, word, dx, dy]) =>
          this.does(sign, `See more ${word}`, () => this.pan(dx * this.view.width / 4, dy * this.view.height / 4))),
        this.does("New line", "New line", () => { this.ends = []; this.hair = null; this.show(); })));
    document.body.append(this.dialog);
    this.view = new View();
    this.gestures = new Gestures(this.canvas, this);
    this.ends = [];
    new ResizeObserver(() => this.resize()).observe(this.canvas);
    on("visit result", () => { if (this.plane) this.load(this.photo); });
  }

  does(words, label, act) {
    return button(words, act, { label, key: `square ${label}` });
  }

  present(plane) {
    Object.assign(this, { plane, photo: null, told_of: null, image: null, ends: [], hair: null, fitted: false });
    this.dialog.showModal();
    this.heading([]);
    this.told.value = "Straightening the photo …";
    this.load(null);
    this.canvas.focus();
  }

  heading(photos) {
    const choice = el("select", { "aria-label": "Photo it is made from", "data-key": "square photo",
      on: { change: () => { this.ends = []; this.fitted = false; this.load(choice.value); } } },
    photos.map((name) => el("option", { value: name, text: name })));
    choice.value = this.photo ?? "";
    refill(this.bar, el("h2", { text: this.plane }), photos.length > 1 ? choice : null,
      button("Close", () => this.dialog.close(), { key: "square close" }));
  }

  /** Ask how the image lies, again until it follows from the newest figures; then fetch it. */
  async load(photo) {
    const plane = this.plane;
    const mine = this.asking = {};
    const path = `plane=${encodeURIComponent(plane)}${photo ? `&photo=${encodeURIComponent(photo)}` : ""}`;
    try {
      for (let wait = 200; ; wait = Math.min(wait * 1.5, 2000)) {
        const told = await get(`/api/rectified?${path}`);
        if (mine !== this.asking || plane !== this.plane) return;
        if (told.version >= 0 && told.version !== this.told_of?.version) await this.take(told);
        if (told.version >= (state.result?.version ?? 0) || mine !== this.asking) return;
        await new Promise((resolve) => setTimeout(resolve, wait));
        if (mine !== this.asking) return;
      }
    } catch (failure) {
      if (mine === this.asking) { this.dialog.close(); complain(failure); }
    }
  }

  async take(told) {
    if (!told.photo) {
      this.told.value = `not observed: ${told.why}; ${told.cure}`;
      return;
    }
    const image = await bitmap(`/rectified.jpg?plane=${encodeURIComponent(this.plane)}&photo=${encodeURIComponent(told.photo)}&v=${told.version}`);
    this.image?.close();
    Object.assign(this, { image, told_of: told, photo: told.photo });
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
    const near = this.ends.findIndex((px) => {
      const at = this.view.toScreen(px);
      return Math.hypot(at[0] - place[0], at[1] - place[1]) <= (GRAB[type] ?? 12);
    });
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
    if (this.start?.near >= 0) return;
    this.set(this.view.toPhoto(place));
  }

  drop() { this.hair = null; this.draw(); }
  hover() {}
  pan(dx, dy) { this.view.panBy(dx, dy); this.draw(); }
  zoom(factor, place = [this.view.width / 2, this.view.height / 2]) { this.view.zoomAt(factor, place); this.draw(); }

  /** A third end begins a new line. */
  set(px) {
    if (!this.image) return;
    this.ends = this.ends.length > 1 ? [px] : [...this.ends, px];
    this.fine = PRESSED / this.view.scale;
    this.show();
    announce(this.told.value);
  }

  key(event) {
    const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const far = event.altKey ? 0.1 : event.shiftKey ? 10 : event.ctrlKey ? Math.min(this.view.width, this.view.height) / 12 : 1;
    const middle = this.view.toPhoto([this.view.width / 2, this.view.height / 2]);
    if (by) this.hair = (this.hair ?? middle).map((value, axis) => value + by[axis] * far / Math.min(1, this.view.scale));
    else if (event.key === "Enter") { if (this.hair) this.set(this.hair); else this.hair = middle; }
    else if (event.key === "+" || event.key === "=") this.zoom(1.5, this.hair ? this.view.toScreen(this.hair) : undefined);
    else if (event.key === "-") this.zoom(1 / 1.5, this.hair ? this.view.toScreen(this.hair) : undefined);
    else if (event.key === "0") this.view.fit();
    else return;
    if (by) this.view.reveal(this.hair);
    event.preventDefault();
    this.draw();
  }

  // --- the line --------------------------------------------------------------------------------

  show() {
    const line = this.ends.length > 1 ? measure(this.told_of, this.ends, this.fine ?? 0) : null;
    const units = state.visit.units;
    this.length = line && lengthText(line.length, line.half, units);
    if (this.image) this.told.value = this.length ?? (this.ends.length ? "Press the other end." : "Press both ends of what is to be measured.");
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
    this.path(context, this.told_of.outline_px, true);
    stroke(context, "#56b4e9", { width: 2, dash: [6, 3] });
    this.path(context, this.ends);
    if (this.ends.length > 1) stroke(context, "#f0e442", { width: 2 });
    for (const px of [...this.ends, ...(this.hair ? [this.hair] : [])]) this.cross(context, view.toScreen(px));
    if (this.length) {
      const [one, other] = this.ends.map((px) => view.toScreen(px));
      tag(context, this.length, (one[0] + other[0]) / 2 + 10, (one[1] + other[1]) / 2 - 34, { inverse: true });
    }
    this.scaleBar(context);
  }

  path(context, points, closed = false) {
    context.beginPath();
    points.forEach((px, at) => context[at ? "lineTo" : "moveTo"](...this.view.toScreen(px)));
    if (closed) context.closePath();
  }

  cross(context, [x, y]) {
    context.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      context.moveTo(x + dx * 4, y + dy * 4);
      context.lineTo(x + dx * 18, y + dy * 18);
    }
    stroke(context, "#f0e442", { width: 2 });
  }

  scaleBar(context) {
    const { units } = state.visit;
    const metre = this.view.scale / this.told_of.m_per_px;
    const long = (BARS[units] ?? BARS.us).findLast((one) => one * metre <= this.view.width / 3);
    if (!long) return;
    const [x, y] = [16, this.view.height - 18];
    context.beginPath();
    context.moveTo(x, y - 8);
    context.lineTo(x, y);
    context.lineTo(x + long * metre, y);
    context.lineTo(x + long * metre, y - 8);
    stroke(context, "#fff", { width: 2 });
    tag(context, lengthText(long, null, units), x + long * metre + 10, y - 18);
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
