// The canvas with the photo: its size, its frames, and the buttons beside it.

import { byId } from "./dom.js";
import { Gestures } from "./gestures.js";
import { attachKeys } from "./keys.js";
import { Magnifier } from "./magnifier.js";
import { Marking } from "./marking.js";
import { stroke } from "./lines.js";
import { drawOverlay } from "./overlay.js";
import { markById, markName, on, photoNamed, state, vertices } from "./store.js";
import { Tiles } from "./tiles.js";
import { View, middleOf } from "./view.js";

const MOST_PIXELS = 8.4e6; // of the canvas, and no side over 4096: what every browser draws

export class Stage {
  constructor() {
    this.box = byId("stage");
    this.canvas = byId("photo");
    this.context = this.canvas.getContext("2d", { alpha: false });
    this.view = new View();
    this.tiles = new Tiles(() => this.invalidate());
    this.marking = new Marking(this.view, this.box, new Magnifier());
    this.gestures = new Gestures(this.canvas, this.marking);
    this.views = new Map(); // photo -> where it was left
    this.frame = 0;
    attachKeys(this.canvas, this.view, this.marking, this.gestures);
    new ResizeObserver(() => this.resize()).observe(this.box);
    on("photo", () => this.changed());
    on("visit sync predictions result held selection tool", () => this.invalidate());
    on("visit", () => { if (!this.tiles.photo && state.photo) this.changed(); });
    this.buttons();
  }

  changed() {
    const photo = photoNamed(state.photo);
    if (this.tiles.photo) {
      const { scale, width, height } = this.view;
      const whole = Math.abs(scale - this.view.fitScale()) < 1e-9;
      this.views.set(this.tiles.photo.name, whole ? null : { scale, middle: this.view.toPhoto([width / 2, height / 2]) });
    }
    this.marking.abandon();
    this.tiles.show(photo);
    byId("no-photo").hidden = Boolean(photo);
    if (photo) {
      this.view.photo = { width: photo.width, height: photo.height };
      const left = this.views.get(photo.name);
      this.view.fit();
      if (left) this.view.centreOn(left.middle, left.scale);
    }
    this.invalidate();
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.box;
    if (!width || !height) return;
    const ratio = Math.min(window.devicePixelRatio || 1, Math.sqrt(MOST_PIXELS / (width * height)), 4096 / Math.max(width, height));
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.ratio = ratio;
    this.view.resize(width, height);
    this.draw();
  }

  invalidate() {
    this.frame ||= requestAnimationFrame(() => this.draw());
  }

  draw() {
    cancelAnimationFrame(this.frame);
    this.frame = 0;
    const { context, view, ratio } = this;
    if (!ratio) return;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#d9d6cc";
    context.fillRect(0, 0, this.canvas.width, this.canvas.height);
    if (!this.tiles.photo) return;
    this.tiles.draw(context, view, ratio);
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    drawOverlay(context, view, this.marking.draft, this.marking.held, this.marking.hovered);
    for (const { px } of this.marking.waiting) this.drawWaiting(px);
    this.canvas.dataset.sharp = String(this.tiles.sharp);
    this.pad();
  }

  drawWaiting(px) {
    const [x, y] = this.view.toScreen(px);
    this.context.beginPath();
    this.context.arc(x, y, 10, 0, 2 * Math.PI);
    stroke(this.context, "#f0e442");
  }

  /** Bring a mark to the middle of the canvas. */
  showMark(id) {
    const mark = markById(id);
    if (!mark) return;
    const points = vertices(mark);
    const middle = middleOf(points);
    this.view.centreOn(middle, mark.kind === "point" ? Math.min(1, this.view.fitScale() * 4) : 0);
    this.invalidate();
  }

  /** Buttons that do what wheel, pinch, strokes and keys do. */
  buttons() {
        const does = {
      "zoom-in": () => this.marking.zoom(1.6),
      "zoom-out": () => this.marking.zoom(1 / 1.6),
      "zoom-fit": () => { this.view.fit(); this.marking.look(); },
      "pan-left": () => this.marking.pan(this.view.width / 4, 0),
      "pan-right": () => this.marking.pan(-this.view.width / 4, 0),
      "pan-up": () => this.marking.pan(0, this.view.height / 4),
      "pan-down": () => this.marking.pan(0, -this.view.height / 4),
      "nudge-left": () => this.marking.nudge(-this.step(), 0),
      "nudge-right": () => this.marking.nudge(this.step(), 0),
      "nudge-up": () => this.marking.nudge(0, -this.step()),
      "nudge-down": () => this.marking.nudge(0, this.step()),
      "hold-set": () => { this.marking.commit(); this.focus(); },
      "hold-drop": () => { this.marking.abandon(); this.focus(); },
    };
    for (const [id, act] of Object.entries(does)) byId(id).addEventListener("click", act);
  }

  /** Give the photo the focus, without a jump of the page. */
  focus() {
    this.canvas.focus({ preventScroll: true });
  }

  step() {
    return Number(byId("nudge-step").value);
  }

  /** The nudge pad stands there while a cross-hair or a chosen mark can be moved by it. */
  pad() {
    const held = this.marking.held;
    byId("pans").hidden = this.view.scale < this.view.fitScale() * 1.05; // nothing is out of sight
    const steering = this.gestures.mode === "steer";
    byId("nudge-pad").hidden = steering || !(held || (markById(state.selected)?.photo === state.photo));
    const mark = markById(state.selected);
    const px = held?.px ?? (mark ? vertices(mark)[0] : null);
    byId("hold-place").value = px ? `${held?.name ?? (mark && !held ? markName(mark) : "")} ${px.map((value) => value.toFixed(1)).join(", ")}`.trim() : "";
    byId("hold-set").hidden = byId("hold-drop").hidden = !held;
  }
}
