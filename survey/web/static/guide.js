// One step at a time from an empty visit to the plane file: what is next, with at most two answers.

import { announce, button, byId, el, labelled, many, refill } from "./dom.js";
import { EDGE_LOOKS } from "./lines.js";
import { cornersWanted, nextName, notInSight } from "./names.js";
import { act } from "./queue.js";
import { choosePhoto, marksIn, on, setTool, state, visit } from "./store.js";
import { pickPhotos } from "./strip.js";
import { savePlaneFile } from "./result.js";
import { openTab } from "./tabs.js";

let stage = null;
let unasked = false; // whether a person would rather name the sheet than wait for the search
let mounted = null; // answer to how the sheet was put up, until the check lines are told
let shownFor = "";
let told = "";

export function startGuide(withStage) {
  stage = withStage;
  on("visit sync photo tool held result predictions", draw);
}

const KINDS = Object.keys(EDGE_LOOKS).filter((kind) => !kind.startsWith("wall"));

function draw() {
  const now = visit();
  if (!now) return;
  const [key, sentence, ...rest] = step(now);
  const box = byId("guide");
  if (key === shownFor && rest.some((node) => node?.matches?.(".answers")) && box.contains(document.activeElement)
    && document.activeElement.matches("input, select")) return; // never under someone's hands
  const moves = key !== shownFor && box.contains(document.activeElement);
  shownFor = key;
  refill(box, el("div", { class: "guide-paper" }, el("p", { class: "next", text: sentence }), ...rest));
  if (moves) (rest.some(Boolean) && key !== "corner" ? box.querySelector("input, select, button") : stage.canvas)?.focus({ preventScroll: true });
  if (sentence !== told) announce(sentence);
  told = sentence;
  document.body.classList.toggle("begun", now.marks.length > 0);
}

/** What is next: [key, sentence, nodes…]. */
function step(now) {
  const usable = now.photos.filter((photo) => photo.usable);
  if (!usable.length) {
    return ["photos", "Add the photos of this visit.", button("Choose photos", pickPhotos, { look: "main" }),
      el("p", { class: "aside", text: "or drop them anywhere on this page" })];
  }
  const sheet = undeclaredSheet(now);
  const underway = state.tool === "roof" && stage.marking.roofCorners().length > 0;
  if (!underway && (sheet || !now.targets.length)) return targetStep(now, sheet);
  if (!now.planes.some((plane) => plane.kind !== "wall")) return outlineStep();
  const open = now.edges.filter((edge) => edge.guessed && !agreed.has(edge.name));
  if (open.length) return kindsStep(now, open);
  const thin = now.planes.flatMap((plane) => plane.outline).some((name) => now.marks.filter((mark) => mark.point === name).length < 3);
  const next = thin ? unmarkedPhoto(usable) : null;
  const left = cornersWanted();
  if (left.length && state.photo && marksIn(state.photo).length && usable.some((one) => one.name === state.photo)) return cornerStep(left);
  if (next) {
    return [`open ${next}`, `The same corners once more, from another place.`,
      button(`Open ${next}`, () => { choosePhoto(next); setTool("point"); stage.focus(); }, { look: "main", key: "guide-main" })];
  }
  if (left.length && state.photo) return cornerStep(left);
  return resultStep();
}

/** A sheet that the photos show and nobody has written down. */
function undeclaredSheet(now) {
  const known = new Set(now.targets.flatMap((target) => [target.name, target.sheet, target.board?.sheet]));
  const seen = now.photos.flatMap((photo) => photo.targets ?? []).filter((target) => target.declared === false).map((target) => target.sheet);
  return seen.find((code) => !known.has(code) && !passed.has(code)) ?? null;
}

const passed = new Set();
const agreed = new Set(); // guessed edges that a person has said yes to

function freeTarget(now) {
  const names = new Set([...now.targets, ...now.planes].map((one) => one.name));
  let number = 1;
  while (names.has(`T${number}`)) number += 1;
  return `T${number}`;
}

function targetStep(now, sheet) {
  const left = now.photos.filter((photo) => photo.usable && photo.searched === false).length;
  if (!sheet && left && !unasked) {
    return ["searching", `Looking for printed sheets in ${many(left, "photo")} …`,
      button("Go on by hand", () => { unasked = true; draw(); })];
  }
  if (!mounted) {
    const say = (how) => () => { mounted = how; draw(); };
    return [`mounted ${sheet}`, sheet ? `Sheet ${sheet} was found. How was it put up?` : "No sheet was found in the photos yet. How was yours put up?",
      button("Upright, plumb and level", say("plumb and level"), { look: "main" }),
      button("Any other way", say("loose"))];
  }
  const code = labelled("Code printed on the sheet", { value: sheet ?? "letter-1", "data-key": "sheet" });
  const across = labelled("Across, as taped", { placeholder: now.units === "metric" ? "241 mm" : "9-1/2 in", "data-key": "across" });
  const down = labelled("Down, as taped", { placeholder: now.units === "metric" ? "379 mm" : "14-15/16 in", "data-key": "down" });
  const put = (measured) => () => {
    const target = { name: freeTarget(now), sheet: code.input.value.trim(), mounted };
    if (measured && across.input.value.trim()) target.across = across.input.value.trim();
    if (measured && down.input.value.trim()) target.down = down.input.value.trim();
    mounted = null;
    if (sheet) passed.add(sheet);
    act({ kind: "put target", target }, "target written down");
    draw();
  };
  return [`check lines ${sheet}`, "What do the two check lines on the sheet measure?", el("div", { class: "answers" }, sheet ? null : code, across, down),
    button("These lengths", put(true), { look: "main" }), button("Nobody measured", put(false))];
}

function outlineStep() {
  if (state.tool !== "roof") setTimeout(() => setTool("roof"));
  const corners = stage.marking.roofCorners();
  const marked = corners.length ? ` ${corners.join(", ")} set.` : "";
  const last = corners.length > 2 ? " Close it after the last one." : "";
  return ["outline", corners.length
    ? `Next corner of the roof: ${nextName()}.${marked}${last}`
    : "In a photo that shows the whole roof, press its corners one after another, beginning at the left end of the eave.",
  corners.length > 2 ? button("Close the outline", () => { stage.marking.close(); stage.focus(); }, { look: "main", key: "guide-main" }) : null];
}

function kindsStep(now, open) {
  const asked = open.map((edge) => {
    const field = labelled(`${edge.start}–${edge.end}`, { value: edge.kind, "data-key": `kind ${edge.name}` }, KINDS);
    field.edge = edge;
    return field;
  });
  return ["kinds", "Is this what the edges are?", el("div", { class: "answers" }, asked),
    button("Yes, these", () => {
      const actions = asked.map((field) => ({ kind: "put edge", edge: { between: [field.edge.start, field.edge.end], kind: field.input.value } }));
      asked.forEach((field) => agreed.add(field.edge.name));
      act(actions.length === 1 ? actions[0] : { kind: "together", label: "kinds of the edges", actions }, "edges written down");
      stage.focus();
    }, { look: "main", key: "guide-main" })];
}

function cornerStep(left) {
  const expected = state.predictions.photo === state.photo ? state.predictions.points : [];
  const name = nextName();
  const spot = expected.find((one) => one.name === name);
  return ["corner", spot ? `Press ${name} where it is expected, or press Enter on it. ${left.length} left here.`
    : `Press corner ${name} in this photo. ${left.length} left here.`,
  button("Not in sight", () => {
    notInSight(name);
    setTool("point", { name: null });
    stage.focus();
  }, { label: `${name} is not in sight`, key: "guide-skip" })];
}

/** The first usable photo that shows no mark yet. */
const unmarkedPhoto = (usable) => usable.find((photo) => !marksIn(photo.name).length)?.name ?? null;

function resultStep() {
  const told = state.result;
  if (!told || (told.state === "working" && !told.result)) return ["working", "Working out the roof …"];
  const tilted = told.result?.planes.find((plane) => plane.kind !== "wall" && plane.pitch?.not_observed !== undefined);
  if (tilted && told.state !== "working") {
    return ["pitch", `The pitch of ${tilted.name} is not observed: ${tilted.pitch.cure || tilted.pitch.not_observed}.`,
      button("Mark a plumb line", () => { setTool("plumb"); openTab("mark"); stage.focus(); }, { look: "main", key: "guide-main" }),
      button("Type a reading", () => openTab("readings", true), { key: "guide-reading" })];
  }
  const help = told.help_most?.[0];
  const sentence = !told.result ? told.missing : help ? help.sentence : "Everything asked for is measured.";
  const there = help?.photo && help.photo !== state.photo;
  return ["result", sentence || "The plane file is up to date.",
    told.result ? button("See the result", () => openTab("result"), { look: "main", key: "guide-main" }) : null,
    there ? button(`Open ${help.photo}`, () => choosePhoto(help.photo), { key: "guide-help" })
      : told.result ? button("Save the plane file", savePlaneFile, { key: "guide-save" }) : null];
}
