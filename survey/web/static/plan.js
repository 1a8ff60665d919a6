// The plan: every plane from above with its edges by colour, dash and letter, and their lengths.

import { el, svg } from "./dom.js";
import { EDGE_LOOKS, edgeLook } from "./lines.js";
import { shortText } from "./units.js";

const WIDE = 400; // of the drawing's own units; letters are 16 of them

/** A figure with the plan, its key and nothing that needs the mouse. */
export function drawPlan(now, units) {
  const { planes = [] } = now.plan ?? {};
  const drawn = planes.filter((plane) => plane.outline_m?.length > 2);
  if (!drawn.length) return null;
  const all = drawn.flatMap((plane) => plane.outline_m);
  const [x0, y0] = [0, 1].map((axis) => Math.min(...all.map((at) => at[axis])));
  const [x1, y1] = [0, 1].map((axis) => Math.max(...all.map((at) => at[axis])));
  const margin = 64;
  const scale = Math.min((WIDE - 2 * margin) / Math.max(x1 - x0, 0.1), 380 / Math.max(y1 - y0, 0.1));
  const height = (y1 - y0) * scale + 2 * margin;
  const put = ([x, y]) => [margin + (WIDE - 2 * margin - (x1 - x0) * scale) / 2 + (x - x0) * scale, margin + (y1 - y) * scale];
  const kinds = new Set();
  const document = now.result;
  const parts = drawn.flatMap((plane) => drawPlane(plane, document, put, units, kinds));
  const lowSpots = (document.planes ?? []).flatMap((plane) => drawLowSpots(plane, put));
  const words = document.edges.map((edge) => `${edge.kind} ${edge.start}–${edge.end} ${shortText(edge.length, units)}`).join("; ");
  return el("figure", { class: "plan" },
    svg("svg", { viewBox: `0 0 ${WIDE} ${Math.round(height)}`, role: "img", "aria-label": `Plan from above. ${words}` }, parts, lowSpots),
    el("figcaption", {}, [...kinds].map((kind) => el("span", { class: "key" }, sample(kind), `${edgeLook(kind).letter} ${kind}`))));
}

function drawPlane(plane, document, put, units, kinds) {
  const points = plane.outline_m.map(put);
  const measured = document.planes.find((one) => one.name === plane.name);
  const middle = [0, 1].map((axis) => points.reduce((sum, at) => sum + at[axis], 0) / points.length);
  const names = measured?.outline ?? [];
  const parts = [svg("polygon", { class: "roof", points: points.map((at) => at.join(",")).join(" ") })];
  points.forEach((from, at) => {
    const to = points[(at + 1) % points.length];
    const edge = document.edges.find((one) => [one.start, one.end].includes(names[at]) && [one.start, one.end].includes(names[(at + 1) % names.length]));
    const look = edgeLook(edge?.kind);
    kinds.add(edge?.kind ?? "unknown");
    parts.push(svg("line", { x1: from[0], y1: from[1], x2: to[0], y2: to[1], stroke: look.colour, "stroke-width": 4,
      "stroke-dasharray": look.dash.map((part) => part * 4).join(" ") || null }));
    parts.push(...dimension(from, to, middle, look.letter, edge ? shortText(edge.length, units) : ""));
  });
  points.forEach(([x, y], at) => {
    const away = [x - middle[0], y - middle[1]];
    const far = Math.hypot(...away) || 1;
    parts.push(svg("circle", { class: "corner", cx: x, cy: y, r: 5 }),
      svg("text", { class: "corner-name", x: x + away[0] / far * 18, y: y + away[1] / far * 18 + 5, text: names[at] ?? "" }));
  });
  if (measured) {
    parts.push(svg("text", { class: "plane-name", x: middle[0], y: middle[1] - 8, text: plane.name }),
      svg("text", { class: "plane-pitch", x: middle[0], y: middle[1] + 14, text: shortText(measured.pitch, units) }));
    parts.push(...fallArrow(measured, middle));
  }
  return parts;
}

/** The length beside its edge, upright or turned along it, outside the plane. */
function dimension(from, to, middle, letter, words) {
  const at = [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2];
  let angle = Math.atan2(to[1] - from[1], to[0] - from[0]) * 180 / Math.PI;
  if (angle > 90 || angle < -90) angle += 180;
  const out = [at[0] - middle[0], at[1] - middle[1]];
  const normal = [to[1] - from[1], from[0] - to[0]];
  const side = Math.sign(out[0] * normal[0] + out[1] * normal[1]) || 1;
  const long = Math.hypot(...normal) || 1;
  const off = 22 * side / long;
  const [x, y] = [at[0] + normal[0] * off, at[1] + normal[1] * off];
  return [svg("text", { class: "dimension", transform: `translate(${x} ${y}) rotate(${angle})`, y: 5, text: `${letter} ${words}` })];
}

function fallArrow(measured, [x, y]) {
  const azimuth = measured.fall_azimuth?.value;
  if (azimuth === undefined) return [];
  const [dx, dy] = [Math.sin(azimuth), -Math.cos(azimuth)];
  const [ex, ey] = [x + dx * 52, y + dy * 52];
  const wing = (turn) => `${ex - 10 * Math.cos(Math.atan2(dy, dx) + turn)},${ey - 10 * Math.sin(Math.atan2(dy, dx) + turn)}`;
  return [svg("path", { class: "fall", d: `M${x + dx * 24},${y + dy * 24} L${ex},${ey} M${wing(0.5)} L${ex},${ey} L${wing(-0.5)}` })];
}

/** Low spots and contour lines where the readings carry them; both in the plane frame. */
function drawLowSpots(plane, put) {
  const { drainage, outline_site: site, outline_plane: own } = plane;
  if (!drainage || !site?.length || !own?.length) return [];
  const place = toSite(site, own);
  if (!place) return [];
  const ring = (points) => points.map((at) => put(place(at)).join(",")).join(" ");
  const lines = (drainage.contours ?? []).flatMap((one) => (one.lines ?? []).map((line) => svg("polyline", { class: "contour", points: ring(line) })));
  const spots = (drainage.low_spots ?? []).filter((spot) => spot.outline?.length > 2).flatMap((spot) => {
    const [x, y] = put(place(spot.deepest?.point ?? spot.deepest ?? spot.outline[0]));
    return [svg("polygon", { class: `low ${spot.likelihood === "shown" ? "shown" : ""}`, points: ring(spot.outline) }),
      svg("text", { class: "low-name", x, y, text: spot.name })];
  });
  return [...lines, ...spots];
}

/** From the plane frame to the site's plan, by the outline given in both. */
function toSite(site, own) {
  const [o, a] = [own[0], own[1]];
  const third = own.find((at) => Math.abs((a[0] - o[0]) * (at[1] - o[1]) - (a[1] - o[1]) * (at[0] - o[0])) > 1e-6);
  if (!third) return null;
  const b = third;
  const at = own.indexOf(b);
  const det = (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
  return ([u, v]) => {
    const s = ((u - o[0]) * (b[1] - o[1]) - (v - o[1]) * (b[0] - o[0])) / det;
    const t = ((a[0] - o[0]) * (v - o[1]) - (a[1] - o[1]) * (u - o[0])) / det;
    return [0, 1].map((axis) => site[0][axis] + s * (site[1][axis] - site[0][axis]) + t * (site[at][axis] - site[0][axis]));
  };
}

function sample(kind) {
  const { colour, dash } = EDGE_LOOKS[kind] ?? EDGE_LOOKS.unknown;
  return svg("svg", { class: "sample", viewBox: "0 0 48 8", "aria-hidden": "true" },
    svg("line", { x1: 0, y1: 4, x2: 48, y2: 4, stroke: colour, "stroke-width": 4, "stroke-dasharray": dash.map((part) => part * 4).join(" ") || null }));
}
