// Rod, tape and slope readings as typed on site: one row each, or many at once from a spreadsheet.

import { button, byId, complain, el, labelled, many, refill } from "./dom.js";
import { act } from "./queue.js";
import { drawRoof } from "./plan.js";
import { onSoon, state, visit } from "./store.js";
import { tellWater } from "./water.js";

const COLUMNS = {
  tape: [["point", "From"], ["to", "To"], ["value", "Length"], ["sd", "Sd, if known"], ["note", "Note"]],
  rod: [["setup", "Set-up"], ["point", "Point"], ["along", "Along"], ["up", "Up"], ["plane", "Plane"], ["value", "Rod"], ["note", "Note"]],
  slope: [["plane", "Plane"], ["point", "From"], ["to", "To"], ["value", "Slope"], ["sd", "Sd, if known"], ["note", "Note"]],
};
const EXAMPLES = {
  us: { tape: "12 ft 6-1/2 in", rod: "38-7/16 in", slope: "1/4:12", along: "4 ft", up: "2 ft" },
  metric: { tape: "3.82 m", rod: "976 mm", slope: "1.2 deg", along: "1.2 m", up: "0.6 m" },
};
const KNOWN = ["id", "kind", "setup", "point", "to", "plane", "along", "up", "value", "sd", "note"];

let kind = "tape";
let draft = {};

export function startReadings() {
  onSoon("visit sync result", draw);
}

function draw() {
  const now = visit();
  const panel = byId("panel-readings");
  if (!now) return;
  if (panel.contains(document.activeElement) && document.activeElement.matches("input, textarea")
    && document.activeElement.value) return; // being typed
  refill(panel, adder(now), closures(now), paster(), water(now), list(now));
}

function adder(now) {
  const examples = EXAMPLES[now.units] ?? EXAMPLES.us;
  const setups = now.setups ?? [];
  const fields = COLUMNS[kind].map(([column, words]) => {
    const keep = (event) => { draft[column] = event.target.value; };
    const pasted = (event) => {
      const text = event.clipboardData?.getData("text/plain") ?? "";
      if (!/[\t\n]/.test(text.trim())) return;
      event.preventDefault();
      paste(text, column);
    };
    const attributes = { value: draft[column] ?? "", "data-key": `new ${column}`, on: { input: keep, paste: pasted },
      placeholder: column === "value" ? examples[kind] : examples[column] ?? "" };
    if (column === "plane") return labelled(words, { ...attributes, value: draft.plane ?? (kind === "rod" ? "" : now.planes[0]?.name ?? ""), on: { change: keep } }, ["", ...now.planes.map((plane) => plane.name)]);
    if (column === "setup") attributes.value = draft.setup ?? setups.at(-1)?.name ?? "S1";
    if (["point", "to"].includes(column)) attributes.list = "point-names";
    return labelled(words, attributes);
  });
  const form = el("form", { class: "new-reading", on: { submit: (event) => {
    event.preventDefault();
    add(Object.fromEntries(COLUMNS[kind].map(([column], at) => [column, fields[at].input.value.trim()])));
  } } },
  el("datalist", { id: "point-names" }, now.points.map((name) => el("option", { value: name }))),
  el("div", { class: "chips", role: "group", "aria-label": "Kind of reading" }, ["tape", "rod", "slope"].map((one) =>
    button(one[0].toUpperCase() + one.slice(1), () => { kind = one; draft = {}; draw(); }, { pressed: kind === one, key: `kind ${one}` }))),
  el("div", { class: "pair" }, fields),
  el("button", { type: "submit", class: "main", text: "Write it down", "data-key": "add reading" }));
  return el("section", {}, el("h3", { text: "New reading" }), form);
}

async function add(cells) {
  if (!cells.value) return complain({ error: "the reading has no value", where: kind, cure: "type what the tape, rod or level said" });
  if (!await write([{ kind, ...cells }], `${kind} ${cells.value}`)) return undefined;
  draft = { setup: cells.setup, plane: cells.plane };
  draw();
  return byId("panel-readings").querySelector('[data-key="new point"], [data-key="new plane"]')?.focus();
}

/** How well each set-up closes, said anew at every reading. */
function closures({ levels = [] }) {
  const signs = { closed: "✓", off: "✕", open: "–" };
  return levels.length ? el("section", { class: "closures" }, el("h3", { text: "Closing" }), el("ul", {}, levels.map((one) =>
    el("li", { class: one.state }, el("span", { class: "sign", "aria-hidden": "true", text: `${signs[one.state]} ` }), one.sentence)))) : null;
}

/** The roofs that a rod stood on, with the water that their readings show so far. */
function water(now) {
  const read = new Set(now.readings.filter((one) => one.kind === "rod").map((one) => one.plane));
  const roofs = (state.result?.result?.planes ?? []).filter((plane) => plane.kind !== "wall" && plane.drainage && read.has(plane.name));
  return roofs.map((plane) => el("section", {}, el("h3", { text: `Water on ${plane.name}` }),
    drawRoof(state.result, plane.name, now.units), tellWater(plane, now.units)));
}

function paster() {
  const area = el("textarea", { id: "paste", rows: 3, "data-key": "paste", placeholder: "kind\tpoint\tto\tvalue" });
  return el("details", { class: "paste" }, el("summary", { text: "Paste from a spreadsheet" }),
    el("label", { for: "paste", text: `Paste cells into any field above, or here under a header line: ${KNOWN.join(", ")}` }), area,
    button("Write them down", async () => { if (await paste(area.value)) { area.value = ""; draw(); } }, { key: "paste rows" }));
}

const cellsOf = (text) => text.split(/\r?\n/).filter((line) => line.trim()).map((line) =>
  line.split(line.includes("\t") ? "\t" : /[;,]/).map((cell) => cell.trim().replace(/^"(.*)"$/s, "$1").replaceAll('""', '"')));

/** Rows copied from a spreadsheet: by their header line or, without one, by the fields from `first` on. */
function paste(text, first = COLUMNS[kind][0][0]) {
  let [header = [], ...rows] = cellsOf(text);
  let columns = header.map((cell) => cell.toLowerCase().replace(/\s*\(.*\)$/, ""));
  if (!columns.includes("value")) {
    rows = [header, ...rows];
    header = [];
    columns = COLUMNS[kind].map(([column]) => column);
    columns = columns.slice(columns.indexOf(first));
  }
  const unit = header.map((cell) => cell.match(/\((.*)\)/)?.[1] ?? "");
  const setup = kind === "rod" && !columns.includes("setup") ? { setup: draft.setup ?? "S1" } : {};
  const readings = rows.map((cells) => ({ kind, ...setup, ...Object.fromEntries(cells.map((cell, at) =>
    [columns[at] ?? `cell ${at + 1}`, cell && unit[at] && /^[-\d ./]+$/.test(cell) ? `${cell} ${unit[at]}` : cell]).filter(([column]) => column)) }));
  return write(readings, `${readings.length} readings`);
}

/** Write readings down as one step, with the set-ups that they name for the first time. */
async function write(readings, label) {
  if (!readings.length) return null;
  const known = new Set((state.visit.setups ?? []).map((one) => one.name));
  const setups = new Set(readings.filter((one) => one.kind === "rod" && one.setup && !known.has(one.setup)).map((one) => one.setup));
  const actions = [...[...setups].map((name) => ({ kind: "put setup", setup: { name } })), ...readings.map((reading) => ({ kind: "put reading", reading }))];
  const kept = await act(actions.length === 1 ? actions[0] : { kind: "together", label, actions }, `${label} written down`);
  if (kept) { document.activeElement?.blur?.(); draw(); }
  return kept;
}

function list(now) {
  if (!now.readings.length) return el("p", { text: "No reading yet." });
  const cells = (row) => [row.kind, row.setup, [row.point, row.to].filter(Boolean).join(" to "), row.plane && `on ${row.plane}`,
    (row.along || row.up) && `${row.along || 0} along, ${row.up || 0} up`, row.note].filter(Boolean).join(" · ");
  return el("section", {}, el("h3", { text: many(now.readings.length, "reading") }),
    el("ol", { class: "reading-list" }, now.readings.map((row) => el("li", {},
      el("span", { class: "mark-name", text: row.id }), el("span", { class: "mark-place", text: cells(row) }),
      el("input", { type: "text", class: "value", value: row.value, "aria-label": `Value of ${row.id}`, "data-key": `value ${row.id}`,
        on: { change: (event) => act({ kind: "put reading", reading: { id: row.id, kind: row.kind, value: event.target.value } }, `${row.id} changed`) } }),
      button("Remove", () => act({ kind: "remove reading", id: row.id }, `${row.id} removed; undo brings it back`), { key: `remove ${row.id}`, label: `Remove ${row.id}` })))));
}
