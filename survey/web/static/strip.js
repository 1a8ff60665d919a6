// The visit's photos with what is known of each, and the ways to add more.

import { Refused, get, postPhoto, thumbPath } from "./api.js";
import { announce, button, byId, complain, el, many, refill } from "./dom.js";
import { reload } from "./queue.js";
import { choosePhoto, marksIn, onSoon, state } from "./store.js";

let picker = null;
let sending = 0;
let phone = false; // whether a phone may send photos
let showsCode = 0; // when the code was asked for; 0: it is hidden

export function startStrip() {
  picker = el("input", { type: "file", accept: "image/jpeg,image/png,image/heic,image/heif,.heic,.heif,.jpg,.jpeg,.png",
    multiple: true, id: "picker", hidden: true, "aria-label": "Photo files",
    on: { change: () => { send([...picker.files]); picker.value = ""; } } });
  document.body.append(picker);
  for (const event of ["dragenter", "dragover"]) window.addEventListener(event, (drag) => {
    if (!drag.dataTransfer?.types.includes("Files")) return;
    drag.preventDefault();
    document.body.classList.add("dropping");
  });
  window.addEventListener("dragleave", (drag) => { if (!drag.relatedTarget) document.body.classList.remove("dropping"); });
  window.addEventListener("drop", (drop) => {
    drop.preventDefault();
    document.body.classList.remove("dropping");
    if (drop.dataTransfer?.files.length) send([...drop.dataTransfer.files]);
  });
  onSoon("visit sync photo", draw);
  get("/api/phone").then(({ on: may }) => { phone = may; draw(); }, () => {});
}

/** The square code that lets a phone on the same network send photos; each has a key of its own. */
function phoneCode() {
  if (!phone) return null;
  const shown = showsCode ? el("img", { class: "code", src: `/api/phone.png?of=${showsCode}`, alt: "Square code for the phone's camera", width: 160, height: 160 }) : null;
  return el("div", {}, button(showsCode ? "Hide the code" : "From a phone", () => {
    showsCode = showsCode ? 0 : Date.now();
    draw();
  }, { key: "phone" }), shown);
}

export const pickPhotos = () => picker.click();

/** Send photos one after another, as they are; say of each what became of it. */
async function send(files) {
  sending += files.length;
  draw();
  for (const file of files) {
    try {
      await postPhoto(file);
      announce(`${file.name} added`);
    } catch (failure) {
      complain(failure instanceof Refused ? failure
        : { error: "the photo could not be sent", where: file.name, cure: "is the program still running?" });
    }
    sending -= 1;
    await reload().catch(() => {});
  }
  draw();
}

function draw() {
  const photos = state.visit?.photos ?? [];
  refill(byId("photos"), photos.map(row));
  refill(byId("add-photos"),
    button("Add photos", pickPhotos, { key: "add-photos" }), phoneCode(),
    sending ? el("p", { text: `sending ${sending} …`, role: "status" }) : null);
}

function row(photo) {
  const count = marksIn(photo.name).length;
  const targets = (photo.targets ?? []).map((one) => one.name).join(", ");
  const remarks = photo.remarks ?? [];
  const told = !photo.usable ? `can't be used: ${photo.why || "no reason given"}`
    : targets ? `target ${targets}` : !photo.targets || photo.searched === false ? "looking for targets …" : photo.why || "no target seen";
  const sign = !photo.usable ? "✕" : targets ? "✓" : "–";
  return el("li", {},
    el("button", {
      type: "button", class: "shot", "data-key": `photo ${photo.name}`, disabled: !photo.width,
      "aria-current": state.photo === photo.name ? "true" : null, on: { click: () => choosePhoto(photo.name) },
    },
    photo.width ? el("img", { src: thumbPath(photo), alt: "", loading: "lazy", width: 144, height: 96 }) : null,
    el("span", { class: "shot-name", text: photo.name }),
    el("span", { class: `shot-state ${photo.usable ? "" : "bad"}` },
      el("span", { class: "sign", "aria-hidden": "true", text: sign }), ` ${told}`),
    el("span", { class: "shot-state", text: many(count, "mark") })),
    remarks.length ? el("details", { class: "remarks" }, el("summary", { text: "remarks", "aria-label": `Remarks on ${photo.name}` }),
      el("ul", {}, remarks.map((text) => el("li", { text })))) : null);
}
