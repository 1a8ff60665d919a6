// What a person knows of an edge: what it is, what was pointed at, and how far that stands off.

import { button, el, labelled } from "./dom.js";
import { EDGE_LOOKS } from "./lines.js";
import { edgeBetween } from "./names.js";
import { act } from "./queue.js";
import { visit } from "./store.js";
import { writtenLength } from "./units.js";

const KINDS = Object.keys(EDGE_LOOKS);
const MEETS = ["", "open", "gutter", "wall", "parapet", "curb", "chimney", "gravel stop", "steep roof", "upper roof", "lower roof", "roof"];
const POINTED = ["", "roof edge", "fascia", "drip edge", "gutter lip"];

/** The form of the edge between two corners. Every answer is written as it is given. */
export function edgeForm(start, end, close) {
  const now = visit();
  const edge = edgeBetween(start, end) ?? {};
  const put = (values) => act({ kind: "put edge", edge: { between: [start, end], ...values } }, `${start}–${end} written down`);
  const key = (word) => `${word} ${start} ${end}`;
  const choice = (words, name, choices) => labelled(words, { value: edge[name] ?? "", "data-key": key(name),
    on: { change: (event) => put({ [name]: event.target.value || null }) } }, choices);
  const bases = [...now.targets, ...now.planes.filter((plane) => plane.kind === "wall")].map((one) => one.name);
  const from = labelled("Counted from the face of", { value: edge.offset_from ?? bases[0] ?? "", "data-key": key("from"),
    on: { change: () => saveOffset() } }, bases);
  const offset = labelled("It stands off towards the viewer by", { value: writtenLength(edge.offset_m, now.units),
    placeholder: now.units === "metric" ? "300 mm" : "12 in", "data-key": key("offset"), on: { change: () => saveOffset() } });
  const saveOffset = () => {
    const text = offset.input.value.trim();
    put(text ? { offset: text, offset_from: from.input.value } : { offset: null, offset_from: null });
  };
  const tick = (name, words) => {
    const box = el("input", { type: "checkbox", id: key(name).replaceAll(" ", "-"), "data-key": key(name),
      on: { change: () => put({ [name]: box.checked ? true : null }) } });
    box.checked = edge[name] === true;
    return el("p", { class: "check" }, box, el("label", { for: box.id, text: words }));
  };
  return el("section", { class: "edge-form", "aria-label": `Edge ${start}–${end}` },
    el("h3", { text: `Edge ${start}–${end}` }),
    el("div", { class: "pair" },
      choice("It is", "kind", KINDS), choice("Beyond it", "meets", MEETS),
      choice("What was pressed", "marked_as", withOwn(POINTED, edge.marked_as)), from, offset),
    el("p", { class: "aside", text: "Left empty, the distance counts as not known. It is never taken as 0." }),
    tick("level", "It is level"), tick("plumb", "It is plumb"),
    button("Done", close, { key: key("done") }));
}

const withOwn = (choices, own) => (own && !choices.includes(own) ? [...choices, own] : choices);
