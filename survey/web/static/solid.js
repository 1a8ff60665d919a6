// The planes in space with the places the photos were taken from; turned by strokes, buttons or keys.

import { button, el } from "./dom.js";
import { state } from "./store.js";

const TURN = Math.PI / 12;

export class Solid {
  constructor() {
    Object.assign(this, { turn: -0.5, tilt: 0.55, now: null, last: null });
    this.canvas = el("canvas", { class: "solid", tabindex: "0", role: "img", "aria-label": "Planes in space",
      on: {
        pointerdown: (event) => { this.last = [event.clientX, event.clientY]; this.canvas.setPointerCapture(event.pointerId); },
        pointermove: (event) => this.stroked(event),
        pointerup: () => { this.last = null; },
        keydown: (event) => this.key(event),
      } });
    const by = (turn, tilt) => () => this.rotate(turn, tilt);
    this.section = el("section", { class: "space" }, el("h3", { text: "In space" }), this.canvas,
      el("div", { class: "chips", role: "group", "aria-label": "Turn the view" },
        button("↺", by(-TURN, 0), { label: "Turn left", key: "turn left" }), button("↻", by(TURN, 0), { label: "Turn right", key: "turn right" }),
        button("From above", by(0, TURN), { key: "tilt up" }), button("From the side", by(0, -TURN), { key: "tilt down" })));
    new ResizeObserver(() => this.draw(this.now)).observe(this.canvas);
  }

  stroked(event) {
    if (!this.last) return;
    this.rotate((event.clientX - this.last[0]) * 0.01, (event.clientY - this.last[1]) * 0.01);
    this.last = [event.clientX, event.clientY];
  }

  key(event) {
    const by = { ArrowLeft: [-TURN, 0], ArrowRight: [TURN, 0], ArrowUp: [0, TURN], ArrowDown: [0, -TURN] }[event.key];
    if (!by) return;
    event.preventDefault();
    this.rotate(...by);
  }

  rotate(turn, tilt) {
    this.turn += turn;
    this.tilt = Math.min(Math.PI / 2, Math.max(0, this.tilt + tilt));
    this.draw(this.now);
  }

  /** Parallel projection about the middle of the planes: [x, y, depth] in screen pixels. */
  projection(points, width, height) {
    const middle = [0, 1, 2].map((axis) => (Math.min(...points.map((at) => at[axis])) + Math.max(...points.map((at) => at[axis]))) / 2);
    const reach = Math.max(...points.map((at) => Math.hypot(...at.map((value, axis) => value - middle[axis])))) || 1;
    const scale = Math.min(width, height) / 2 * 0.86 / reach;
    const [ct, st, cp, sp] = [Math.cos(this.turn), Math.sin(this.turn), Math.cos(this.tilt), Math.sin(this.tilt)];
    return (at) => {
      const [x, y, z] = at.map((value, axis) => value - middle[axis]);
      const right = ct * x + st * y;
      const away = -st * x + ct * y;
      return [width / 2 + right * scale, height / 2 - (z * cp + away * sp) * scale, away * cp - z * sp];
    };
  }

  draw(now) {
    this.now = now;
    const { clientWidth: width, clientHeight: height } = this.canvas;
    const planes = (now?.plan?.planes ?? []).filter((plane) => plane.outline_m?.length > 2);
    if (!width || !planes.length) return;
    const ratio = Math.min(2, window.devicePixelRatio || 1);
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    const context = this.canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    const cameras = now.plan.cameras ?? [];
    const project = this.projection([...planes.flatMap((plane) => plane.outline_m), ...cameras.map((one) => one.position_m)], width, height);
    const drawn = planes.map((plane) => ({ plane, at: plane.outline_m.map(project) }))
      .sort((one, other) => depth(other.at) - depth(one.at));
    for (const { plane, at } of drawn) this.drawPlane(context, plane, at);
    for (const camera of cameras) this.drawCamera(context, camera, project);
  }

  drawPlane(context, plane, at) {
    context.beginPath();
    at.forEach(([x, y], index) => context[index ? "lineTo" : "moveTo"](x, y));
    context.closePath();
    context.fillStyle = "rgb(255 212 0 / 70%)";
    context.fill();
    context.strokeStyle = "#14110b";
    context.lineWidth = 2;
    context.stroke();
    const middle = [0, 1].map((axis) => at.reduce((sum, one) => sum + one[axis], 0) / at.length);
    context.fillStyle = "#14110b";
    context.font = "600 16px system-ui, sans-serif";
    context.textAlign = "center";
    context.fillText(plane.name, middle[0], middle[1] + 5);
  }

  drawCamera(context, camera, project) {
    const [x, y] = project(camera.position_m);
    const [tx, ty] = project(camera.position_m.map((value, axis) => value + camera.axis[axis] * 1.2));
    context.beginPath();
    context.moveTo(x, y);
    context.lineTo(tx, ty);
    context.strokeStyle = "#0a4f93";
    context.lineWidth = 2;
    context.stroke();
    context.fillStyle = camera.photo === state.photo ? "#ffd400" : "#fff";
    context.beginPath();
    context.rect(x - 6, y - 6, 12, 12);
    context.fill();
    context.stroke();
  }
}

const depth = (points) => points.reduce((sum, at) => sum + at[2], 0) / points.length;
