// Every mark as a row: its name, its place, its sd. The chosen one can be changed by typing.

import { announce, button, byId, el, labelled, refill } from "./dom.js";
import { act } from "./queue.js";
import { choosePhoto, markName, marksIn, onSoon, select, state, vertices, visit, withVertices } from "./store.js";

let stage = null;
let all = false;

export function startList(withStage) {
  stage = withStage;
  onSoon("visit sync photo selection", draw);
}

const number = (value) => String(Math.round(value * 100) / 100);

function draw() {
  const now = visit();
  if (!now) return;
  const marks = all ? now.marks : marksIn(state.photo);
  const panel = byId("panel-list");
  if (panel.contains(document.activeElement) && document.activeElement.matches("input[type=text]")
    && document.activeElement.dataset.before !== document.activeElement.value) return; // being typed
  refill(panel,
    el("div", { class: "bar" },
      el("h3", { text: all ? "Marks in all photos" : `Marks in ${state.photo ?? "this photo"}` }),
      button(all ? "This photo only" : "All photos", () => { all = !all; draw(); }, { key: "list all" })),
    marks.length ? el("ol", { class: "marks" }, marks.map(row)) : el("p", { text: "No mark yet." }));
}

const WORDS = { point: "corner", edge: "edge", gravity: "line", outline: "outline" };

function row(mark) {
  const chosen = mark.id === state.selected;
  const places = vertices(mark).map((px) => px.map(number).join(", ")).join(" – ");
  const show = () => {
    choosePhoto(mark.photo);
    select(mark.id);
    stage.showMark(mark.id);
  };
  return el("li", { class: chosen ? "chosen" : "" },
    el("button", { type: "button", class: "row", "data-key": `mark ${mark.id}`, "aria-pressed": String(chosen), on: { click: show } },
      el("span", { class: "mark-name", text: markName(mark) }),
      el("span", { class: "mark-kind", text: mark.purpose ?? WORDS[mark.kind] }),
      el("span", { class: "mark-place", text: `${places}, sd ${number(mark.sd_px)} px${all ? `, ${mark.photo}` : ""}` })),
    chosen ? editor(mark) : null);
}

/** Fields of the chosen mark; each is written as soon as it is left. */
function editor(mark) {
  const put = (changed) => act({ kind: "put mark", mark: changed }, `${markName(changed)} changed`);
  const typed = (words, value, key, take) => labelled(words, { value, "data-key": `${key} ${mark.id}`, "data-before": value, inputmode: "decimal",
    on: { change: (event) => {
      const next = Number(event.target.value.trim().replace(",", "."));
      if (!event.target.value.trim() || !Number.isFinite(next)) {
        event.target.value = value;
        announce("that is not a number");
      } else take(next);
      event.target.dataset.before = event.target.value;
    } } });
  const places = vertices(mark).flatMap((px, vertex) => ["x", "y"].map((axis, at) =>
    typed(mark.kind === "point" ? axis : `${axis} ${vertex + 1}`, number(px[at]), `${axis}${vertex}`, (value) => {
      const points = vertices(mark).map((one) => [...one]);
      points[vertex][at] = value;
      put(withVertices(mark, points));
    })));
  return el("div", { class: "editor" },
    mark.kind === "point" ? labelled("Name", { value: mark.point, maxlength: 60, "data-key": `point ${mark.id}`, "data-before": mark.point,
      on: { change: (event) => { event.target.dataset.before = event.target.value; put({ ...mark, point: event.target.value.trim() }); } } }) : null,
    places,
    typed("sd, px", number(mark.sd_px), "sd", (value) => put({ ...mark, sd_px: value })),
    button("Remove", () => {
      select(null);
      act({ kind: "remove mark", id: mark.id }, `${markName(mark)} removed; undo brings it back`);
    }, { key: `remove ${mark.id}`, label: `Remove ${markName(mark)}` }));
}
