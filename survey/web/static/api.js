// Talking with the back end on this machine. Every failure has one shape.

export class Refused extends Error {
  constructor(answer, status) {
    super(answer.error);
    Object.assign(this, { error: answer.error, where: answer.where, cure: answer.cure, status });
  }
}

async function answered(response) {
  let answer = null;
  try {
    answer = await response.json();
  } catch {
    answer = { ok: false, error: `the page's program answered ${response.status}`, where: "", cure: "start it again" };
  }
  if (!response.ok || answer.ok === false) throw new Refused(answer, response.status);
  return answer;
}

export const get = async (path, signal) => answered(await fetch(path, { signal, credentials: "same-origin" }));

export const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

/** Ask again, ever more seldom, until `take` has enough; stop once nobody wants it any more. */
export async function keepAsking(path, wanted, take) {
  for (let wait = 150; wait < 8000 && wanted(); wait *= 1.6) {
    const told = await get(path);
    if (!wanted() || await take(told)) return;
    await pause(wait);
  }
}

export const post = async (path, body) => answered(await fetch(path, {
  method: "POST", credentials: "same-origin", headers: { "Content-Type": "application/json" },
  body: JSON.stringify(body),
}));

/** Send one photo's bytes as they are. */
export const postPhoto = async (file) => answered(await fetch("/api/photos", {
  method: "POST", credentials: "same-origin", body: file,
  headers: { "Content-Type": "application/octet-stream", "X-File-Name": encodeURIComponent(file.name) },
}));

// The stamp tells one content of a photo from another, so that the browser may keep what it has.
export const tilePath = ({ name, stamp = "" }, level, column, row) =>
  `/tiles/${encodeURIComponent(name)}/${level}/${column}_${row}.jpg${stamp && `?v=${stamp}`}`;

export const thumbPath = ({ name, stamp = "" }) => `/thumb/${encodeURIComponent(name)}.jpg${stamp && `?v=${stamp}`}`;

export const cropPath = (photo, x, y, size) =>
  `/crop/${encodeURIComponent(photo)}.png?x=${x}&y=${y}&size=${size}`;

export async function bitmap(path, signal) {
  const response = await fetch(path, { signal, credentials: "same-origin" });
  if (!response.ok) throw new Refused({ error: `no picture at ${path}`, where: "", cure: "" }, response.status);
  return createImageBitmap(await response.blob());
}
