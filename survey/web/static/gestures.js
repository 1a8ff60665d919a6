// Presses, strokes and wheels on the canvas, told apart: press, steer, pan, pinch.
// A press that moves farther than a shaky hand before it rests is a pan and never a mark.

import { distance, middleOf } from "./view.js";

const SHAKE = { mouse: 8, pen: 8, touch: 12 }; // CSS pixels before a press becomes a pan
const OPENS = { mouse: 220, pen: 220, touch: 260 }; // ms of rest before the magnifier opens

export class Gestures {
  /** `to` answers press, steer, lift, tap, drop, pan, zoom, hover; see marking.js. */
  constructor(canvas, to) {
    Object.assign(this, { canvas, to, down: new Map(), mode: null, timer: 0, spaced: false });
    const listen = (event, act, options) => canvas.addEventListener(event, act, options);
    listen("pointerdown", (event) => this.pressed(event));
    listen("pointermove", (event) => this.moved(event));
    listen("pointerup", (event) => this.lifted(event));
    listen("pointercancel", (event) => this.lost(event));
    listen("pointerleave", () => this.to.hover?.(null));
    listen("wheel", (event) => this.wheeled(event), { passive: false });
    listen("contextmenu", (event) => event.preventDefault());
  }

  place(event) {
    const box = this.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  pressed(event) {
    event.preventDefault();
    this.canvas.focus({ preventScroll: true });
    this.canvas.setPointerCapture?.(event.pointerId);
    const place = this.place(event);
    this.down.set(event.pointerId, { start: place, last: place, at: event.timeStamp });
    if (this.down.size === 2) this.pinchBegins();
    if (this.down.size !== 1) return;
    if (event.button !== 0 || this.spaced) {
      this.mode = "pan";
      return;
    }
    this.mode = "press";
    const ready = this.to.press(place, event.pointerType);
    this.timer = setTimeout(() => this.opens(event.pointerType), ready === "at once" ? 0 : OPENS[event.pointerType] ?? 220);
  }

  opens(type) {
    if (this.mode !== "press") return;
    this.mode = "steer";
    this.to.open(type);
  }

  moved(event) {
    const finger = this.down.get(event.pointerId);
    const place = this.place(event);
    if (!finger) {
      this.to.hover?.(place);
      return;
    }
    const [dx, dy] = [place[0] - finger.last[0], place[1] - finger.last[1]];
    if (this.mode === "pinch") this.pinch(finger, place);
    else if (this.mode === "press") {
      const far = distance(place, finger.start);
      if (far <= (SHAKE[event.pointerType] ?? 8)) return;
      clearTimeout(this.timer);
      this.mode = "pan";
      this.to.drop();
      this.to.pan(place[0] - finger.start[0], place[1] - finger.start[1]);
    } else if (this.mode === "pan") this.to.pan(dx, dy);
    else if (this.mode === "steer") this.to.steer(dx, dy, Math.max(1, event.timeStamp - finger.at), event.pointerType);
    finger.last = place;
    finger.at = event.timeStamp;
  }

  lifted(event) {
    const finger = this.down.get(event.pointerId);
    if (!finger) return;
    this.down.delete(event.pointerId);
    clearTimeout(this.timer);
    if (this.mode === "steer") this.to.lift(event.pointerType);
    else if (this.mode === "press") this.to.tap(finger.start, event.pointerType);
    this.mode = this.down.size ? "spent" : null; // the finger left of a pinch does nothing
  }

  lost(event) {
    this.down.delete(event.pointerId);
    clearTimeout(this.timer);
    this.to.drop();
    this.mode = this.down.size ? "spent" : null;
  }

  pinchBegins() {
    clearTimeout(this.timer);
    this.to.drop();
    this.mode = "pinch";
  }

  /** Two fingers: the spots under them stay under them. */
  pinch(finger, place) {
    const [one, other] = [...this.down.values()];
    const still = finger === one ? other : one;
    const before = distance(finger.last, still.last);
    const after = distance(place, still.last);
    const [from, to] = [middleOf([finger.last, still.last]), middleOf([place, still.last])];
    this.to.pan(to[0] - from[0], to[1] - from[1]);
    if (before > 10) this.to.zoom(after / before, to);
  }

  wheeled(event) {
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 16 : event.deltaMode === 2 ? 400 : 1;
    const step = Math.max(-240, Math.min(240, event.deltaY * lines));
    this.to.zoom(Math.exp(-step * (event.ctrlKey ? 0.01 : 0.002)), this.place(event));
  }
}
