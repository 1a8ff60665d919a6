// Which names a new mark may have: those the visit already knows go first.

import { marksIn, state, visit } from "./store.js";
import { openPredictions } from "./overlay.js";

/** Points of the visit without a mark in the photo: predicted ones first, then corners in order. */
export function offeredNames() {
  const now = visit();
  if (!now) return [];
  const there = new Set(marksIn(state.photo).filter((mark) => mark.kind === "point").map((mark) => mark.point));
  const corners = now.planes.flatMap((plane) => plane.outline);
  const known = new Set([...corners, ...openPredictions().map((spot) => spot.name), ...now.points]);
  return [...known].filter((name) => !there.has(name));
}

/** Corners of planes and what is marked elsewhere; not every spot that a rod stood on. */
export function likelyNames() {
  const now = visit();
  const likely = new Set([...now.planes.flatMap((plane) => plane.outline),
    ...openPredictions().map((spot) => spot.name), ...now.marks.map((mark) => mark.point)]);
  return offeredNames().filter((name) => likely.has(name));
}

/** Corners that this photo has no mark of and that fewer than three photos show. */
export function cornersWanted() {
  const now = visit();
  const corners = new Set(now.planes.flatMap((plane) => plane.outline));
  const shown = (name) => now.marks.filter((mark) => mark.point === name).length;
  return offeredNames().filter((name) => corners.has(name) && shown(name) < 3 && !hidden.has(`${state.photo}\n${name}`));
}

const hidden = new Set();

/** Note that a corner can't be seen in this photo, for as long as the page is open. */
export function notInSight(name) {
  hidden.add(`${state.photo}\n${name}`);
}

/** The next letter that no point has. */
export function freshName() {
  const used = new Set([...visit().points, ...visit().planes.flatMap((plane) => plane.outline),
    ...visit().marks.map((mark) => mark.point)]);
  for (let round = 0; ; round += 1) {
    for (const letter of "ABCDEFGHJKLMNPQRSTUVWXYZ") {
      const name = round ? `${letter}${round}` : letter;
      if (!used.has(name)) return name;
    }
  }
}

/** The name that the next press gives. */
export function nextName() {
  if (state.options.name) return state.options.name;
  if (state.tool === "roof") return freshName();
  return cornersWanted()[0] ?? likelyNames()[0] ?? freshName();
}

/** A name such as "ring 2" that nothing of the visit has. */
export function numbered(word) {
  const now = visit();
  const used = new Set([...now.points, ...now.marks.map((mark) => mark.name),
    ...now.outlets.map((one) => one.name), ...now.penetrations.map((one) => one.name)]);
  let number = 1;
  while (used.has(`${word} ${number}`)) number += 1;
  return `${word} ${number}`;
}

/** All sides of all planes: {start, end, plane, kind}, each pair once. */
export function sides() {
  const now = visit();
  const found = new Map();
  for (const plane of now?.planes ?? []) {
    plane.outline.forEach((start, at) => {
      const end = plane.outline[(at + 1) % plane.outline.length];
      const key = [start, end].sort().join("\n");
      if (!found.has(key)) found.set(key, { start, end, plane: plane.name, edge: edgeBetween(start, end) });
    });
  }
  return [...found.values()];
}

export const edgeBetween = (start, end) => visit().edges.find((edge) =>
  (edge.start === start && edge.end === end) || (edge.start === end && edge.end === start)) ?? null;
