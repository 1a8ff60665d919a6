// Where the photo lies on the canvas. Photo coordinates count from the centre of the top-left
// pixel; screen coordinates are CSS pixels from the canvas' corner.

export const LARGEST = 32; // screen pixels a photo pixel

export const distance = ([x, y], [a, b]) => Math.hypot(x - a, y - b);
export const middleOf = (points) => [0, 1].map((axis) => points.reduce((sum, at) => sum + at[axis], 0) / points.length);

export class View {
  constructor() {
    Object.assign(this, { scale: 1, left: 0, top: 0, width: 1, height: 1, photo: { width: 1, height: 1 } });
  }

  /** Screen place of a photo coordinate. */
  toScreen([x, y]) {
    return [(x + 0.5) * this.scale + this.left, (y + 0.5) * this.scale + this.top];
  }

  /** Photo coordinate under a screen place. */
  toPhoto([x, y]) {
    return [(x - this.left) / this.scale - 0.5, (y - this.top) / this.scale - 0.5];
  }

  middle() {
    return [this.width / 2, this.height / 2];
  }

  fitScale() {
    return Math.min(this.width / this.photo.width, this.height / this.photo.height);
  }

  fit() {
    this.scale = this.fitScale();
    this.left = (this.width - this.photo.width * this.scale) / 2;
    this.top = (this.height - this.photo.height * this.scale) / 2;
  }

  /** Zoom so that the spot at a screen place stays there. */
  zoomAt(factor, [x, y]) {
    const next = Math.min(LARGEST, Math.max(this.fitScale() * 0.7, this.scale * factor));
    const by = next / this.scale;
    this.left = x - (x - this.left) * by;
    this.top = y - (y - this.top) * by;
    this.scale = next;
  }

  panBy(dx, dy) {
    const margin = 60; // so much of the photo always stays in sight
    this.left = Math.min(this.width - margin, Math.max(margin - this.photo.width * this.scale, this.left + dx));
    this.top = Math.min(this.height - margin, Math.max(margin - this.photo.height * this.scale, this.top + dy));
  }

  /** Bring a photo coordinate to the middle, at least at `scale`. */
  centreOn(px, scale = 0) {
    this.scale = Math.min(LARGEST, Math.max(this.scale, scale));
    this.left = this.width / 2 - (px[0] + 0.5) * this.scale;
    this.top = this.height / 2 - (px[1] + 0.5) * this.scale;
  }

  /** Shift just enough that a photo coordinate is in sight. */
  reveal(px) {
    const [x, y] = this.toScreen(px);
    const edge = Math.min(48, this.width / 4, this.height / 4);
    const dx = Math.max(0, edge - x) - Math.max(0, x - (this.width - edge));
    const dy = Math.max(0, edge - y) - Math.max(0, y - (this.height - edge));
    this.left += dx;
    this.top += dy;
  }

  /** Keep the spot in the middle when the canvas changes its size. */
  resize(width, height) {
    const whole = Math.abs(this.scale - this.fitScale()) < 1e-9;
    const middle = this.toPhoto(this.middle());
    Object.assign(this, { width, height });
    if (whole) this.fit();
    else this.centreOn(middle);
  }
}
