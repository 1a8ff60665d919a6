// Plans from above: one of all roofs, and one of each with its edges, their lengths and its water.

import { el, svg } from "./dom.js";
import { EDGE_LOOKS, edgeLook } from "./lines.js";
import { shortText } from "./units.js";
import { middleOf } from "./view.js";
import { drawWater } from "./water.js";

const TALL = 420; // of the drawing's own units; letters are 16 of them, and never smaller on the screen
const LONG_NAME = 3; // letters; longer ones get a row of their own

const widthNow = () => Math.max(260, Math.min(420, document.documentElement.clientWidth - 46));

/** Fit points into the drawing: {put, height}. */
function frame(points, beside, above) {
  const wide = widthNow();
  const [x0, y0] = [0, 1].map((axis) => Math.min(...points.map((at) => at[axis])));
  const [x1, y1] = [0, 1].map((axis) => Math.max(...points.map((at) => at[axis])));
  const scale = Math.min((wide - 2 * beside) / Math.max(x1 - x0, 0.1), (TALL - 2 * above) / Math.max(y1 - y0, 0.1));
  const left = (wide - (x1 - x0) * scale) / 2;
  return {
    put: ([x, y]) => [left + (x - x0) * scale, above + (y1 - y) * scale],
    height: Math.round((y1 - y0) * scale + 2 * above),
  };
}

/** The planes of a result that can be drawn from above: [{measured, outline}]. */
function roofs(now) {
  const shapes = new Map((now.plan?.planes ?? []).map((plane) => [plane.name, plane.outline_m]));
  return now.result.planes.filter((plane) => plane.kind !== "wall")
    .map((measured) => ({ measured, outline: shapes.get(measured.name) ?? measured.outline_site }))
    .filter(({ outline }) => outline?.length > 2 && outline.every(Boolean));
}

/** All roofs in one drawing, with names and pitches; nothing where there is only one. */
export function drawRoofs(now, units) {
  const drawn = roofs(now);
  if (drawn.length < 2) return null;
  const { put, height } = frame(drawn.flatMap(({ outline }) => outline), 24, 24);
  const kinds = new Set();
  const parts = drawn.flatMap(({ measured, outline }) => {
    const points = outline.map(put);
    return [...surface(points), ...sides(measured, points, now.result, kinds).map(({ line }) => line), ...title(measured, middleOf(points), units)];
  });
  const words = drawn.map(({ measured }) => `${measured.name}, pitch ${shortText(measured.pitch, units)}`).join("; ");
  return figure(parts, height, `All roofs from above: ${words}`, kinds);
}

/** One roof with everything that is measured of it. */
export function drawRoof(now, name, units) {
  const found = roofs(now).find(({ measured }) => measured.name === name);
  if (!found) return null;
  const { measured, outline } = found;
  const long = measured.outline.some((corner) => corner.length > LONG_NAME);
  const { put, height } = frame(outline, 44, 72);
  const points = outline.map(put);
  const middle = middleOf(points);
  const kinds = new Set();
  const edges = sides(measured, points, now.result, kinds);
  const parts = [
    ...surface(points),
    ...drawWater(measured, outline, put),
    ...edges.flatMap(({ line }) => line),
    ...edges.flatMap(({ from, to, edge }) => dimension(from, to, middle, edge, units)),
    ...points.flatMap((at, index) => corner(at, middle, measured.outline[index], long)),
    ...fall(measured, middle, 0),
  ];
  const words = edges.filter(({ edge }) => edge).map(({ edge }) => `${edge.kind} ${edge.start} to ${edge.end} ${shortText(edge.length, units)}`).join("; ");
  return figure(parts, height, `${name} from above: ${words}`, kinds);
}

function figure(parts, height, label, kinds) {
  return el("figure", { class: "plan" },
    svg("svg", { viewBox: `0 0 ${widthNow()} ${height}`, role: "img", "aria-label": label }, parts),
    el("figcaption", {}, [...kinds].map((kind) => el("span", { class: "key" }, sample(kind), `${edgeLook(kind).letter} ${kind}`))));
}

const surface = (points) => [svg("polygon", { class: "roof", points: points.map((at) => at.join(",")).join(" ") })];

function sides(measured, points, result, kinds) {
  const names = measured.outline;
  return points.map((from, at) => {
    const to = points[(at + 1) % points.length];
    const ends = [names[at], names[(at + 1) % names.length]];
    const edge = result.edges.find((one) => ends.includes(one.start) && ends.includes(one.end)) ?? null;
    const look = edgeLook(edge?.kind);
    kinds.add(edge?.kind ?? "unknown");
    const line = svg("line", { x1: from[0], y1: from[1], x2: to[0], y2: to[1], stroke: look.colour, "stroke-width": 4,
      "stroke-dasharray": look.dash.map((part) => part * 4).join(" ") || null });
    return { from, to, edge, line };
  });
}

/** The length beside its edge, turned along it, outside the roof. */
function dimension(from, to, middle, edge, units) {
  if (!edge) return [];
  const at = [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2];
  let angle = Math.atan2(to[1] - from[1], to[0] - from[0]) * 180 / Math.PI;
  if (angle > 90 || angle < -90) angle += 180;
  const normal = [to[1] - from[1], from[0] - to[0]];
  const side = Math.sign((at[0] - middle[0]) * normal[0] + (at[1] - middle[1]) * normal[1]) || 1;
  const off = 20 * side / (Math.hypot(...normal) || 1);
  const place = `translate(${at[0] + normal[0] * off} ${at[1] + normal[1] * off}) rotate(${angle})`;
  const { letter } = edgeLook(edge.kind);
  const words = `${letter} ${shortText(edge.length, units)}`;
  const fits = words.length * 8.5 < Math.hypot(...normal) + 80; // else it stands in the list only
  return [svg("text", { class: "dimension", transform: place, y: 5, text: fits ? words : letter })];
}

/** A corner with its name: beside it if short, else in a row beyond the lengths. */
function corner([x, y], middle, name, long) {
  const dot = svg("circle", { class: "corner", cx: x, cy: y, r: 5 });
  const away = [x - middle[0], y - middle[1]];
  const far = Math.hypot(...away) || 1;
  if (!long) return [dot, svg("text", { x: x + away[0] / far * 18, y: y + away[1] / far * 18 + 5, text: name })];
  const left = away[0] < 0;
  const fits = widthNow() / 2 - 12;
  const row = svg("text", { class: left ? "name-left" : "name-right", x: left ? 8 : widthNow() - 8, y: y + (away[1] < 0 ? -44 : 54), text: name });
  if (name.length * 9 > fits) {
    row.setAttribute("textLength", fits);
    row.setAttribute("lengthAdjust", "spacingAndGlyphs");
  }
  return [dot, row];
}

function title(measured, [x, y], units) {
  return [svg("text", { class: "plane-name", x, y: y - 8, text: measured.name }),
    svg("text", { class: "plane-pitch", x, y: y + 14, text: shortText(measured.pitch, units) }),
    ...fall(measured, [x, y], 24 + 30 * Math.abs(Math.sin(measured.fall_azimuth?.value ?? 0)))];
}

/** An arrow the way that water runs. */
function fall(measured, [x, y], start) {
  const azimuth = measured.fall_azimuth?.value;
  if (azimuth === undefined) return [];
  const [dx, dy] = [Math.sin(azimuth), -Math.cos(azimuth)];
  const [sx, sy, ex, ey] = [x + dx * start, y + dy * start, x + dx * (start + 26), y + dy * (start + 26)];
  const wing = (turn) => `${ex - 10 * Math.cos(Math.atan2(dy, dx) + turn)},${ey - 10 * Math.sin(Math.atan2(dy, dx) + turn)}`;
  return [svg("path", { class: "fall", d: `M${sx},${sy} L${ex},${ey} M${wing(0.5)} L${ex},${ey} L${wing(-0.5)}` })];
}

function sample(kind) {
  const { colour, dash } = EDGE_LOOKS[kind] ?? EDGE_LOOKS.unknown;
  return svg("svg", { class: "sample", viewBox: "0 0 48 8", "aria-hidden": "true" },
    svg("line", { x1: 0, y1: 4, x2: 48, y2: 4, stroke: colour, "stroke-width": 4, "stroke-dasharray": dash.map((part) => part * 4).join(" ") || null }));
}
