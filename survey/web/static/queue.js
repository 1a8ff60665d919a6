// Actions on their way to the visit. Each is sent at once, one after another, and stays in the
// browser's storage until the back end has said that it is on disk.

import { Refused, get, pause, post } from "./api.js";
import { announce, complain } from "./dom.js";
import { state, tell } from "./store.js";

const client = sessionStorage.getItem("survey client") ?? crypto.randomUUID();
sessionStorage.setItem("survey client", client);
const channel = new BroadcastChannel("survey visit");
const SLOT = "survey pending ";
let busy = false;

/** Put an action on its way; resolves with the reply once it is acknowledged, with null if refused. */
export function act(action, said = null) {
  const entry = { client, request_id: crypto.randomUUID(), base: state.visit?.version ?? 0, action };
  state.pending = [...state.pending, entry];
  keep();
  tell("sync");
  if (said) announce(said);
  return new Promise((resolve) => {
    settled.set(entry.request_id, resolve);
    send();
  });
}

const settled = new Map();

/** Take up what an earlier page of this browser could not deliver. */
export function recover() {
  const others = Object.keys(localStorage).filter((key) => key.startsWith(SLOT) && key !== SLOT + client);
  const own = read(SLOT + client);
  const left = others.flatMap((key) => {
    const slot = read(key);
    const mine = slot.filter((entry) => entry.visit === state.visit.name);
    if (mine.length === slot.length) localStorage.removeItem(key);
    return mine;
  });
  const waiting = [...own.filter((entry) => entry.visit === state.visit.name), ...left];
  if (!waiting.length) return;
  state.pending = [...waiting, ...state.pending];
  keep();
  tell("sync");
  announce(`${waiting.length} unsaved ${waiting.length === 1 ? "action was" : "actions were"} taken up again`);
  send();
}

function read(key) {
  try {
    const slot = JSON.parse(localStorage.getItem(key) ?? "[]");
    return Array.isArray(slot) ? slot : [];
  } catch {
    return [];
  }
}

function keep() {
  const name = state.visit?.name;
  if (state.pending.length) {
    localStorage.setItem(SLOT + client, JSON.stringify(state.pending.map((entry) => ({ ...entry, visit: name }))));
  } else localStorage.removeItem(SLOT + client);
}

async function send() {
  if (busy) return;
  busy = true;
  let wait = 250;
  while (state.pending.length) {
    const { visit: _, ...entry } = state.pending[0];
    try {
      const reply = await post("/api/act", entry);
      wait = 250;
      reached(true);
      await takeIn(reply);
      done(entry, reply);
      tell("visit");
      channel.postMessage({ version: reply.version });
    } catch (failure) {
      // 401: the program was started anew, so nothing is refused for good
      if (failure instanceof Refused && failure.status < 500 && failure.status !== 401) {
        done(entry, null);
        complain(failure);
        await reload().catch(() => tell("sync"));
      } else {
        reached(false);
        await pause(wait);
        wait = Math.min(wait * 2, 5000);
      }
    }
  }
  busy = false;
}

function done(entry, reply) {
  state.pending = state.pending.filter((one) => one.request_id !== entry.request_id);
  keep();
  settled.get(entry.request_id)?.(reply);
  settled.delete(entry.request_id);
}

function reached(online) {
  if (state.online === online) return;
  state.online = online;
  tell("sync");
}

async function takeIn(reply) {
  if (reply.conflict) complain({ error: reply.conflict.sentence, where: reply.conflict.where });
  const patch = reply.visit_patch;
  if (patch && !reply.reload && reply.version >= state.visit.version) {
    const { marks_put: put = [], marks_removed: removed = [], ...rest } = patch;
    const fresh = new Map(put.map((mark) => [mark.id, mark]));
    const marks = state.visit.marks.filter((mark) => !removed.includes(mark.id))
      .map((mark) => { const next = fresh.get(mark.id) ?? mark; fresh.delete(mark.id); return next; });
    state.visit = { ...state.visit, ...rest, marks: [...marks, ...fresh.values()], version: reply.version };
  } else if (state.pending.length < 2) state.visit = await get("/api/visit");
}

/** Read the visit anew. */
export async function reload() {
  const fresh = await get("/api/visit");
  if (!state.visit || fresh.version >= state.visit.version) state.visit = fresh;
  tell("visit");
}

/** Follow what other windows, or a hand at the files, change. */
export async function follow() {
  channel.onmessage = ({ data }) => { if (data.version > (state.visit?.version ?? 0)) reload().catch(() => {}); };
  for (;;) {
    try {
      const { version, seen } = await get(`/api/changes?since=${state.visit.version}&seen=${state.visit.seen ?? 0}`);
      reached(true);
      const searched = seen !== undefined && seen !== state.visit.seen; // more photos were searched
      if (busy) await pause(200);
      else if (version > state.visit.version || searched) await reload();
    } catch (failure) {
      if (failure.status === 401 && state.online) complain(failure);
      reached(false);
      await pause(1500);
    }
  }
}
