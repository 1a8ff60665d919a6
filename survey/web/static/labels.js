// Names beside their marks, never over a mark or each other. What finds no room is left out until its
// mark is chosen or under the pointer.

import { stroke, tag, trace } from "./lines.js";

const HIGH = 24; // CSS pixels of a tag
const FREE = 13; // about a spot that stays free
const MOST = 60; // names at once; more of them tell nothing

export class Labels {
  constructor() {
    this.wanted = [];
    this.spots = [];
  }

  /** A spot that no name may cover. */
  keep(x, y) {
    this.spots.push([x - FREE, y - FREE, 2 * FREE, 2 * FREE]);
  }

  /** A name for the spot at x, y; `weight` 3 is drawn in any case, less only where there is room. */
  add(words, x, y, weight, inverse = false) {
    this.wanted.push({ words, x, y, weight, inverse });
  }

  draw(context, { width, height }) {
    context.font = "600 16px system-ui, sans-serif";
    const taken = [];
    const inSight = ({ x, y }) => x > -FREE && y > -FREE && x < width + FREE && y < height + FREE;
    const spots = this.spots.filter(([x, y]) => inSight({ x, y })).slice(0, 4 * MOST);
    for (const one of this.wanted.filter(inSight).sort((a, b) => b.weight - a.weight).slice(0, MOST)) {
      const wide = context.measureText(one.words).width + 12;
      const fits = ([x, y]) => x >= 2 && y >= 2 && x + wide <= width - 2 && y + HIGH <= height - 2;
      const free = ([x, y], others) => others.every((other) => apart([x, y, wide, HIGH], other));
      const near = around(one, wide, NEAR).filter(fits);
      const place = near.find((at) => free(at, taken) && free(at, spots))
        ?? around(one, wide, FAR).find((at) => fits(at) && free(at, taken) && free(at, spots))
        ?? (one.weight >= 3 ? near.find((at) => free(at, taken)) ?? near[0] : null);
      if (!place) continue;
      if (!near.includes(place)) leader(context, one, place, wide);
      one.place = place;
      taken.push([...place, wide, HIGH]);
    }
    for (const { words, place, inverse } of this.wanted) if (place) tag(context, words, ...place, { inverse });
  }
}

/** Places of a tag about its spot, the best first: sides and offsets. */
const NEAR = [[1, -36], [1, 12], [-1, -36], [-1, 12], [0, -46], [0, 22], [1, -12], [-1, -12]];
const FAR = [[1, -66], [1, 42], [-1, -66], [-1, 42], [0, -76], [0, 52]];

const around = ({ x, y }, wide, offsets) =>
  offsets.map(([side, dy]) => [x + (side > 0 ? 16 : side < 0 ? -16 - wide : -wide / 2), y + dy]);

/** A line from a name that stands farther off to its spot. */
function leader(context, { x, y }, [left, top], wide) {
  const to = [Math.max(left, Math.min(x, left + wide)), top > y ? top : top + HIGH];
  const far = Math.hypot(to[0] - x, to[1] - y) || 1;
  trace(context, [[x + (to[0] - x) / far * FREE, y + (to[1] - y) / far * FREE], to]);
  stroke(context, "#fff");
}

const apart = ([x, y, w, h], [a, b, c, d]) => x + w + 3 <= a || a + c + 3 <= x || y + h + 3 <= b || b + d + 3 <= y;
