// How edges and marks look: colour, dash and letter each tell them apart on their own.

/** Kinds of edge: colour on white paper, dash in units of the line's width, letter. */
export const EDGE_LOOKS = {
  eave: { colour: "#0a4f93", dash: [], letter: "E" },
  rake: { colour: "#a63c00", dash: [6, 2], letter: "R" },
  ridge: { colour: "#7a1f5c", dash: [10, 2, 2, 2], letter: "G" },
  hip: { colour: "#7a1f5c", dash: [4, 2], letter: "P" },
  valley: { colour: "#0a4f93", dash: [1.5, 2], letter: "V" },
  headwall: { colour: "#00573f", dash: [10, 3], letter: "H" },
  sidewall: { colour: "#00573f", dash: [3, 3], letter: "S" },
  "slope transition": { colour: "#5a4300", dash: [2, 2, 6, 2], letter: "T" },
  parapet: { colour: "#1a1a1a", dash: [8, 2, 2, 2, 2, 2], letter: "W" },
  "gable end": { colour: "#a63c00", dash: [2, 2], letter: "L" },
  "wall corner": { colour: "#1a1a1a", dash: [5, 2], letter: "C" },
  "wall base": { colour: "#1a1a1a", dash: [2, 3], letter: "B" },
  unknown: { colour: "#4a4a4a", dash: [1, 3], letter: "?" },
};

/** Marks on a photo: a coloured core in a white and a black casing. */
export const CORES = {
  point: "#f0e442", edge: "#56b4e9", plumb: "#e69f00", level: "#e69f00", outline: "#cc79a7",
  predicted: "#ffffff", target: "#009e73", selected: "#ffffff",
};

export const edgeLook = (kind) => EDGE_LOOKS[kind] ?? EDGE_LOOKS.unknown;

/** Stroke the current path so that it is seen on any photo. */
export function stroke(context, core, { width = 2, dash = [] } = {}) {
  context.lineJoin = "round";
  context.setLineDash([]);
  context.lineCap = "butt";
  for (const [colour, more] of [["#000", 4], ["#fff", 2]]) {
    context.strokeStyle = colour;
    context.lineWidth = width + more;
    context.stroke();
  }
  context.setLineDash(dash.map((part) => part * width));
  context.strokeStyle = dash.length ? "#000" : core;
  context.lineWidth = width;
  context.stroke();
  if (dash.length) {
    context.setLineDash([]);
    context.strokeStyle = core;
    context.stroke();
    context.setLineDash(dash.map((part) => part * width));
    context.strokeStyle = "#000";
    context.stroke();
  }
  context.setLineDash([]);
}

/** Begin a path through places of the screen. */
export function trace(context, places, closed = false) {
  context.beginPath();
  places.forEach((at, index) => context[index ? "lineTo" : "moveTo"](...at));
  if (closed) context.closePath();
}

/** Add the four arms of a cross to a path; its middle stays free. */
export function arms(context, [x, y], from, to) {
  for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
    context.moveTo(x + dx * from, y + dy * from);
    context.lineTo(x + dx * to, y + dy * to);
  }
}

/** A word on the photo, black on white in a black frame. */
export function tag(context, words, x, y, { inverse = false } = {}) {
  context.font = "600 16px system-ui, sans-serif";
  const width = context.measureText(words).width + 12;
  const { canvas } = context;
  const ratio = context.getTransform().a;
  if (x > -width && x < canvas.width / ratio) x = Math.max(2, Math.min(x, canvas.width / ratio - width - 2));
  context.fillStyle = inverse ? "#ffd400" : "#fff";
  context.strokeStyle = "#000";
  context.lineWidth = 2;
  context.setLineDash([]);
  context.beginPath();
  context.rect(x, y, width, 24);
  context.fill();
  context.stroke();
  context.fillStyle = "#000";
  context.textBaseline = "middle";
  context.fillText(words, x + 6, y + 12.5);
}
