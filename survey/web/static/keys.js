// Everything that can be done with the photo by keys, while the photo has the focus.

import { announce } from "./dom.js";
import { turnBack } from "./history.js";
import { openPredictions } from "./overlay.js";
import { act } from "./queue.js";
import { marksIn, markById, markName, select, state } from "./store.js";

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

export function attachKeys(canvas, view, marking, gestures) {
  canvas.addEventListener("keydown", (event) => {
    if (pressed(event, view, marking, gestures)) event.preventDefault();
  });
  canvas.addEventListener("keyup", (event) => {
    if (event.key === " ") gestures.spaced = false;
  });
  window.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.target.matches("input, select, textarea")) return;
    const key = event.key.toLowerCase();
    if (key !== "z" && key !== "y") return;
    event.preventDefault();
    if (!marking.abandon()) turnBack(key === "y" || event.shiftKey ? "redo" : "undo");
  });
}

function pressed(event, view, marking, gestures) {
  const { key } = event;
  const middle = marking.held?.place ?? view.middle();
  const by = arrow(event, view);
  if (by) {
    marking.nudge(...by);
    return true;
  }
  if (event.ctrlKey || event.metaKey) return false;
  switch (key) {
    case " ": gestures.spaced = true; return true;
    case "Enter": enter(view, marking); return true;
    case "Escape": if (!marking.abandon()) select(null); return true;
    case "+": case "=": marking.zoom(1.5, middle); return true;
    case "-": case "_": marking.zoom(1 / 1.5, middle); return true;
    case "0": view.fit(); marking.look(); return true;
    case "n": case "N": nextSpot(view, marking); return true;
    case "[": step(-1, view, marking); return true;
    case "]": step(1, view, marking); return true;
    case "c": case "C": marking.close(); return true;
    case "Delete": case "Backspace": remove(); return true;
    default: return false;
  }
}

/** Arrows: 1 photo pixel, Shift 10, Alt a tenth, Ctrl a twelfth of what is in sight. */
export function arrow(event, view) {
  const far = Math.min(view.width, view.height) / 12 / view.scale;
  const by = event.altKey ? 0.1 : event.shiftKey ? 10 : event.ctrlKey || event.metaKey ? far : 1;
  return ARROWS[event.key]?.map((value) => value * by);
}

function enter(view, marking) {
  if (marking.held) marking.commit();
  else if (!nextSpot(view, marking)) marking.hairAt(view.toPhoto(view.middle()));
}

/** Put the cross-hair on the next predicted spot, so that Enter confirms it. */
function nextSpot(view, marking) {
  const spots = openPredictions();
  if (!spots.length) return false;
  const at = spots.findIndex((spot) => spot.name === marking.held?.name);
  const spot = spots[(at + 1) % spots.length];
  view.centreOn(spot.px, Math.min(1, view.fitScale() * 4));
  marking.hairAt(spot.px, spot.name);
  announce(`${spot.name} is expected here; Enter sets it`);
  return true;
}

function step(by, view, marking) {
  const marks = marksIn(state.photo);
  if (!marks.length) return;
  const at = marks.findIndex((mark) => mark.id === state.selected);
  const mark = marks[(at + by + marks.length) % marks.length];
  marking.abandon();
  select(mark.id);
  announce(`${markName(mark)} chosen`);
}

function remove() {
  const mark = markById(state.selected);
  if (!mark) return;
  select(null);
  act({ kind: "remove mark", id: mark.id }, `${markName(mark)} removed; undo brings it back`);
}
