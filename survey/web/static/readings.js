// Rod, tape and slope readings as typed on site: one row each, or many at once from a spreadsheet.

import { announce, button, byId, complain, el, labelled, refill } from "./dom.js";
import { act } from "./queue.js";
import { on, state, visit } from "./store.js";

const COLUMNS = {
  tape: [["point", "From"], ["to", "To"], ["value", "Length"], ["sd", "sd"], ["note", "Note"]],
  rod: [["setup", "Set-up"], ["point", "Point"], ["along", "Along"], ["up", "Up"], ["plane", "Plane"], ["value", "Rod"], ["note", "Note"]],
  slope: [["plane", "Plane"], ["point", "From"], ["to", "To"], ["value", "Slope"], ["sd", "sd"], ["note", "Note"]],
};
const EXAMPLES = {
  us: { tape: "12 ft 6-1/2 in", rod: "38-7/16 in", slope: "1/4:12", along: "4 ft", up: "2 ft" },
  metric: { tape: "3.82 m", rod: "976 mm", slope: "1.2 deg", along: "1.2 m", up: "0.6 m" },
};
const KNOWN = ["id", "kind", "setup", "point", "to", "plane", "along", "up", "value", "sd", "note"];

let kind = "tape";
let draft = {};

export function startReadings() {
  on("visit sync result", draw);
}

function draw() {
  const now = visit();
  const panel = byId("panel-readings");
  if (!now) return;
  if (panel.contains(document.activeElement) && document.activeElement.matches("input, textarea")
    && document.activeElement.value) return; // being typed
  refill(panel, adder(now), closures(now), paster(), list(now));
}

function adder(now) {
  const examples = EXAMPLES[now.units] ?? EXAMPLES.us;
  const setups = now.setups ?? [];
  const fields = COLUMNS[kind].map(([column, words]) => {
    const keep = (event) => { draft[column] = event.target.value; };
    const attributes = { value: draft[column] ?? "", "data-key": `new ${column}`, on: { input: keep },
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
  const actions = [];
  if (kind === "rod" && cells.setup && !(state.visit.setups ?? []).some((one) => one.name === cells.setup)) {
    actions.push({ kind: "put setup", setup: { name: cells.setup } });
  }
  actions.push({ kind: "put reading", reading: { kind, ...cells } });
  const kept = await act(actions.length === 1 ? actions[0] : { kind: "together", label: `${kind} reading`, actions }, `${kind} ${cells.value} written down`);
  if (!kept) return undefined;
  draft = { setup: cells.setup, plane: cells.plane };
  document.activeElement?.blur?.();
  draw();
  return byId("panel-readings").querySelector('[data-key="new point"], [data-key="new plane"]')?.focus();
}

/** How well each set-up closes: points read twice from one set-up should read the same. */
function closures(now) {
  const groups = new Map();
  for (const one of now.readings.filter((row) => row.kind === "rod" && row.point)) {
    const key = `${one.setup || "the set-up"}\n${one.point}`;
    groups.set(key, [...(groups.get(key) ?? []), one.value]);
  }
  const twice = [...groups].filter(([, values]) => values.length > 1);
  const told = (state.result?.levelling ?? []).map((one) => el("li", { text: one.sentence }));
  if (!twice.length && !told.length) return null;
  return el("section", { class: "closures" }, el("h3", { text: "Closing" }), el("ul", {}, told.length ? told : twice.map(([key, values]) => {
    const [setup, point] = key.split("\n");
    return el("li", { text: `${setup}, ${point}: ${values.join(" and ")}` });
  })));
}

function paster() {
  const area = el("textarea", { id: "paste", rows: 3, "data-key": "paste", placeholder: "kind\tpoint\tto\tvalue" });
  return el("details", { class: "paste" }, el("summary", { text: "Paste from a spreadsheet" }),
    el("label", { for: "paste", text: "Rows with a header line: kind, point, to, setup, plane, along, up, value, sd, note" }), area,
    button("Write them down", () => paste(area), { key: "paste rows" }));
}

async function paste(area) {
  const lines = area.value.split(/\r?\n/).filter((line) => line.trim());
  const parts = (line) => line.split(line.includes("\t") ? "\t" : /[;,]/).map((cell) => cell.trim().replace(/^"(.*)"$/s, "$1").replaceAll('""', '"'));
  const [header, ...rows] = lines.map(parts);
  const columns = (header ?? []).map((cell) => cell.toLowerCase().replace(/\s*\(.*\)$/, ""));
  const unit = (header ?? []).map((cell) => cell.match(/\((.*)\)/)?.[1] ?? "");
  if (!columns.includes("value") || !columns.includes("kind")) {
    return complain({ error: "the first line does not name the columns kind and value", where: "pasted rows", cure: "copy the header line too" });
  }
  const odd = columns.find((column) => column && !KNOWN.includes(column));
  if (odd) return complain({ error: `there is no column ${odd}`, where: "pasted rows", cure: `use ${KNOWN.join(", ")}` });
  const actions = rows.map((cells) => ({ kind: "put reading", reading: Object.fromEntries(columns.map((column, at) =>
    [column, cells[at] && unit[at] && /^[-\d ./]+$/.test(cells[at]) ? `${cells[at]} ${unit[at]}` : cells[at] ?? ""]).filter(([column]) => column)) }));
  if (!actions.length) return undefined;
  const kept = await act(actions.length === 1 ? actions[0] : { kind: "together", label: `${actions.length} readings`, actions });
  if (!kept) return undefined;
  area.value = "";
  announce(`${actions.length} readings written down`);
  return draw();
}

function list(now) {
  if (!now.readings.length) return el("p", { text: "No reading yet." });
  const cells = (row) => [row.setup, [row.point, row.to].filter(Boolean).join(" to "), row.plane && `on ${row.plane}`,
    (row.along || row.up) && `${row.along || 0} along, ${row.up || 0} up`, row.note].filter(Boolean).join(" · ");
  return el("section", {}, el("h3", { text: `${now.readings.length} reading${now.readings.length === 1 ? "" : "s"}` }),
    el("ol", { class: "reading-list" }, now.readings.map((row) => el("li", {},
      el("span", { class: "mark-name", text: row.id }), el("span", { class: "mark-kind", text: row.kind }),
      el("input", { type: "text", class: "value", value: row.value, "aria-label": `Value of ${row.id}`, "data-key": `value ${row.id}`,
        on: { change: (event) => act({ kind: "put reading", reading: { id: row.id, kind: row.kind, value: event.target.value } }, `${row.id} changed`) } }),
      el("span", { class: "mark-place", text: cells(row) }),
      button("Remove", () => act({ kind: "remove reading", id: row.id }, `${row.id} removed; undo brings it back`), { key: `remove ${row.id}`, label: `Remove ${row.id}` })))));
}
