// Measured numbers as people read them: feet and inches or metres, never finer than they deserve.

const INCH = 0.0254;
const FOOT = 12 * INCH;
const STEPS = [1, 2, 4, 8, 16, 32]; // parts of an inch, as on a tape

const fraction = (parts, of) => {
  while (parts % 2 === 0 && of > 1) { parts /= 2; of /= 2; }
  return `${parts}/${of}`;
};

function inches(value, of, afterFeet = false) {
  const whole = Math.floor(value * of + 1e-9);
  const full = Math.floor(whole / of);
  const rest = whole % of;
  if (rest === 0) return `${full}`;
  return full === 0 && !afterFeet ? fraction(rest, of) : `${full}-${fraction(rest, of)}`;
}

function feetInches(metres, of) {
  const parts = Math.round(Math.abs(metres) / INCH * of);
  const sign = metres < 0 && parts > 0 ? "-" : "";
  const feet = Math.floor(parts / (12 * of));
  const rest = (parts - feet * 12 * of) / of;
  return feet === 0 ? `${sign}${inches(rest, of)}"` : `${sign}${feet}' ${inches(rest, of, true)}"`;
}

// Value and half-width end at the same digit; the half-width keeps one, or two under 4, rounded up.
const places = (halfWidth, most) => {
  if (!(halfWidth > 0)) return most;
  const exponent = Math.floor(Math.log10(halfWidth));
  return Math.min(most, Math.max(0, (halfWidth < 4 * 10 ** exponent ? 1 : 0) - exponent));
};

const up = (value, digits) =>
  value > 0 ? (Math.ceil(Number((value * 10 ** digits).toPrecision(12))) / 10 ** digits).toFixed(digits) : "0";

function decimal(value, halfWidth, suffix, most = 6, otherwise = 1) {
  if (halfWidth === null) return value.toFixed(otherwise) + suffix;
  const digits = places(halfWidth, most);
  return `${value.toFixed(digits)}${suffix} ± ${up(halfWidth, digits)}${suffix}`;
}

/** A length in metres with its half-width (null: none), `24' 6-1/8" ± 5/16"` or `7.471 m ± 0.010 m`. */
export function lengthText(metres, halfWidth, units) {
  if (units === "metric" && Math.abs(metres) < 0.1) {
    return decimal(metres * 1000, halfWidth === null ? null : halfWidth * 1000, " mm", 1, 0);
  }
  if (units === "metric") return decimal(metres, halfWidth, " m", 4, 3);
  if (halfWidth === null) return feetInches(metres, 8);
  const of = STEPS.find((parts) => 1 / parts <= halfWidth / INCH / 2) ?? 32;
  const finer = Math.min(of * 2, 64);
  return `${feetInches(metres, of)} ± ${inches(Math.ceil(halfWidth / INCH * finer - 1e-9) / finer, finer)}"`;
}

function areaText(value, halfWidth, units) {
  if (units === "metric") return decimal(value, halfWidth, " m2", 2);
  const foot = FOOT * FOOT;
  return decimal(value / foot, halfWidth === null ? null : halfWidth / foot, " sq ft", 1);
}

function slopeText(value, halfWidth, units) {
  if (units === "metric") return decimal(value * 100, halfWidth === null ? null : halfWidth * 100, " %", 6, 2);
  if (halfWidth === null) return `${(value * 12).toFixed(2)}:12`;
  const digits = places(halfWidth * 12, 6);
  return `${(value * 12).toFixed(digits)}:12 ± ${up(halfWidth * 12, digits)}`;
}

const degrees = (radians) => radians * 180 / Math.PI;

/** Anything measured: a figure, or why there is none and what would give it. */
export function measuredText(measured, units) {
  if (!measured) return "not known";
  if (measured.not_observed !== undefined) {
    return `not observed: ${measured.not_observed}${measured.cure ? `; ${measured.cure}` : ""}`;
  }
  const { value, half_width: halfWidth, unit } = measured;
  switch (unit) {
    case "m": return lengthText(value, halfWidth, units);
    case "m2": return areaText(value, halfWidth, units);
    case "m/m": return slopeText(value, halfWidth, units);
    case "rad": return decimal(degrees(value), degrees(halfWidth), "°");
    case "m3": return units === "metric" ? decimal(value * 1000, halfWidth * 1000, " L", 2)
      : decimal(value / FOOT ** 3, halfWidth / FOOT ** 3, " cu ft", 2);
    case "kg": return units === "metric" ? decimal(value, halfWidth, " kg", 1)
      : decimal(value / 0.45359237, halfWidth / 0.45359237, " lb", 1);
    default: return decimal(value, halfWidth, unit && unit !== "1" ? ` ${unit}` : "");
  }
}

/** Short form for drawings: nothing where it was not observed. */
export const shortText = (measured, units) =>
  measured && measured.not_observed === undefined ? measuredText(measured, units) : "not observed";

/** A length that a person wrote down, as text that the visit's files take. */
export function writtenLength(metres, units) {
  if (metres === null || metres === undefined) return "";
  return units === "metric" ? `${Math.round(metres * 1000)} mm` : feetInches(metres, 32).replace(/"/g, " in").replace("'", " ft");
}
