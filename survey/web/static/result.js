// What the visit measures so far: figures with their intervals, what is missing, what would help.

import { get } from "./api.js";
import { announce, button, byId, complain, el, many, refill } from "./dom.js";
import { drawRoof, drawRoofs } from "./plan.js";
import { Solid } from "./solid.js";
import { choosePhoto, on, select, state, tell } from "./store.js";
import { measuredText } from "./units.js";
import { edgeLook } from "./lines.js";
import { openSquare } from "./square.js";
import { tellWater } from "./water.js";

let stage = null;
let asked = 0;
let timer = 0;
let solid = null;
let told = "";
let shown = "";
let patience = 200; // ms until the next question while it is being worked out

export function startResult(withStage) {
  stage = withStage;
  on("visit", () => { patience = 200; ask(); });
  on("result", draw);
}

/** Ask for the result of the visit as it stands; again while it is being worked out. */
async function ask() {
  clearTimeout(timer);
  const mine = ++asked;
  try {
    const result = await get("/api/result");
    if (mine !== asked) return;
    const key = JSON.stringify([result.version, result.state, result.checked, result.searching, result.missing, result.help_most]);
    const same = key === shown;
    shown = key;
    keepWater(result);
    state.result = result;
    if (!same) {
      tell("result");
      say(result);
    }
    patience = same ? Math.min(patience * 1.5, 2000) : 200;
    if (result.state === "working" || result.version < state.visit.version) timer = setTimeout(ask, patience);
  } catch {
    if (mine === asked) timer = setTimeout(ask, 2000);
  }
}

const lastWater = new Map(); // roof -> what was known of its water when all was measured

/** A quick result says nothing of water: show what was known, and that it is from before. */
function keepWater({ checked, result }) {
  for (const plane of result?.planes ?? []) {
    if (checked) lastWater.set(plane.name, plane.drainage);
    else if (!plane.drainage && lastWater.get(plane.name)) plane.drainage = { ...lastWater.get(plane.name), before: true };
  }
}

function say({ result }) {
  const pitches = (result?.planes ?? []).filter((plane) => plane.kind !== "wall")
    .map((plane) => `${plane.name}: pitch ${measuredText(plane.pitch, state.visit.units)}`).join("; ");
  if (pitches && pitches !== told) announce(pitches);
  told = pitches;
}

function draw() {
  const { visit, result: now } = state;
  if (!visit || !now) return;
  const document = now.result;
  const units = visit.units;
  refill(byId("panel-result"),
    now.state === "working" ? el("p", { class: "aside", text: progress(now) }) : null,
    document ? null : el("p", { class: "told", text: now.missing || "Nothing is measured yet." }),
    ...helps(now), worst(now),
    document ? drawRoofs(now, units) : null,
    document ? planes(now, units) : null,
    document ? edges(document, units) : null,
    gaps(now), document ? findings(document) : null,
    document ? space(now) : null,
    document ? button("Save the plane file", savePlaneFile, { look: "main", key: "save" }) : null);
  if (document) solid?.draw(now);
}

/** What is still going on: the figures stand, but not every check is done. */
function progress(now) {
  if (now.searching) return `Looking for targets in ${many(now.searching, "photo")} …`;
  return now.result && now.version === state.visit.version ? "These figures stand; slips and water are being looked for …" : "Working it out …";
}

function helps(now) {
  if (!now.help_most?.length) return [];
  const line = (help) => el("li", {}, el("span", { text: help.sentence }),
    help.photo ? button(`Open ${help.photo}`, () => choosePhoto(help.photo), { key: `help ${help.sentence}` }) : null);
  return [el("section", { class: "helps" }, el("h3", { text: "What would help most" }),
    el("ol", {}, now.help_most.slice(0, 3).map(line)))];
}

function worst({ worst: one }) {
  if (!one) return null;
  const sigmas = Math.abs(one.standardised).toFixed(1);
  return el("section", { class: "worst" }, el("h3", { text: "Fits worst" }),
    el("p", { text: `${one.where ?? one.id}: ${sigmas} times its sd from what the others say.` }),
    one.photo ? button("Show it", () => {
      choosePhoto(one.photo);
      select(one.id);
      stage.showMark(one.id);
    }, { key: "show worst" }) : null);
}

const isKnown = (measured) => measured?.not_observed === undefined;

function planes(now, units) {
  return now.result.planes.map((plane) => {
    const facts = plane.kind === "wall" ? [["Area", plane.area]] : [["Pitch", plane.pitch], ["Area", plane.area], ["Area in plan", plane.plan_area]];
    return el("section", { class: "plane" }, el("h3", { text: plane.name }),
      el("dl", {}, facts.map(([words, measured]) => [el("dt", { text: words }),
        el("dd", { class: isKnown(measured) ? "" : "gap", text: measuredText(measured, units) })])),
      isKnown(plane.area) ? button(`Measure on a photo of ${plane.name}`, () => openSquare(plane.name)) : null,
      drawRoof(now, plane.name, units), tellWater(plane, units));
  });
}

function edges(document, units) {
  return el("section", {}, el("h3", { text: "Edges" }), el("ul", { class: "edge-list" }, document.edges.map((edge) => el("li", {},
    el("span", { class: "letter", "aria-hidden": "true", text: edgeLook(edge.kind).letter }),
    el("span", { class: "mark-name", text: `${edge.start}–${edge.end}` }),
    el("span", { class: "mark-kind", text: edge.kind }),
    el("span", { class: `mark-place ${isKnown(edge.length) ? "figure" : "gap"}`, text: measuredText(edge.length, units) })))));
}

function gaps({ gaps: all = [] }) {
  if (!all.length) return null;
  return el("section", {}, el("h3", { text: "Not observed" }), el("ul", { class: "findings" }, all.map((gap) =>
    el("li", {}, el("strong", { text: gap.where }), ` ${gap.why}. `, el("em", { text: gap.cure })))));
}

const SIGNS = { stop: "Stop", check: "Check", note: "Note" };

function findings({ findings: all = [] }) {
  if (!all.length) return null;
  const line = (one) => el("li", { class: one.severity }, el("strong", { text: `${SIGNS[one.severity] ?? one.severity}: ${one.where}` }),
    ` ${one.what}. `, el("em", { text: one.cure }));
  const notes = all.filter((one) => one.severity === "note");
  const others = all.filter((one) => one.severity !== "note");
  return el("section", {}, el("h3", { text: "Findings" }), el("ul", { class: "findings" }, others.map(line)),
    notes.length ? el("details", { class: "notes" }, el("summary", { text: many(notes.length, "note") }),
      el("ul", { class: "findings" }, notes.map(line))) : null);
}

function space(now) {
  solid ??= new Solid();
  if (!(now.plan?.planes ?? []).length) return null;
  return solid.section;
}

/** Let the browser keep the plane file, byte for byte as it was measured. */
export async function savePlaneFile() {
  const response = await fetch("/api/plane-file", { credentials: "same-origin" });
  if (!response.ok) return complain(await response.json());
  const name = decodeURIComponent(response.headers.get("X-File-Name") ?? "roof.planes.json");
  const bytes = await response.blob();
  const link = el("a", { href: URL.createObjectURL(bytes), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  return announce(`${name} saved`);
}
