// What the next press means: the tool, its name, and the few questions that belong to it.

import { button, byId, el, labelled, refill } from "./dom.js";
import { edgeForm } from "./edgeform.js";
import { edgeLook } from "./lines.js";
import { edgeBetween, nextName, likelyNames, offeredNames, sides } from "./names.js";
import { marksIn, on, setTool, state, tell, visit } from "./store.js";

const TOOLS = [
  ["point", "Corner"], ["edge", "Edge"], ["plumb", "Plumb line"], ["level", "Level line"],
  ["outline", "Stain or damage"], ["outlet", "Outlet"], ["penetration", "Penetration"], ["roof", "New roof"],
];
const TOLD = {
  point: "Press a corner. Hold to see it enlarged, lift to set it.",
  edge: "Press two places anywhere along the edge. Its ends may be hidden.",
  plumb: "Press both ends of a line that is plumb in truth: a wall corner, a door frame.",
  level: "Press both ends of a line that is level in truth: a sill, a course of siding.",
  outline: "Press around it; press the first corner again to close.",
  outlet: "Press where the water leaves.",
  penetration: "Press its middle, where it meets the roof.",
  roof: "Press its corners one after another, beginning at the left end of the eave.",
};

let stage = null;

export function startTools(withStage) {
  stage = withStage;
  on("visit sync tool photo predictions", draw);
}

const choose = (tool) => () => {
  stage.marking.abandon();
  setTool(tool, { name: null });
  stage.focus();
};

function draw() {
  const now = visit();
  if (!now) return;
  const begun = now.marks.length > 0;
  refill(byId("panel-mark"),
    begun ? el("fieldset", { class: "tools" }, el("legend", { text: "The next press marks" }),
      TOOLS.map(([tool, words]) => button(words, choose(tool), { pressed: state.tool === tool, key: `tool ${tool}` }))) : null,
    el("p", { class: "told", text: TOLD[state.tool] }),
    questions(now),
    begun ? snapping() : null,
    ...asked(),
    begun ? edges(now) : null);
}

/** The questions that belong to the tool. */
function questions(now) {
  switch (state.tool) {
    case "point": return names();
    case "roof": return roofName();
    case "edge": return whichSide();
    case "level": return labelled("It runs along", {
      value: state.options.on ?? now.targets[0]?.name ?? "", "data-key": "level on",
      on: { change: (event) => { state.options.on = event.target.value; } },
    }, [...now.targets, ...now.planes.filter((plane) => plane.kind === "wall"), ...now.edges].map((one) => one.name));
    case "outline": return outlineQuestions(now);
    case "outlet": return kindOf("outlet", ["roof drain", "scupper", "overflow drain", "overflow scupper", "gutter"]);
    case "penetration": return kindOf("pipe", ["pipe", "vent", "chimney", "skylight", "curb"]);
    default: return null;
  }
}

/** Names that the visit has and this photo lacks, one press each; any other can be typed. */
function names() {
  const offered = likelyNames();
  const next = nextName();
  const field = labelled("Another name", { value: offered.includes(next) ? "" : next, maxlength: 60, list: "all-points", "data-key": "other name",
    on: { change: (event) => { setTool("point", { name: event.target.value.trim() || null }); } } });
  return el("div", {},
    el("div", { class: "chips", role: "group", "aria-label": "Name of the next corner" },
      offered.slice(0, 24).map((name) => button(name, () => {
        setTool("point", { name });
        stage.focus();
      }, { pressed: name === next, key: `name ${name}`, label: `Next corner is ${name}` }))),
    field, el("datalist", { id: "all-points" }, offeredNames().map((name) => el("option", { value: name }))));
}

function roofName() {
  const corners = stage.marking.roofCorners();
  return el("div", {},
    labelled("Name of the roof", { value: state.options.planeName ?? "", placeholder: "roof", maxlength: 60, "data-key": "roof name",
      on: { change: (event) => { state.options.planeName = event.target.value.trim(); } } }),
    corners.length ? el("p", { text: `Corners so far: ${corners.join(", ")}` }) : null,
    corners.length > 2 ? button("Close the outline", () => stage.marking.close(), { look: "main", key: "close roof" }) : null);
}

function whichSide() {
  const all = sides();
  const there = new Set(marksIn(state.photo).filter((mark) => mark.kind === "edge").map((mark) => [mark.start, mark.end].sort().join("\n")));
  const open = all.filter((side) => !there.has([side.start, side.end].sort().join("\n")));
  const value = state.options.edge ?? `${(open[0] ?? all[0])?.start}\n${(open[0] ?? all[0])?.end}`;
  state.options.edge = value;
  return labelled("Which edge", { value, "data-key": "which edge",
    on: { change: (event) => { state.options.edge = event.target.value; } } },
  all.map((side) => [`${side.start}\n${side.end}`, `${side.start}–${side.end}${side.edge ? `, ${side.edge.kind}` : ""}`]));
}

function outlineQuestions(now) {
  const set = (key) => (event) => { state.options[key] = event.target.value || null; };
  return el("div", { class: "pair" },
    labelled("What it is", { value: state.options.purpose, "data-key": "purpose", on: { change: set("purpose") } }, ["tide line", "damage", "penetration"]),
    labelled("On", { value: state.options.plane ?? now.planes[0]?.name ?? "", "data-key": "outline plane", on: { change: set("plane") } }, now.planes.map((plane) => plane.name)),
    labelled("Name, if it has one", { value: state.options.title ?? "", maxlength: 60, "data-key": "outline name", on: { change: set("title") } }),
    stage.marking.draft.length > 2 ? button("Close the outline", () => stage.marking.close(), { look: "main", key: "close outline" }) : null);
}

const kindOf = (key, kinds) => labelled("Kind", { value: state.options[key] ?? kinds[0], "data-key": `kind of ${key}`,
  on: { change: (event) => { state.options[key] = event.target.value; } } }, kinds);

function snapping() {
  const box = el("input", { type: "checkbox", id: "snap", "data-key": "snap",
    on: { change: () => { state.options.snap = box.checked; } } });
  box.checked = state.options.snap;
  return el("p", { class: "check" }, box, el("label", { for: "snap", text: "Snap to the edge or corner beside the press" }));
}

/** What is asked of an edge that was just marked, or chosen. */
function asked() {
  const [start, end] = state.options.ask ?? [];
  return start ? [edgeForm(start, end, () => { state.options.ask = null; tell("tool"); })] : [];
}

/** Every edge with its line, letter and kind; a press opens its form. */
function edges() {
  const all = sides();
  if (!all.length) return null;
  return el("section", { class: "edges" }, el("h3", { text: "Edges" }), el("ul", {}, all.map(({ start, end }) => {
    const edge = edgeBetween(start, end);
    const look = edgeLook(edge?.kind);
    const offset = edge?.marked_as ? `, marked at the ${edge.marked_as}` : "";
    return el("li", {}, el("button", { type: "button", class: "row", "data-key": `edge ${start} ${end}`,
      on: { click: () => {
        state.options.ask = [start, end];
        tell("tool");
        byId("panel-mark").querySelector(".edge-form select").focus();
      } } },
    el("span", { class: "letter", text: look.letter, "aria-hidden": "true" }),
    el("span", { text: `${start}–${end}: ${edge?.kind ?? "unknown"}${offset}` })));
  })));
}
