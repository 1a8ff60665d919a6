// The four sheets of work beside the photo.

import { byId } from "./dom.js";

const NAMES = ["mark", "list", "readings", "result"];

export function openTab(name, focus = false) {
  for (const one of NAMES) {
    const tab = byId(`tab-${one}`);
    tab.setAttribute("aria-selected", String(one === name));
    tab.tabIndex = one === name ? 0 : -1;
    byId(`panel-${one}`).hidden = one !== name;
    if (one === name && focus) tab.focus();
  }
}

export function startTabs() {
  NAMES.forEach((name, at) => {
    byId(`tab-${name}`).addEventListener("click", () => openTab(name));
    byId(`tab-${name}`).addEventListener("keydown", (event) => {
      const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (by) openTab(NAMES[(at + by + NAMES.length) % NAMES.length], true);
    });
  });
}
