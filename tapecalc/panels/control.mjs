// What the controls of a panel are: names with units, where they stand at first, and what they take.

import { generalText } from "../live/words.mjs";

/** A slider's step in decades: twelve steps double. */
export const SEMITONE = Math.log10(2) / 12;

/**
 * @typedef {{name: string, label: string, value: any, low: number, high: number, step: number, unit: string,
 *   log: boolean, options: string[] | null}} PanelControl
 * @typedef {{sentence: string, rows: [string, string][], [more: string]: any}} Found
 * @typedef {{rate: number, samples: Float32Array}} PanelSound
 * @typedef {{name: string, question: string, legend: string, alt: string, controls: PanelControl[],
 *   reckon: (values: any) => Found,
 *   draw: (picture: import("./chart.mjs").Picture, found: any, values: any) => void,
 *   sound?: (found: any, values: any) => PanelSound, heard?: string}} PanelDefinition
 */

/**
 * A slider; a logarithmic one has its step in decades.
 * @param {string} name with the unit, as in spacing_mm
 * @param {string} label without it
 * @param {number} value
 * @param {{low: number, high: number, step: number, unit?: string, log?: boolean}} range
 * @returns {PanelControl}
 */
export function slider(name, label, value, { low, high, step, unit = "", log = false }) {
  if (!(low < high && step > 0 && value >= low && value <= high) || (log && low <= 0)) {
    throw new RangeError(`${name} must have low < high and a value between, got ${low}, ${high}, ${value}`);
  }
  return { name, label, value, low, high, step, unit, log, options: null };
}

/**
 * A list to choose from; the word is the value.
 * @param {string} name @param {string} label @param {string[]} options @param {string} value
 * @returns {PanelControl}
 */
export function choice(name, label, options, value) {
  refuseUnlessOne(name, options, value);
  return { name, label, value, low: 0, high: 0, step: 0, unit: "", log: false, options };
}

/**
 * @param {string} name @param {string[]} options @param {string} value
 */
function refuseUnlessOne(name, options, value) {
  if (options.includes(value)) return;
  throw new RangeError(`${name} must be one of ${options.join(", ")}, got ${value}`);
}

/**
 * A box to check.
 * @param {string} name @param {string} label @param {boolean} value
 * @returns {PanelControl}
 */
export function check(name, label, value) {
  return { name, label, value, low: 0, high: 0, step: 0, unit: "", log: false, options: null };
}

/**
 * The values at which a panel begins.
 * @param {PanelControl[]} controls @returns {Record<string, any>}
 */
export function firstValues(controls) {
  return Object.fromEntries(controls.map((control) => [control.name, control.value]));
}

/**
 * How many steps a slider has.
 * @param {PanelControl} control
 */
export function stepsOf({ low, high, step, log }) {
  return Math.round((log ? Math.log10(high / low) : high - low) / step);
}

/**
 * The value at a slider's step. Steps count from where it stands at first, so that this is one of them.
 * @param {PanelControl} control @param {number} at
 */
export function valueAt(control, at) {
  const { value, low, high, step, log } = control;
  const away = at - placeOf(control, value);
  const there = log ? value * 10 ** (away * step) : Number((value + away * step).toPrecision(12));
  return Math.min(Math.max(there, low), high);
}

/**
 * The slider's step nearest to a value.
 * @param {PanelControl} control @param {number} value
 */
export function placeOf({ low, step, log }, value) {
  return Math.round((log ? Math.log10(value / low) : value - low) / step);
}

/**
 * A value as people read it, with its unit.
 * @param {PanelControl} control @param {any} value
 */
export function valueText({ step, unit, log }, value) {
  if (typeof value !== "number") return String(value);
  const places = (String(Number(step.toPrecision(6))).split(".")[1] ?? "").length;
  const text = log ? generalText(value, 3) : value.toFixed(places);
  return unit ? `${text}${unit === "%" ? "\u00A0" : " "}${unit}` : text;
}

/**
 * Values that came from somewhere else, checked: each is kept or refused in one sentence.
 * @param {PanelControl[]} controls @param {Record<string, any>} given
 * @returns {Record<string, any>} all values, those not given as at first
 */
export function checkedValues(controls, given) {
  const values = firstValues(controls);
  for (const [name, value] of Object.entries(given)) {
    const control = controls.find((one) => one.name === name);
    if (!control) {
      throw new RangeError(`a panel must have the control ${name}, it has ${Object.keys(values).join(", ")}`);
    }
    const { low, high, options } = control;
    if (options) {
      refuseUnlessOne(name, options, value);
    } else if (typeof control.value === "boolean") {
      if (typeof value !== "boolean") throw new RangeError(`${name} must be true or false, got ${value}`);
    } else if (!(typeof value === "number" && value >= low && value <= high)) {
      throw new RangeError(`${name} must be from ${low} to ${high}, got ${value}`);
    }
    values[name] = value;
  }
  return values;
}
