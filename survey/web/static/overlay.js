// What is drawn over the photo: targets, marks, predicted spots, the draft and the cross-hair.

import { Labels } from "./labels.js";
import { CORES, arms, edgeLook, stroke, trace } from "./lines.js";
import { markName, marksIn, state, vertices, visit } from "./store.js";
import { distance, middleOf } from "./view.js";

/** Draw everything. Canvas units are CSS pixels. */
export function drawOverlay(context, view, draft, held, hovered = null) {
  labels = new Labels();
  const under = hovered ? hitMark(view, hovered, 12)?.mark.id : null;
  drawTargets(context, view);
  drawPredictions(context, view);
  for (const mark of marksIn(state.photo)) if (mark.id !== held?.moves) drawMark(context, view, mark, mark.id === under);
  drawHelp(context, view);
  if (held) labels.keep(...view.toScreen(held.px));
  labels.draw(context, view);
  if (draft.length) drawDraft(context, view, draft, held);
  if (held) drawHair(context, view, held);
}

let labels = null;

function path(context, view, points, closed = false) {
  trace(context, points.map((px) => view.toScreen(px)), closed);
}

function drawTargets(context, view) {
  const photo = state.visit?.photos.find((one) => one.name === state.photo);
  for (const target of photo?.targets ?? []) {
    if (!target.outline_px?.length) continue;
    path(context, view, target.outline_px, true);
    stroke(context, CORES.target);
    const [x, y] = view.toScreen(lowest(target.outline_px));
    labels.add(target.name, x, y, 1);
  }
}

const lowest = (points) => points.reduce((best, px) => (px[1] > best[1] ? px : best));

function drawMark(context, view, mark, under) {
  const chosen = mark.id === state.selected;
  const points = vertices(mark);
  if (mark.kind === "point") {
    const [x, y] = view.toScreen(points[0]);
    drawSpot(context, x, y, chosen);
    labels.keep(x, y);
    labels.add(markName(mark), x, y, chosen || under ? 3 : 2, chosen);
    return;
  }
  const edge = mark.kind === "edge" ? visit().edges.find((one) => joins(one, mark)) : null;
  const dash = mark.kind === "edge" ? edgeLook(edge?.kind).dash : mark.kind === "gravity" ? [5, 3] : [2, 2];
  path(context, view, points, mark.kind === "outline");
  stroke(context, CORES[mark.direction ?? mark.kind], { width: chosen ? 4 : 3, dash });
  for (const px of points) drawEnd(context, ...view.toScreen(px), chosen);
  const [x, y] = view.toScreen(middleOf(points));
  const letter = edge ? `${edgeLook(edge.kind).letter} ` : "";
  labels.add(letter + markName(mark), x, y, chosen || under ? 3 : 1, chosen);
}

const joins = (edge, mark) => (edge.start === mark.start && edge.end === mark.end)
  || (edge.start === mark.end && edge.end === mark.start);

/** A named point: a ring with four ticks that leave the spot itself free. */
function drawSpot(context, x, y, chosen) {
  context.beginPath();
  context.arc(x, y, 10, 0, 2 * Math.PI);
  arms(context, [x, y], 4, 16);
  stroke(context, chosen ? CORES.selected : CORES.point, { width: chosen ? 3 : 2 });
}

function drawEnd(context, x, y, chosen) {
  context.beginPath();
  context.rect(x - 4, y - 4, 8, 8);
  context.fillStyle = chosen ? "#ffd400" : "#fff";
  context.strokeStyle = "#000";
  context.lineWidth = 2;
  context.fill();
  context.stroke();
}

/** Where the adjustment expects points that this photo has no mark of. */
export function openPredictions() {
  if (state.predictions.photo !== state.photo) return [];
  const now = visit();
  const there = new Set(marksIn(state.photo).filter((mark) => mark.kind === "point").map((mark) => mark.point));
  const pressed = new Set([...now.planes.flatMap((plane) => plane.outline), ...now.marks.map((mark) => mark.point),
    ...[...now.outlets, ...now.penetrations].map((one) => one.at)]); // not the spots where a rod stood
  return state.predictions.points.filter((spot) => pressed.has(spot.name) && !there.has(spot.name));
}

function drawPredictions(context, view) {
  for (const spot of openPredictions()) {
    const [x, y] = view.toScreen(spot.px);
    const { a_px: a, b_px: b, angle_rad: angle } = spot.ellipse;
    context.beginPath();
    context.ellipse(x, y, Math.max(9, a * view.scale), Math.max(9, b * view.scale), angle, 0, 2 * Math.PI);
    stroke(context, CORES.predicted, { width: 2, dash: [3, 3] });
    labels.keep(x, y);
    labels.add(`${spot.name}?`, x, y, 2.5);
  }
}

/** The residual that sticks out most, and where one more mark would help most. */
function drawHelp(context, view) {
  for (const help of state.result?.help_most ?? []) {
    const spot = help.photo === state.photo ? openPredictions().find((one) => help.what?.includes(`'${one.name}'`)) : null;
    if (!spot) continue;
    const [x, y] = view.toScreen(spot.px);
    labels.add(`mark ${spot.name}: helps most`, x, y, 3, true);
    break;
  }
  const worst = state.result?.worst;
  const mark = worst && worst.photo === state.photo ? marksIn(state.photo).find((one) => one.id === worst.id) : null;
  if (!mark || Math.abs(worst.standardised) < 2.5) return;
  const [x, y] = view.toScreen(middleOf(vertices(mark)));
  labels.add("! look again", x, y, 3, true);
}

function drawDraft(context, view, draft, held) {
  path(context, view, held && !held.moves ? [...draft, held.px] : draft);
  stroke(context, CORES.point, { width: 2, dash: [4, 2] });
  for (const px of draft) drawEnd(context, ...view.toScreen(px), true);
}

/** The cross-hair of a press or of the keyboard: long lines, the spot itself free. */
function drawHair(context, view, held) {
  context.beginPath();
  arms(context, view.toScreen(held.px), 6, 60);
  stroke(context, CORES.point);
}

/** The mark nearest to a screen place within `radius`: {mark, vertex}, or null. */
export function hitMark(view, place, radius, skip = null) {
  let best = null;
  for (const mark of marksIn(state.photo)) {
    if (mark.id === skip) continue;
    const points = vertices(mark).map((px) => view.toScreen(px));
    points.forEach((at, vertex) => {
      const far = distance(at, place);
      if (far <= radius && (!best || far < best.far)) best = { mark, vertex, far };
    });
    if (mark.kind === "point") continue;
    const sides = mark.kind === "outline" ? points.length : points.length - 1;
    for (let at = 0; at < sides; at += 1) {
      const far = farFrom(place, points[at], points[(at + 1) % points.length]) + 2; // corners go first
      if (far <= radius && (!best || far < best.far)) best = { mark, vertex: null, far };
    }
  }
  return best;
}

function farFrom([x, y], [x0, y0], [x1, y1]) {
  const along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / ((x1 - x0) ** 2 + (y1 - y0) ** 2 || 1);
  const at = Math.min(1, Math.max(0, along));
  return Math.hypot(x - x0 - at * (x1 - x0), y - y0 - at * (y1 - y0));
}

/** The predicted spot nearest to a screen place, within its ellipse or `radius`. */
export function hitPrediction(view, place, radius) {
  let best = null;
  for (const spot of openPredictions()) {
    const at = view.toScreen(spot.px);
    const far = distance(at, place);
    const reach = Math.max(radius, Math.min(80, spot.ellipse.a_px * view.scale));
    if (far <= reach && (!best || far < best.far)) best = { spot, far };
  }
  return best?.spot ?? null;
}
