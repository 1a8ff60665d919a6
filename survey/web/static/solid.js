// The planes in space with the places the photos were taken from.

import { button, el, many } from "./dom.js";
import { Labels } from "./labels.js";
import { trace } from "./lines.js";
import { choosePhoto, on, state } from "./store.js";
import { distance, middleOf } from "./view.js";

const TURN = Math.PI / 12;
const MARGIN = 34; // CSS pixels about what is shown

export class Solid {
  constructor() {
    Object.assign(this, { turn: -0.5, tilt: 0.55, now: null, last: null });
    this.canvas = el("canvas", { class: "solid", tabindex: "0", role: "img", "aria-label": "Planes in space",
      on: {
        pointerdown: (event) => { this.last = this.first = [event.clientX, event.clientY]; this.canvas.setPointerCapture(event.pointerId); },
        pointermove: (event) => this.stroked(event),
        pointerup: (event) => {
          this.last = null;
          const still = distance([event.clientX, event.clientY], this.first) < 8;
          if (still) this.pressed([event.offsetX, event.offsetY]);
        },
        keydown: (event) => this.key(event),
      } });
    const by = (...angles) => () => this.rotate(...angles);
    this.section = el("section", { class: "space" }, el("h3", { text: "In space" }), this.canvas,
      el("div", { class: "chips", role: "group", "aria-label": "Turn the view" },
        button("↺", by(-TURN, 0), { label: "Turn left", key: "turn left" }), button("↻", by(TURN, 0), { label: "Turn right", key: "turn right" }),
        button("From above", by(0, TURN), { key: "tilt up" }), button("From the side", by(0, -TURN), { key: "tilt down" })));
    on("photo", () => this.draw(this.now));
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

  /** Parallel projection that fits what is shown: [x, y, depth] in screen pixels. */
  projection(points, width, height) {
    const [ct, st, cp, sp] = [Math.cos(this.turn), Math.sin(this.turn), Math.cos(this.tilt), Math.sin(this.tilt)];
    const turned = ([x, y, z]) => {
      const away = -st * x + ct * y;
      return [ct * x + st * y, -(z * cp + away * sp), away * cp - z * sp];
    };
    const all = points.map(turned);
    const [least, most] = [Math.min, Math.max].map((pick) => [0, 1].map((axis) => pick(...all.map((at) => at[axis]))));
    const scale = Math.min((width - 2 * MARGIN) / Math.max(most[0] - least[0], 0.5), (height - 2 * MARGIN) / Math.max(most[1] - least[1], 0.5));
    return (at) => {
      const [x, y, deep] = turned(at);
      return [width / 2 + (x - (least[0] + most[0]) / 2) * scale, height / 2 + (y - (least[1] + most[1]) / 2) * scale, deep];
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
    this.cameras = cameras.map((camera) => ({ camera, at: project(camera.position_m) }));
    for (const { camera } of this.cameras) this.drawCamera(context, camera, project);
    const labels = new Labels();
    for (const { at } of this.cameras) labels.keep(at[0], at[1]);
    for (const { plane, at } of drawn) labels.add(plane.name, ...middleOf(at), 2.5);
    for (const { camera, at } of this.cameras) {
      const open = camera.photo === state.photo;
      labels.add(camera.photo.replace(/\.[^.]*$/, ""), at[0], at[1], open ? 3 : 1, open);
    }
    labels.draw(context, { width, height });
    this.canvas.setAttribute("aria-label", `${planes.map((one) => one.name).join(", ")} in space, with ${many(cameras.length, "photo")}`);
  }

  drawPlane(context, plane, at) {
    trace(context, at.map(([x, y]) => [x, y]), true);
    context.fillStyle = plane.kind === "wall" ? "rgb(216 210 194 / 75%)" : "rgb(255 212 0 / 75%)";
    context.fill();
    context.strokeStyle = "#14110b";
    context.lineWidth = 2;
    context.stroke();
  }

  /** A box with a line the way the photo looks. */
  drawCamera(context, camera, project) {
    const [x, y] = project(camera.position_m);
    trace(context, [[x, y], project(camera.position_m.map((value, axis) => value + camera.axis[axis] * 1.5)).slice(0, 2)]);
    context.strokeStyle = "#0a4f93";
    context.lineWidth = 2;
    context.stroke();
    context.fillStyle = camera.photo === state.photo ? "#ffd400" : "#fff";
    context.beginPath();
    context.rect(x - 6, y - 6, 12, 12);
    context.fill();
    context.stroke();
  }

  /** A press on a box opens its photo. */
  pressed(place) {
    const far = ({ at }) => distance(at, place);
    const near = (this.cameras ?? []).toSorted((one, other) => far(one) - far(other))[0];
    if (near && far(near) < 24) choosePhoto(near.camera.photo);
  }
}

const depth = (points) => points.reduce((sum, at) => sum + at[2], 0) / points.length;
