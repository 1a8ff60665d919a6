// Puts the page together.

import { Refused, keepAsking } from "./api.js";
import { byId, complain, refill, el } from "./dom.js";
import { startGuide } from "./guide.js";
import { turnBack } from "./history.js";
import { startList } from "./marklist.js";
import { act, follow, recover, reload } from "./queue.js";
import { startReadings } from "./readings.js";
import { startResult } from "./result.js";
import { Stage } from "./stage.js";
import { choosePhoto, on, photoNamed, state, tell } from "./store.js";
import { startStrip } from "./strip.js";
import { startTabs } from "./tabs.js";
import { startTools } from "./tools.js";

const stage = new Stage();
startTabs();
startStrip();
startTools(stage);
startList(stage);
startReadings();
startResult(stage);
startGuide(stage);

byId("undo").addEventListener("click", () => { if (!stage.marking.abandon()) turnBack("undo"); });
byId("redo").addEventListener("click", () => turnBack("redo"));
byId("units").addEventListener("click", () => act({ kind: "put visit", visit: { units: state.visit.units === "us" ? "metric" : "us" } }));

on("visit", () => {
  const { name, units } = state.visit;
  byId("visit-name").textContent = name;
  document.title = `${name} – roof survey`;
  byId("units").textContent = units === "us" ? "Show metric" : "Show feet";
  if (!photoNamed(state.photo)) choosePhoto(state.visit.photos.find((photo) => photo.usable)?.name ?? null);
});

on("visit sync", () => {
  const { can_undo: undo, can_redo: redo, undo_label: undoes, redo_label: redoes } = state.visit ?? {};
  const label = (id, word, can, what) => {
    const node = byId(id);
    node.disabled = !can && !(id === "undo" && state.pending.length);
    node.title = can && what ? `${word}: ${what}` : "";
  };
  label("undo", "Undo", undo, undoes);
  label("redo", "Redo", redo, redoes);
  const waiting = state.pending.length;
  refill(byId("sync"), el("span", { class: !state.online ? "away" : waiting ? "busy" : "safe",
    text: !state.online ? `no connection${waiting ? `, ${waiting} kept in this browser` : ""}`
      : waiting ? "saving …" : "all saved" }));
});

let expecting = 0;

/** Ask where points are expected in the photo, again until that follows from the newest figures. */
async function expect() {
  const mine = ++expecting;
  const { photo } = state;
  const wanted = () => photo && mine === expecting && photo === state.photo;
  await keepAsking(`/api/predictions?photo=${encodeURIComponent(photo)}`, wanted, ({ version, points, edges }) => {
    state.predictions = { photo, points, edges };
    tell("predictions");
    return version === undefined || version >= (state.result?.version ?? 0);
  }).catch(() => {}); // no prediction is no trouble: the press is only less guided
}
on("photo result", expect);

try {
  await reload();
  recover();
  follow();
} catch (failure) {
  complain(failure instanceof Refused ? failure
    : { error: "the page's program does not answer", where: "", cure: "start it again with survey page" });
}
