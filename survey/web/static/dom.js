// Making elements without markup in strings, and speaking to the live region.

const SVG = "http://www.w3.org/2000/svg";

/** Make an HTML element. `on` holds listeners, `text` its text; true/false set or leave an attribute. */
export function el(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

/** Make an SVG element, filled the same way. */
export function svg(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(node, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key === "on") for (const [event, act] of Object.entries(value)) node.addEventListener(event, act);
    else if (key === "text") node.textContent = value;
    else if (key === "value") node.value = value;
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.flat(3).filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

/** Put `children` in the place of all that `node` holds; keeps the focus on the same key. */
export function refill(node, ...children) {
  const held = node.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  node.replaceChildren(...children.flat(3).filter((child) => child !== null && child !== undefined && child !== false));
  if (held) node.querySelector(`[data-key="${CSS.escape(held)}"]`)?.focus({ preventScroll: true });
}

export const many = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;

export const byId = (id) => document.getElementById(id);

/** A button with a word on it; `key` keeps the focus there when its panel is drawn anew. */
export function button(words, act, { look = "", key = words, label = null, off = false, pressed = null } = {}) {
  return el("button", {
    type: "button", class: look, text: words, "data-key": key, "aria-label": label, disabled: off,
    "aria-pressed": pressed === null ? null : String(pressed), on: { click: act },
  });
}

let field = 0;
/** An input under its label. `choices` makes it a select. */
export function labelled(words, attributes, choices = null) {
  const id = `field-${++field}`;
  const input = choices
    ? el("select", { id, ...attributes, value: null },
        choices.map((one) => {
          const [value, shown] = Array.isArray(one) ? one : [one, one || "not known"];
          return el("option", { value, text: shown });
        }))
    : el("input", { id, type: "text", autocomplete: "off", ...attributes });
  if (choices) input.value = attributes.value ?? "";
  const box = el("div", { class: "field" }, el("label", { for: id, text: words }), input);
  box.input = input;
  return box;
}

/** Say something to those who can't see it happen. */
export function announce(sentence) {
  const region = byId("said");
  region.textContent = "";
  setTimeout(() => { region.textContent = sentence; }, 30);
}

/** Show a failure as one sentence: what, where, what to do. */
export function complain(failure) {
  const { error = String(failure.message ?? failure), where, cure } = failure;
  const sentence = `${where ? `${where}: ` : ""}${error}${cure ? `; ${cure}` : ""}.`;
  const box = byId("trouble");
  refill(box, el("p", { text: sentence }), button("Close", () => { box.hidden = true; }, { key: "close-trouble" }));
  box.hidden = false;
}
