// The magnifier: photo pixels as they are stored, eight times enlarged, with the spot in the middle.

import { bitmap, cropPath } from "./api.js";
import { byId } from "./dom.js";
import { arms, stroke } from "./lines.js";

const ENLARGED = 8; // screen pixels a photo pixel
const SIZE = 168; // CSS pixels across
const CROP = 96; // photo pixels fetched at once
const ABOVE = 118; // its centre above a finger: 22 mm on a tablet

export class Magnifier {
  constructor() {
    this.canvas = byId("magnifier");
    this.crop = null; // {photo, x, y, image}: x, y is the photo pixel at its top left
    this.asked = null;
    this.px = null;
  }

  hide() {
    this.px = null;
    this.canvas.hidden = true;
  }

  /** Show the surroundings of a photo coordinate near a screen place, out of the way of the hand. */
  show(photo, px, [x, y], touch, stage) {
    Object.assign(this, { px, photo });
    this.canvas.hidden = false;
    const box = { width: stage.clientWidth, height: stage.clientHeight };
    let top = y - (touch ? ABOVE : 40) - SIZE / 2 - (touch ? 0 : SIZE / 2);
    let left = touch ? x - SIZE / 2 : x + 40;
    if (top < 4) {
      top = touch ? 4 : y + 40;
      if (touch) left = x > box.width / 2 ? x - SIZE - 60 : x + 60;
    }
    this.canvas.style.left = `${Math.max(4, Math.min(box.width - SIZE - 4, left))}px`;
    this.canvas.style.top = `${Math.max(4, Math.min(box.height - SIZE - 4, top))}px`;
    this.fetch();
    this.draw();
  }

  async fetch() {
    const { photo, px } = this;
    const [x, y] = [Math.round(px[0]), Math.round(px[1])];
    const near = (one) => one && one.photo === photo && Math.hypot(one.cx - x, one.cy - y) < CROP / 2 - 16;
    if (near(this.crop) || near(this.asked)) return;
    const asked = { photo, cx: x, cy: y };
    this.asked = asked;
    try {
      const image = await bitmap(cropPath(photo, x, y, CROP));
      if (this.asked !== asked) return void image.close();
      this.crop?.image.close();
      this.crop = { ...asked, x: x - CROP / 2, y: y - CROP / 2, image };
      if (this.px) this.draw();
    } catch {
      if (this.asked === asked) this.asked = null;
    }
  }

  draw() {
    const ratio = window.devicePixelRatio || 1;
    const size = Math.round(SIZE * ratio);
    if (this.canvas.width !== size) this.canvas.width = this.canvas.height = size;
    const context = this.canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.fillStyle = "#555";
    context.fillRect(0, 0, SIZE, SIZE);
    if (this.crop?.photo === this.photo) {
      context.imageSmoothingEnabled = false;
      const left = SIZE / 2 - (this.px[0] + 0.5 - this.crop.x) * ENLARGED;
      const top = SIZE / 2 - (this.px[1] + 0.5 - this.crop.y) * ENLARGED;
      context.drawImage(this.crop.image, left, top, CROP * ENLARGED, CROP * ENLARGED);
    }
    context.beginPath();
    arms(context, [SIZE / 2, SIZE / 2], 7, 40);
    stroke(context, "#f0e442");
  }
}
