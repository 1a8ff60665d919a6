// Tiles of the photo on the canvas: fetched as needed, decoded off the main thread, bounded.

import { bitmap, tilePath } from "./api.js";

const TILE = 512;
export const MOST_BYTES = 96e6; // of decoded tiles
const AT_ONCE = 6;

export class Tiles {
  /** `arrived` is called when there is something new to draw. */
  constructor(arrived) {
    this.arrived = arrived;
    this.held = new Map(); // key -> {image, bytes}; oldest use first
    this.bytes = 0;
    this.loading = new Map(); // key -> AbortController
    this.absent = new Map(); // key -> when it failed
    this.wanted = [];
    this.photo = null;
  }

  show(photo) {
    if (this.photo && this.photo.name === photo?.name) return;
    for (const stop of this.loading.values()) stop.abort();
    this.loading.clear();
    this.absent.clear();
    this.photo = photo;
  }

  /** The level at which the whole photo is one tile. */
  lastLevel() {
    return Math.max(0, Math.ceil(Math.log2(Math.max(this.photo.width, this.photo.height) / TILE)));
  }

  /** Draw all that is there, blurred first; ask for what is missing. `ratio`: device pixels a CSS pixel. */
  draw(context, view, ratio) {
    if (!this.photo) return;
    const device = view.scale * ratio;
    const last = this.lastLevel();
    const sharp = Math.min(last, Math.max(0, Math.floor(Math.log2(1 / device) + 1e-6)));
    context.imageSmoothingEnabled = device < 2;
    context.imageSmoothingQuality = "medium";
    const missing = [];
    for (let level = last; level >= sharp; level -= 1) {
      const needed = level === sharp || level === last || level === sharp + 2;
      for (const tile of this.inSight(level, view)) {
        const key = `${this.photo.name}/${level}/${tile.column}_${tile.row}`;
        const there = this.held.get(key);
        if (there) {
          this.held.delete(key);
          this.held.set(key, there);
          this.place(context, there.image, tile, view, ratio);
        } else if (needed) missing.push({ key, level, ...tile });
      }
    }
    this.sharp = missing.every((tile) => tile.level !== sharp);
    this.fetch(missing);
  }

  /** Columns and rows of a level that the view shows, with the photo pixels they cover. */
  *inSight(level, view) {
    const { width, height } = this.photo;
    const across = Math.ceil(width / 2 ** level);
    const down = Math.ceil(height / 2 ** level);
    const step = TILE * 2 ** level; // photo pixels a tile: a level's pixel is exactly 2^level of them
    const [x0, y0] = view.toPhoto([0, 0]);
    const [x1, y1] = view.toPhoto([view.width, view.height]);
    const lastColumn = Math.min(Math.ceil(across / TILE) - 1, Math.floor((x1 + 0.5) / step));
    const lastRow = Math.min(Math.ceil(down / TILE) - 1, Math.floor((y1 + 0.5) / step));
    for (let row = Math.max(0, Math.floor((y0 + 0.5) / step)); row <= lastRow; row += 1) {
      for (let column = Math.max(0, Math.floor((x0 + 0.5) / step)); column <= lastColumn; column += 1) {
        yield { column, row, step };
      }
    }
  }

  /** Draw one tile on whole device pixels, so that neighbours meet without a seam. */
  place(context, image, { column, row, step }, view, ratio) {
    const { scale, left, top } = view;
    const x0 = Math.round((left + column * step * scale) * ratio);
    const y0 = Math.round((top + row * step * scale) * ratio);
    const x1 = Math.round((left + (column + image.width / TILE) * step * scale) * ratio);
    const y1 = Math.round((top + (row + image.height / TILE) * step * scale) * ratio);
    context.drawImage(image, x0, y0, x1 - x0, y1 - y0);
  }

  /** Fetch the blurred ones first, drop what is no longer in sight. */
  fetch(missing) {
    const keys = new Set(missing.map((tile) => tile.key));
    for (const [key, stop] of this.loading) {
      if (keys.has(key)) continue;
      stop.abort();
      this.loading.delete(key);
    }
    this.wanted = missing;
    this.next();
  }

  next() {
    for (const tile of this.wanted) {
      if (this.loading.size >= AT_ONCE) return;
      const failed = this.absent.get(tile.key);
      if (this.loading.has(tile.key) || this.held.has(tile.key)) continue;
      if (failed && performance.now() - failed < 3000) continue;
      this.load(tile);
    }
  }

  async load({ key, level, column, row }) {
    const stop = new AbortController();
    this.loading.set(key, stop);
    try {
      const image = await bitmap(tilePath(this.photo, level, column, row), stop.signal);
      if (stop.signal.aborted) return image.close();
      this.keep(key, image);
      this.arrived();
    } catch (failure) {
      if (failure.name !== "AbortError") {
        this.absent.set(key, performance.now());
        setTimeout(() => this.arrived(), 3100);
      }
    } finally {
      if (this.loading.get(key) === stop) this.loading.delete(key);
      this.next();
    }
    return undefined;
  }

  keep(key, image) {
    const bytes = image.width * image.height * 4;
    this.held.set(key, { image, bytes });
    this.bytes += bytes;
    for (const [old, tile] of this.held) {
      if (this.bytes <= MOST_BYTES) break;
      this.held.delete(old);
      this.bytes -= tile.bytes;
      tile.image.close();
    }
  }
}
