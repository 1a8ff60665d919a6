// What the page knows: the visit as the back end tells it, what is on its way there, what is chosen.

const listeners = new Map();

export const state = {
  visit: null, // as GET /api/visit tells it
  result: null, // as GET /api/result tells it
  predictions: { photo: null, points: [], edges: [] },
  pending: [], // actions without acknowledgement yet
  online: true,
  photo: null, // name of the photo on the canvas
  selected: null, // id of a mark
  tool: "point", // point, edge, plumb, level, outline, roof
  options: { snap: true, name: null, edge: null, on: null, purpose: "tide line", plane: null },
};

/** Call `act` whenever one of the topics is told. */
export function on(topics, act) {
  for (const topic of topics.split(" ")) {
    if (!listeners.has(topic)) listeners.set(topic, []);
    listeners.get(topic).push(act);
  }
}

/** The same, once for all that is told within a frame: for what is slow to draw. */
export function onSoon(topics, act) {
  let due = 0;
  on(topics, () => { due ||= setTimeout(() => { due = 0; act(); }, 16); });
}

export function tell(topic) {
  if (topic === "visit" || topic === "sync") folded = null;
  for (const act of listeners.get(topic) ?? []) act();
}

let folded = null;

/** The visit with everything that is still on its way, so that a mark shows the moment it is made. */
export function visit() {
  if (!state.visit) return null;
  folded ??= fold(state.visit, state.pending.map((entry) => entry.action));
  return folded;
}

const replaced = (list, item, key) => {
  const at = list.findIndex((one) => one[key] === item[key]);
  return at < 0 ? [...list, item] : list.with(at, { ...list[at], ...item });
};

function fold(start, actions) {
  const now = { ...start };
  for (const action of actions.flatMap((one) => (one.kind === "together" ? one.actions : [one]))) {
    switch (action.kind) {
      case "put mark":
        now.marks = replaced(now.marks, action.mark, "id");
        if (action.mark.point && !now.points.includes(action.mark.point)) now.points = [...now.points, action.mark.point];
        break;
      case "remove mark": now.marks = now.marks.filter((mark) => mark.id !== action.id); break;
      case "put plane":
        now.planes = replaced(now.planes, action.plane, "name");
        now.points = [...new Set([...now.points, ...action.plane.outline])];
        break;
      case "remove plane": now.planes = now.planes.filter((plane) => plane.name !== action.name); break;
      case "put edge": {
        const [start, end] = action.edge.between ?? [action.edge.start, action.edge.end];
        now.edges = replaced(now.edges, { name: `${start}-${end}`, ...action.edge, start, end }, "name");
        break;
      }
      case "put target": now.targets = replaced(now.targets, action.target, "name"); break;
      case "put reading": if (action.reading.id) now.readings = replaced(now.readings, action.reading, "id"); break;
      case "remove reading": now.readings = now.readings.filter((one) => one.id !== action.id); break;
    }
  }
  return now;
}

export const photoNamed = (name) => state.visit?.photos.find((photo) => photo.name === name) ?? null;
export const marksIn = (photo) => visit()?.marks.filter((mark) => mark.photo === photo) ?? [];
export const markById = (id) => visit()?.marks.find((mark) => mark.id === id) ?? null;

/** What a mark is called: its point, its edge, or what it is. */
export function markName(mark) {
  if (mark.kind === "point") return mark.point;
  if (mark.kind === "edge") return `${mark.start}–${mark.end}`;
  if (mark.kind === "gravity") return `${mark.direction} line${mark.on ? ` on ${mark.on}` : ""}`;
  return mark.name;
}

/** Every corner of a mark as a list of [x, y]. */
export const vertices = (mark) => (mark.kind === "point" ? [mark.px] : mark.px);
export const withVertices = (mark, px) => ({ ...mark, px: mark.kind === "point" ? px[0] : px });

export function choosePhoto(name) {
  if (state.photo === name) return;
  state.photo = name;
  state.selected = null;
  tell("photo");
}

export function select(id) {
  if (state.selected === id) return;
  state.selected = id;
  tell("selection");
}

export function setTool(tool, options = {}) {
  state.tool = tool;
  Object.assign(state.options, options);
  tell("tool");
}
