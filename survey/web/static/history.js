// Undo and redo of what is kept, with what it changed shown and said.

import { announce } from "./dom.js";
import { act } from "./queue.js";
import { choosePhoto, select } from "./store.js";

export async function turnBack(kind) {
  const reply = await act({ kind });
  if (!reply) return;
  announce(reply.label ?? `${kind} done`);
  const mark = reply.visit_patch?.marks_put?.[0];
  if (!mark) return;
  choosePhoto(mark.photo);
  select(mark.id);
}
