// What sets the delay, how sure it is, and what a change of speed does to the echo.

import { delayFromSpacing, speedFromIps } from "../live/formulas.mjs";
import { fixedText, generalText, msText, speedText, uncertainText } from "../live/words.mjs";
import { SEMITONE, slider } from "./control.mjs";
import { heardSound, pluckedNote } from "./hearing.mjs";
import { delayAt, delayUncertainty, echoZone, pitchSemitones, speedTwiceText } from "./timing.mjs";

const LONGEST_MM = 100;
const DELAYS_SEEN_MS = [60, 120, 300, 600, 1200];
const DOUBTS_SEEN_MS = [1, 2, 5, 10, 20, 50];
const CROWDED_MM = 25; // nearer to the record head the lines leave no room above the dot
const NOTES_AT_S = [0.05, 1.45];
const CHANGE_STARTS_S = 1;
const CHANGE_SEEN_S = 4.5;
const PIECE = 40; // points of a curve between two bends

/**
 * @typedef {import("./chart.mjs").Picture} Picture
 * @typedef {import("./control.mjs").Found} Found
 * @typedef {import("./control.mjs").PanelDefinition} PanelDefinition
 * @typedef {{spacing_mm: number, speed_ips: number, slow_ips: number, speed_range_ips: [number, number],
 *   standard_ips: number[], coverage: number, zones: [string, number | null][]}} DelayFacts
 * @typedef {{times: number[], delays: number[], pitches: number[], farthest: number, at: number,
 *   before: number, after: number, rows: [string, string][]}} ChangeFound
 */

/** @param {DelayFacts} facts @param {string} name @param {string} label @param {number} first */
function delaySpeed({ speed_range_ips: [low, high] }, name, label, first) {
  return slider(name, label, first, { low, high, step: SEMITONE, unit: "ips", log: true });
}

/** @param {DelayFacts} facts */
function delaySpacing({ spacing_mm: first }) {
  return slider("spacing_mm", "head spacing", first, { low: 10, high: LONGEST_MM, step: 0.5, unit: "mm" });
}

/**
 * Delay over head spacing, and its plus/minus as a right triangle: ruler and speed err each for itself.
 * Source: JCGM 100:2008, law of propagation.
 * @param {DelayFacts} facts `FACTS` of tapecalc/course/delay.py
 * @returns {PanelDefinition}
 */
export function delayPanel(facts) {
  return {
    name: "delay_and_uncertainty",
    question: "Which matters more for the delay: a millimeter, or two percent of speed?",
    legend: "Dot: your head. The triangle: what the ruler adds (flat), what the speed adds (upright), and "
      + "both together (slanted), each as the +/- that holds in 95 of 100 cases.",
    alt: "Two charts. One: delay in ms over head spacing in mm, straight lines through zero, steeper for "
      + "slower tape. The other: the plus/minus of the delay in ms as a right triangle of ruler and speed.",
    controls: [
      delaySpacing(facts),
      delaySpeed(facts, "speed_ips", "tape speed", facts.speed_ips),
      slider("ruler_mm", "ruler +/-", 1, { low: 0, high: 2, step: 0.1, unit: "mm" }),
      slider("speed_percent", "speed +/-", 2, { low: 0, high: 4, step: 0.1, unit: "%" }),
    ],
    reckon: (values) => reckonDelay(facts, values),
    draw: (picture, found, values) => drawDelay(facts, picture, found, values),
    sound: ({ delay }) => heardSound((time) => NOTES_AT_S.reduce(
      (sum, at) => sum + pluckedNote(time - at) + 0.7 * pluckedNote(time - at - delay), 0)),
    heard: "A note and its echo after this delay, twice.",
  };
}

/**
 * @param {DelayFacts} facts @param {any} values
 * @returns {Found}
 */
function reckonDelay({ coverage, zones }, values) {
  const [spacing, speed] = [values.spacing_mm / 1000, speedFromIps(values.speed_ips)];
  const [ofRuler, ofSpeed] = [values.ruler_mm / 1000, (speed * values.speed_percent) / 100];
  const delay = delayFromSpacing(spacing, speed);
  const [flat, upright, slanted] = [[ofRuler, 0], [0, ofSpeed], [ofRuler, ofSpeed]].map(
    ([mm, ips]) => coverage * delayUncertainty(spacing, speed, mm / coverage, ips / coverage));
  const after = `${uncertainText(1000 * delay, 1000 * slanted, "ms")}, a ${echoZone(delay, zones)}`;
  const where = `${generalText(values.spacing_mm, 6)} mm at ${speedTwiceText(speed)}`;
  return {
    sentence: `${where}: the echo comes after ${after}.`,
    rows: [
      ["from the ruler alone", `+/- ${msText(flat, 1)}`],
      ["from the speed alone", `+/- ${msText(upright, 1)}`],
      ["both together", `+/- ${msText(slanted, 1)}`],
      ["same heads at half the speed", msText(2 * delay)],
    ],
    delay, flat, upright, slanted,
  };
}

/**
 * @param {DelayFacts} facts @param {Picture} picture
 * @param {{delay: number, flat: number, upright: number, slanted: number}} found
 * @param {{spacing_mm: number}} values
 */
function drawDelay({ standard_ips }, picture, found, { spacing_mm }) {
  const [at, flat, upright] = [found.delay, found.flat, found.upright].map((seconds) => 1000 * seconds);
  const most = Math.max(flat, upright);
  const high = 1.25 * (DOUBTS_SEEN_MS.find((room) => room >= most) ?? most);
  const names = standard_ips.map((ips) => {
    const y = LONGEST_MM / speedFromIps(ips);
    return { y, words: speedText(speedFromIps(ips), "us"), look: "context" };
  });
  const [delay, doubt] = picture.beside(picture.narrow ? [1, 1] : [3, 2], [
    { x: { name: "head spacing (mm)", low: 0, high: LONGEST_MM },
      y: { name: "delay (ms)", low: 0, high: Math.max(...DELAYS_SEEN_MS) },
      ends: names.map(({ words }) => words) },
    { x: { name: "+/- from the ruler (ms)", low: 0, high },
      y: { name: "+/- from the speed (ms)", low: 0, high }, equal: !picture.narrow },
  ]);
  for (const { y } of names) delay.line([0, LONGEST_MM], [0, y], "context thin");
  delay.ends(names);
  delay.line([0, LONGEST_MM], [0, (LONGEST_MM * at) / spacing_mm], "echo thick");
  delay.line([spacing_mm, spacing_mm, 0], [0, at, at], "echo thin dashed");
  delay.marks([spacing_mm], [at], "dot", "echo");
  if (spacing_mm < CROWDED_MM) delay.label(2 * spacing_mm, at, msText(found.delay), "echo", "right");
  else delay.label(0, at, msText(found.delay), "echo", "above");
  doubt.line([0, flat], [0, 0], "tape thick");
  doubt.line([flat, flat], [0, upright], "tape thick");
  doubt.line([0, flat], [0, upright], "echo thick");
  doubt.label(flat, upright, `both ${msText(found.slanted, 1)}`, "echo", "above");
}

/**
 * Delay and pitch of the echo while the tape speed changes.
 * @param {DelayFacts} facts `FACTS` of tapecalc/course/delay.py
 * @returns {PanelDefinition}
 */
export function speedChangePanel(facts) {
  return {
    name: "speed_change",
    question: "How long after the speed has settled is the echo back in tune?",
    legend: "Above: the delay. Below: pitch of the echo against what was played. Shaded: while the speed "
      + "changes.",
    alt: "Two charts over the same time in s. Above: delay in ms, going from one steady value to another. "
      + "Below: pitch of the echo in semitones, off zero only while the speed changes and for one new delay "
      + "more.",
    controls: [
      delaySpacing(facts),
      delaySpeed(facts, "first_ips", "speed before", facts.speed_ips),
      delaySpeed(facts, "last_ips", "speed after", facts.slow_ips),
      slider("change_s", "the change takes", 0.5, { low: 0.05, high: 2, step: 0.05, unit: "s" }),
    ],
    reckon: reckonChange,
    draw: drawChange,
  };
}

/**
 * When the playback head meets what was recorded as the change began.
 * @param {number} spacing @param {number} first @param {number} last m/s @param {number} lasts s
 */
function changeArrives(spacing, first, last, lasts) {
  const meanwhile = ((first + last) / 2) * lasts;
  if (meanwhile < spacing) return lasts + (spacing - meanwhile) / last;
  return (2 * spacing) / (first + Math.sqrt(first ** 2 + (2 * spacing * (last - first)) / lasts));
}

/**
 * Times from end to end with all bends of the curves, so that the farthest pitch is among them.
 * @param {number[]} bends
 */
function timesBetween(bends) {
  const sorted = [0, ...bends, CHANGE_SEEN_S].sort((one, other) => one - other);
  const pieces = sorted.slice(1).flatMap((end, n) => (end === sorted[n] ? []
    : Array.from({ length: PIECE }, (_, part) => sorted[n] + ((end - sorted[n]) * part) / PIECE)));
  return [...pieces, CHANGE_SEEN_S];
}

/**
 * @param {any} values
 * @returns {Found}
 */
function reckonChange({ spacing_mm, first_ips, last_ips, change_s }) {
  const spacing = spacing_mm / 1000;
  const [first, last] = [first_ips, last_ips].map(speedFromIps);
  const [before, after] = [first, last].map((speed) => delayFromSpacing(spacing, speed));
  const bends = [0, changeArrives(spacing, first, last, change_s), change_s, change_s + after];
  const times = timesBetween(bends.map((time) => CHANGE_STARTS_S + time));
  const speedAt = (/** @type {number} */ time) =>
    first + (last - first) * Math.min(Math.max((time - CHANGE_STARTS_S) / change_s, 0), 1);
  const delays = delayAt(times, times.map(speedAt), spacing);
  const pitches = times.map((time, n) => pitchSemitones(speedAt(time), speedAt(time - delays[n])));
  const farthest = pitches.reduce((most, pitch) => (Math.abs(pitch) > Math.abs(most) ? pitch : most), 0);
  const found = { times, delays, pitches, farthest, at: times[pitches.indexOf(farthest)], before, after };
  if (Math.abs(farthest) < 0.005) {
    const stays = `The speed stays at ${speedText(first, "us")}: the echo stays ${msText(before)} behind`;
    return { ...found, sentence: `${stays}, and in tune.`, rows: [] };
  }
  const semitones = `${fixedText(Math.abs(farthest), 1)} semitones`;
  const from = `From ${generalText(first_ips, 4)} to ${speedText(last, "us")}`;
  const goes = `from ${fixedText(1000 * before, 0)} to ${msText(after)}`;
  const turns = `${last < first ? "falls" : "rises"} by up to ${semitones}`;
  return {
    ...found,
    sentence: `${from} in ${generalText(change_s, 6)} s: the delay goes ${goes}. The echo ${turns} and is `
      + `back in tune ${msText(after)} after the speed has settled.`,
    rows: [
      ["delay before", msText(before)],
      ["delay after", msText(after)],
      ["farthest out of tune", semitones],
      ["out of tune for", `${fixedText(change_s + after, 2)} s`],
    ],
  };
}

/**
 * @param {Picture} picture @param {ChangeFound} found @param {{change_s: number}} values
 */
function drawChange(picture, found, { change_s }) {
  const longest = 1000 * Math.max(found.before, found.after);
  const high = DELAYS_SEEN_MS.find((room) => room >= 1.05 * longest) ?? longest;
  const [delay, pitch] = picture.below([1, 1], [
    { x: { low: 0, high: CHANGE_SEEN_S }, y: { name: "delay (ms)", low: 0, high } },
    { x: { name: "time (s)", low: 0, high: CHANGE_SEEN_S },
      y: { name: "pitch (semitones)", low: -33, high: 33, ticks: [-24, -12, 0, 12, 24] } },
  ]);
  const settled = CHANGE_STARTS_S + change_s;
  const [moves, falls] = [found.rows.length > 0, found.farthest < 0];
  for (const axes of moves ? [delay, pitch] : []) {
    axes.shade(CHANGE_STARTS_S, settled, "fill");
    axes.rule({ x: settled + found.after }, "context dashed thin");
  }
  delay.line(found.times, found.delays.map((seconds) => 1000 * seconds), "echo thick");
  pitch.line(found.times, found.pitches, "echo thick");
  if (!moves) return;
  const again = settled + found.after;
  const side = again < CHANGE_SEEN_S / 2 ? "right" : "left";
  delay.label(again, falls ? 0 : high, "in tune again", "context", side);
  pitch.label(found.at, found.farthest, found.rows[2][1], "echo", falls ? "below" : "above");
}
