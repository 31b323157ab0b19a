// What panels reckon about delay and tempo. Each function mirrors one of the library and says which; a test
// compares the two at random places. SI inside.

import { delayFromSpacing, spacingFromDelay } from "../live/formulas.mjs";
import { fixedText, speedText } from "../live/words.mjs";

const TIMING_MINUTE_S = 60;
const EXACT = 1e-12;
const PERCENT_ROUNDING = 1e-9;

/** @typedef {import("../live/formulas.mjs").NoteFit} NoteFit */

/**
 * Mirrors tapecalc.calc.transport.delay_uncertainty.
 * @param {number} spacing @param {number} speed @param {number} uSpacing @param {number} uSpeed
 */
export function delayUncertainty(spacing, speed, uSpacing, uSpeed) {
  return delayFromSpacing(spacing, speed) * Math.hypot(uSpacing / spacing, uSpeed / speed);
}

/**
 * Mirrors tapecalc.calc.tempo.echo_zone, its name.
 * @param {number} delay @param {[string, number | null][]} zones with the longest delay of each, if any
 * @returns {string}
 */
export function echoZone(delay, zones) {
  return zones.filter(([, longest]) => longest === null || delay < longest)[0][0];
}

/**
 * Mirrors tapecalc.calc.transport.delay_at.
 * @param {number[]} times rising @param {number[]} speeds straight between the times @param {number} spacing
 * @returns {number[]}
 */
export function delayAt(times, speeds, spacing) {
  const position = [0];
  for (let n = 1; n < times.length; n += 1) {
    position.push(position[n - 1] + ((times[n] - times[n - 1]) * (speeds[n] + speeds[n - 1])) / 2);
  }
  let k = 0;
  return times.map((time, n) => {
    const recorded = position[n] - spacing;
    if (recorded < 0) return time - (times[0] + recorded / speeds[0]);
    while (k < times.length - 2 && position[k + 1] <= recorded) k += 1;
    const into = recorded - position[k];
    const slope = (speeds[k + 1] - speeds[k]) / (times[k + 1] - times[k]);
    return time - times[k] - (2 * into) / (speeds[k] + Math.sqrt(speeds[k] ** 2 + 2 * slope * into));
  });
}

/**
 * Mirrors tapecalc.calc.transport.pitch_ratio, in semitones.
 * @param {number} speed @param {number} recordedSpeed
 */
export function pitchSemitones(speed, recordedSpeed) {
  return 12 * Math.log2(speed / recordedSpeed);
}

/**
 * Mirrors tapecalc.calc.transport.sleeve_diameter.
 * @param {number} diameter @param {number} thickness @param {number} speedRatio
 */
export function sleeveDiameter(diameter, thickness, speedRatio) {
  return (diameter + thickness) * speedRatio - thickness;
}

/**
 * Mirrors tapecalc.calc.tempo.exact_changes without their plus/minus; `sleeve` is null where impossible.
 * @param {NoteFit} fit @param {number} beats of its note @param {number} spacing @param {number} speed
 * @param {number} capstan its diameter @param {number} thickness of the tape
 */
export function exactChanges(fit, beats, spacing, speed, capstan, thickness) {
  const ratio = fit.delay / fit.wanted;
  const exactSpacing = spacingFromDelay(fit.wanted, speed);
  return {
    spacingChange: exactSpacing - spacing,
    spacing: exactSpacing,
    speedChangePercent: fit.errorPercent,
    speed: speed * ratio,
    sleeve: fit.errorPercent > -PERCENT_ROUNDING ? sleeveDiameter(capstan, thickness, ratio) : null,
    bpm: (beats * TIMING_MINUTE_S) / fit.delay,
  };
}

/**
 * Mirrors tapecalc.calc.tempo.TempoFit.repeats_in_time: null if the error is never heard.
 * @param {NoteFit} fit
 * @returns {number | null}
 */
export function repeatsInTime(fit) {
  if (Math.abs(fit.error) <= EXACT * Math.max(fit.delay, fit.wanted)) return null;
  return Math.floor((fit.threshold / Math.abs(fit.error)) * (1 + 1e-9));
}

/**
 * Mirrors tapecalc.calc.tempo.grid_offset.
 * @param {number} delay @param {number} wanted @param {number} repeat
 */
export function gridOffset(delay, wanted, repeat) {
  return repeat * (delay - wanted);
}

/**
 * Mirrors tapecalc.words.speed_twice in inches.
 * @param {number} speed
 */
export function speedTwiceText(speed) {
  return `${speedText(speed, "us")} (${speedText(speed, "metric")})`;
}

/**
 * A number with its sign and so many decimals, and no minus before a zero.
 * @param {number} value @param {number} digits
 */
export function signedText(value, digits) {
  const text = fixedText(value, digits);
  if (/^-?[0.]+$/.test(text)) return `+${text.replace("-", "")}`;
  return value > 0 ? `+${text}` : text;
}
