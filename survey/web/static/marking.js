// From presses to marks: hold, steer, snap, commit. One way of marking for every tool.

import { pause, post } from "./api.js";
import { announce, complain } from "./dom.js";
import { nextName, numbered, sides } from "./names.js";
import { hitMark, hitPrediction } from "./overlay.js";
import { act } from "./queue.js";
import { markById, markName, select, setTool, state, tell, vertices, visit, withVertices } from "./store.js";
import { distance } from "./view.js";

const RADIUS = { mouse: 12, pen: 12, touch: 22 }; // CSS pixels within which a mark is taken
const BY_EYE = 1.5; // px, sd of a mark placed under the magnifier; the files' default
const WHICH = 1.2; // px, least sd of a snapped corner: which of a roof edge's corners it is stays a
// question; rms of 22 coordinates of the sample porch, snapped, against the truth
const PRESSED = 0.7; // CSS pixels, sd of a press without the magnifier
const round = (value) => Math.round(value * 100) / 100;

export class Marking {
  constructor(view, stage, magnifier) {
    Object.assign(this, { view, stage, magnifier, held: null, draft: [], waiting: [], corners: [], start: null });
  }

  // --- answers to gestures ---------------------------------------------------------------------

  press(place, type) {
    const again = this.start && distance(place, this.start.place) < 4;
    const radius = RADIUS[type] ?? 12;
    const hit = (again && hitMark(this.view, place, radius, state.selected)) || hitMark(this.view, place, radius);
    this.start = { place, hit };
    return type !== "touch" && hit && hit.vertex !== null && hit.mark.id === state.selected ? "at once" : "after a rest";
  }

  open(type) {
    const { place, hit } = this.start;
    const moves = hit && hit.vertex !== null && this.takes(hit);
    if (moves) {
      select(hit.mark.id);
      this.held = { px: [...vertices(hit.mark)[hit.vertex]], moves: hit.mark.id, vertex: hit.vertex };
    } else this.held = { px: this.view.toPhoto(place), name: hitPrediction(this.view, place, RADIUS[type] ?? 12)?.name };
    Object.assign(this.held, { place, touch: type === "touch", steered: true, from: [...this.held.px] });
    this.look();
  }

  /** Slow strokes move the cross-hair by an eighth of a photo pixel a CSS pixel, fast ones as seen. */
  steer(dx, dy, ms) {
    if (!this.held) return;
    const speed = Math.hypot(dx, dy) / ms;
    const seen = 1 / this.view.scale;
    const fine = Math.min(seen, 0.125);
    const gain = fine + (seen - fine) * Math.min(1, Math.max(0, (speed - 0.06) / 0.5));
    this.held.px = this.inside([this.held.px[0] + dx * gain, this.held.px[1] + dy * gain]);
    this.held.place = [this.held.place[0] + dx, this.held.place[1] + dy];
    this.look();
  }

  lift() {
    if (this.held) this.commit();
  }

  tap(place, type) {
    const { hit } = this.start ?? {};
    if (hit && this.takes(hit)) {
      if (this.closes(hit)) return this.close();
      if (state.tool === "roof" && hit.mark.point && !this.corners.includes(hit.mark.point)) {
        this.corners.push(hit.mark.point); // two roofs may share a corner
        announce(`${hit.mark.point} is the next corner`);
        this.drop();
        return tell("tool");
      }
      select(hit.mark.id);
      announce(`${markName(hit.mark)} chosen`);
      return this.drop();
    }
    const px = this.inside(this.view.toPhoto(place));
    const name = hitPrediction(this.view, place, RADIUS[type] ?? 12)?.name;
    select(null);
    this.held = { px, place, name, touch: type === "touch", steered: false };
    if (type === "touch") return this.look(); // stays until Set is pressed, so that it can be nudged
    return this.commit();
  }

  drop() {
    if (!this.held) return;
    this.held = null;
    this.look();
  }

  pan(dx, dy) {
    this.view.panBy(dx, dy);
    this.look();
  }

  zoom(factor, place = this.view.middle()) {
    this.view.zoomAt(factor, place);
    this.look();
  }

  hover(place) {
    const under = place ? hitMark(this.view, place, RADIUS.mouse)?.mark.id ?? null : null;
    this.hovered = place;
    if (under !== this.under) tell("held");
    this.under = under;
  }

  // --- the cross-hair --------------------------------------------------------------------------

  /** Move the cross-hair, or the chosen mark, by photo pixels. */
  nudge(dx, dy) {
    if (!this.held) {
      const mark = markById(state.selected);
      if (mark && mark.photo === state.photo) {
        const vertex = this.vertex ?? 0;
        const px = vertices(mark)[vertex] ?? vertices(mark)[0];
        this.held = { px: [...px], from: [...px], moves: mark.id, vertex, steered: true };
      } else this.hairAt(this.view.toPhoto(this.view.middle()));
    }
    this.held.px = this.inside([this.held.px[0] + dx, this.held.px[1] + dy]);
    this.held.steered = true;
    this.view.reveal(this.held.px);
    this.held.place = this.view.toScreen(this.held.px);
    this.look();
    if (this.held.moves) {
      clearTimeout(this.settle);
      this.settle = setTimeout(() => this.held?.moves && this.commit(), 700);
    }
  }

  hairAt(px, name = null) {
    this.held = { px: this.inside(px), place: this.view.toScreen(px), name, steered: false };
    this.look();
  }

  look() {
    if (this.held) {
      this.magnifier.show(state.photo, this.held.px, this.held.place, this.held.touch, this.stage);
    } else this.magnifier.hide();
    tell("held");
  }

  inside([x, y]) {
    const { width, height } = this.view.photo;
    return [Math.min(width - 0.5, Math.max(-0.5, x)), Math.min(height - 0.5, Math.max(-0.5, y))];
  }

  /** Whether a press near a mark takes that mark instead of making another. */
  takes() {
    return !this.draft.length && ["point", "roof"].includes(state.tool);
  }

  /** Corners of the roof that is being outlined, less what undo took; after a reload, those without a roof. */
  roofCorners() {
    const now = visit();
    const there = new Set(now.marks.map((mark) => mark.point));
    this.corners = this.corners.filter((name) => there.has(name));
    if (!this.corners.length && !now.planes.length && state.tool === "roof") {
      const placed = new Set([...now.outlets, ...now.penetrations].map((one) => one.at));
      this.corners = now.marks.filter((mark) => mark.kind === "point" && mark.photo === state.photo && !placed.has(mark.point)).map((mark) => mark.point);
    }
    return this.corners;
  }

  closes(hit) {
    return state.tool === "roof" && this.corners.length > 2 && hit.mark.point === this.corners[0];
  }

  // --- committing ------------------------------------------------------------------------------

  async commit() {
    const held = this.held;
    clearTimeout(this.settle);
    this.held = null;
    if (!held) return;
    if (held.moves) this.moved(held);
    else if (["point", "roof", "outlet", "penetration"].includes(state.tool)) await this.place(held);
    else this.addVertex(held.px);
    this.look();
  }

  moved({ moves, vertex, px, from }) {
    const mark = markById(moves);
    if (!mark || (from && from[0] === px[0] && from[1] === px[1])) return;
    const points = vertices(mark).map((one) => [...one]);
    points[vertex] = px.map(round);
    act({ kind: "put mark", mark: withVertices(mark, points) },
      `${markName(mark)} moved to ${points[vertex].join(", ")}`);
  }

  async place(held) {
    const { tool } = state;
    const photo = state.photo;
    const point = held.name ?? (["outlet", "penetration"].includes(tool) ? numbered(tool) : nextName());
    const taken = visit().marks.some((mark) => mark.photo === photo && mark.point === point);
    if (taken) return complain({ error: `${point} is marked in this photo already`, where: photo, cure: "choose another name, or move the mark there" });
    state.options.name = null;
    const waiting = { px: held.px, point };
    this.waiting.push(waiting);
    this.look();
    const found = await this.snapped(photo, held);
    this.waiting = this.waiting.filter((one) => one !== waiting);
    const mark = { id: newId(), kind: "point", photo, point, px: found.px.map(round), sd_px: round(found.sd) };
    if (tool === "roof") this.corners.push(point);
    const actions = [{ kind: "put mark", mark }];
    if (tool === "outlet") actions.push({ kind: "put outlet", outlet: { name: point, kind: state.options.outlet ?? "roof drain", at: point } });
    if (tool === "penetration") actions.push({ kind: "put penetration", penetration: { name: point, kind: state.options.pipe ?? "pipe", at: point } });
    act(actions.length === 1 ? actions[0] : { kind: "together", label: point, actions },
      `${point} set at ${mark.px.join(", ")}${found.words}`);
    return tell("tool");
  }

  /** Ask for the image edge or corner near a press, or along a line; as pressed if there is none. */
  async snapped(photo, { px, steered }) {
    const asPressed = { px, sd: steered ? BY_EYE : Math.max(BY_EYE, PRESSED / this.view.scale), words: "" };
    if (!state.options.snap) return asPressed;
    // no farther than a press is off (2 sd), or it would move to the gutter beside the roof's corner
    const radius = steered ? 3 : Math.min(12, Math.max(3, 2 * PRESSED / this.view.scale));
    const asked = post("/api/snap", { photo, px, radius_px: round(radius) }).catch(() => null);
    const reply = await Promise.race([asked, pause(600)]);
    if (!reply || reply.kind === "none") return asPressed;
    // where a corner lies along an edge, the edge does not tell: that stays as good as the press
    const sure = reply.kind === "corner" || Array.isArray(px[0]);
    return { px: reply.px, sd: !sure ? asPressed.sd : reply.kind === "corner" ? Math.max(WHICH, reply.sd_px) : reply.sd_px, words: `, snapped to ${reply.kind === "edge" ? "an edge" : "a corner"}` };
  }

  addVertex(px) {
    const first = this.draft[0];
    if (state.tool === "outline" && this.draft.length > 2) {
      if (distance(this.view.toScreen(first), this.view.toScreen(px)) < 14) return this.close();
    }
    this.draft.push(px.map(round));
    announce(`corner ${this.draft.length} at ${px.map(round).join(", ")}`);
    if (state.tool !== "outline" && this.draft.length === 2) this.close();
    return tell("tool");
  }

  /** Finish an outline, or a line with both its ends. */
  async close() {
    const { tool, options, photo } = state;
    const px = this.draft;
    if (tool === "roof") return this.closeRoof();
    if (px.length < (tool === "outline" ? 3 : 2)) return undefined;
    this.draft = [];
    const mark = { id: newId(), photo };
    if (tool === "edge") {
      const side = sides().find((one) => `${one.start}\n${one.end}` === options.edge) ?? sides()[0];
      if (!side) return complain({ error: "no plane has an edge yet", where: "", cure: "mark the outline of a roof first" });
      Object.assign(mark, { kind: "edge", start: side.start, end: side.end });
      options.ask = [side.start, side.end];
    } else if (tool === "outline") {
      Object.assign(mark, { kind: "outline", name: options.title || numbered(options.purpose), purpose: options.purpose,
        plane: options.plane ?? visit().planes.find((plane) => plane.kind !== "wall")?.name ?? null });
      options.title = null;
    } else {
      Object.assign(mark, { kind: "gravity", direction: tool });
      const on = options.on ?? visit().targets[0]?.name;
      if (tool === "level") mark.on = on;
    }
    const line = tool === "outline"
      ? { px, sd: Math.max(3, PRESSED / this.view.scale), words: "" } : await this.snapped(photo, { px, steered: false });
    Object.assign(mark, { px: line.px.map((one) => one.map(round)), sd_px: round(line.sd) });
    act({ kind: "put mark", mark }, `${markName(mark)} set${line.words}`);
    this.look();
    return tell("tool");
  }

  closeRoof() {
    if (this.corners.length < 3) return;
    this.roofCorners();
    const used = new Set(visit().planes.map((plane) => plane.name));
    let name = state.options.planeName?.trim() || "roof";
    for (let number = 2; used.has(name); number += 1) name = `roof ${number}`;
    act({ kind: "put plane", plane: { name, kind: "roof", outline: this.corners } },
      `outline of ${name} closed with ${this.corners.length} corners`);
    this.corners = [];
    state.options.planeName = null;
    setTool("point");
  }

  /** Take back what has not become a mark yet; true if there was something. */
  abandon() {
    const had = Boolean(this.held || this.draft.length);
    this.draft = [];
    this.held = null;
    this.look();
    if (had) tell("tool");
    return had;
  }
}

const newId = () => `m-${crypto.randomUUID().slice(0, 8)}`;
