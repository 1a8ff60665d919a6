// What the readings show of water on a roof: contours and low spots in the plan, and in words.

import { el, svg } from "./dom.js";
import { lengthText, measuredText } from "./units.js";

const MOST_CONTOURS = 40; // lines; more of them only blacken a steep roof

/** Contours, low spots and where to put the rod next. They come in the plane frame. */
export function drawWater({ drainage, outline_plane: own }, site, put) {
  const place = drainage && own?.length > 2 ? toSite(site, own) : null;
  if (!place) return [];
  const ring = (points) => points.map((at) => put(place(at)).map((value) => value.toFixed(1)).join(",")).join(" ");
  const contours = (drainage.contours ?? []).flatMap((one) => one.lines ?? []);
  const lines = contours.length > MOST_CONTOURS ? [] : contours.map((line) => svg("polyline", { class: "contour", points: ring(line) }));
  const spots = (drainage.low_spots ?? []).flatMap((spot, index) => {
    const sure = spot.likelihood === "shown";
    const [x, y] = put(place(spot.deepest));
    return [
      spot.outer_outline?.length > 2 ? svg("polygon", { class: "low outer", points: ring(spot.outer_outline) }) : null,
      spot.outline?.length > 2 ? svg("polygon", { class: `low ${sure ? "shown" : ""}`, points: ring(spot.outline) }) : null,
      svg("text", { class: "low-name", x, y: y + 5, text: `W${index + 1}` }),
    ];
  });
  const next = (drainage.next_readings ?? []).slice(0, 2).map((one) => {
    const [x, y] = put(place(one.place));
    return svg("path", { class: "rod", d: `M${x - 7},${y} h14 M${x},${y - 7} v14` });
  });
  return [...lines, ...spots, ...next];
}

/** From the plane frame to the site's plan, by the outline that is given in both. */
function toSite(site, own) {
  const [o, a] = own;
  const cross = (p, q) => (p[0] - o[0]) * (q[1] - o[1]) - (p[1] - o[1]) * (q[0] - o[0]);
  const third = own.findIndex((at) => Math.abs(cross(a, at)) > 1e-6);
  if (third < 0) return null;
  const b = own[third];
  const det = cross(a, b);
  return (at) => {
    const along = cross(at, b) / det;
    const beside = cross(a, at) / det;
    return [0, 1].map((axis) => site[0][axis] + along * (site[1][axis] - site[0][axis]) + beside * (site[third][axis] - site[0][axis]));
  };
}

/** The same in words, for everybody. */
export function tellWater({ drainage }, units) {
  if (!drainage) return null;
  if (drainage.not_judged) return el("p", { class: "aside", text: `Water: ${drainage.not_judged}.` });
  const spots = drainage.low_spots ?? [];
  const next = (drainage.next_readings ?? []).slice(0, 2);
  return el("div", { class: "water" },
    drainage.before ? el("p", { class: "aside", text: "As before the last change; being worked out anew." }) : null,
    spots.length
      ? el("ul", {}, spots.map((spot, index) => el("li", {},
          el("span", { class: "letter", text: `W${index + 1}` }),
          el("span", {}, el("strong", { text: spot.likelihood }), `, ${Math.round(spot.probability * 100)} % of what the readings allow; depth `,
            el("span", { class: "figure", text: measuredText(spot.depth, units) }), ", area ",
            el("span", { class: "figure", text: measuredText(spot.area, units) })))))
      : el("p", { text: "No low spot is shown by these readings." }),
    (drainage.notes ?? []).map((text) => el("p", { class: "aside", text: `${text}.` })),
    next.length ? el("p", { text: `Put the rod next at ${next.map((one) =>
      `${lengthText(one.along, null, units)} along, ${lengthText(one.up, null, units)} up`).join("; or at ")} (+ in the plan).` }) : null);
}
