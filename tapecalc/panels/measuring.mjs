// What ruler and stopwatch tell, and how long a piece of sound to compare.

import { fixedText, generalText, uncertainText } from "../live/words.mjs";
import { slider } from "./control.mjs";
import { toldBy } from "./geometry.mjs";
import { PIECE_RATE, PIECE_SECONDS, flutteredDelay, pieceDelay, piecePlaces } from "./pieces.mjs";
import { pieceSounds, playedPieces } from "./pieces.mjs";

const SHOWN_MM = 2.5; // about the deck's own figures
const SHOWN_CM_S = 1.2;
const AROUND = Array.from({ length: 121 }, (_, at) => (2 * Math.PI * at) / 120);
const FROM_S = 0.3;
const SHOWN_MS = 1.7;
const FAINTEST_US = 0.1;
const LARGEST_US = 2000;

/** @typedef {import("./control.mjs").Found} Found */

/** @param {number} unit in SI @returns {(value: number) => number} */
function inUnits(unit) {
  return (value) => value / unit;
}

// ---- what each tool tells ----

/**
 * Head spacing and tape speed by delay, ruler and stopwatch. The delay allows a slanted strip, the ruler an
 * upright band, the stopwatch a level one; the ellipse is what all three leave.
 * Source: JCGM 100:2008 (GUM).
 * @param {any} facts `FACTS` of tapecalc/course/measuring.py
 * @returns {import("./control.mjs").PanelDefinition}
 */
export function toolsPanel(facts) {
  return {
    name: "ruler_and_stopwatch",
    question: "From which length of tape on does the stopwatch tell more than the ruler?",
    legend:
      "Slanted strip: pairs that give the delay. Upright band: what the ruler allows. Level band: what the " +
      "stopwatch allows. Ellipse: what all together leave; dot: the best pair.",
    alt:
      "Chart of tape speed in cm/s over head spacing in mm: a slanted strip for the delay, an upright band " +
      "for the ruler, a level band for the stopwatch, and a small ellipse where they cross.",
    controls: [
      slider("ruler_mm", "ruler +/-", 0.5, { low: 0.1, high: 2, step: 0.05, unit: "mm" }),
      slider("length_m", "marked tape", 5, { low: 1, high: 30, step: 0.5, unit: "m" }),
      slider("thumb_s", "stopwatch +/-", 0.2, { low: 0.05, high: 0.5, step: 0.05, unit: "s" }),
      slider("delay_us", "delay +/-", 50, { low: 1, high: 4000, step: 0.1, unit: "µs", log: true }),
    ],
    reckon: (values) => reckonTools(facts, values),
    draw: (picture, found) => drawTools(facts, picture, found),
  };
}

/** @param {any} facts @param {any} values @returns {Found} */
function reckonTools(facts, { ruler_mm, length_m, thumb_s, delay_us }) {
  const { spacing, speed, coverage, marks, clock } = facts;
  // Each plus/minus as a share of its value; the clock within its tolerance is even, not normal.
  const [ruler, delay] = [ruler_mm * 1e-3 / spacing, (delay_us * 1e-6 * speed) / spacing];
  const watch = Math.hypot(marks, (thumb_s * speed) / length_m);
  const late = Math.hypot(delay / coverage, clock / Math.sqrt(3));
  const told = (/** @type {number} */ ofRuler, /** @type {number} */ ofWatch) => {
    const found = toldBy(late, ofRuler / coverage, ofWatch / coverage);
    const plusMinus = [coverage * spacing * found.spacing, coverage * speed * found.speed];
    const mm = uncertainText(spacing / 1e-3, plusMinus[0] / 1e-3, "mm");
    return { found, plusMinus, mm, cms: uncertainText(speed / 1e-2, plusMinus[1] / 1e-2, "cm/s") };
  };
  const [all, ruled, timed] = [told(ruler, watch), told(ruler, Infinity), told(Infinity, watch)];
  const better = timed.plusMinus[1] < ruled.plusMinus[1] ? "stopwatch" : "ruler";
  const outline = AROUND.map((angle) => all.found.outline(angle).map((share) => 1 + coverage * share));
  return {
    sentence:
      `Delay, ruler and stopwatch together: heads ${all.mm} apart, tape at ${all.cms}. The ${better} tells ` +
      "more.",
    rows: [
      ["with the ruler alone", `${ruled.mm}; ${ruled.cms}`],
      ["with the stopwatch alone", `${timed.mm}; ${timed.cms}`],
      ["with the delay alone", "only spacing over speed, the slanted strip"],
    ],
    ruler, watch: timed.plusMinus[1] / speed, delay, better,
    spacings: outline.map((pair) => spacing * pair[0]),
    speeds: outline.map((pair) => speed * pair[1]),
  };
}

/** @param {any} facts @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawTools(facts, picture, { ruler, watch, delay, spacings, speeds }) {
  const [mm, cms] = [facts.spacing / 1e-3, facts.speed / 1e-2];
  const [x, y] = [
    { name: "head spacing (mm)", low: mm - SHOWN_MM, high: mm + SHOWN_MM },
    { name: "tape speed (cm/s)", low: cms - SHOWN_CM_S, high: cms + SHOWN_CM_S },
  ];
  const axes = picture.axes({ x, y });
  axes.shade(mm * (1 - ruler), mm * (1 + ruler));
  axes.band(cms * (1 - watch), cms * (1 + watch));
  const across = AROUND.map((_, at) => x.low + (2 * SHOWN_MM * at) / (AROUND.length - 1));
  const [lower, upper] = [1 + delay, 1 - delay].map((share) => across.map((one) => (cms * one) / mm / share));
  axes.area(across, lower, upper, "fill");
  for (const side of [-1, 1]) {
    axes.rule({ x: mm * (1 + side * ruler) }, "text thin");
    axes.rule({ y: cms * (1 + side * watch) }, "tape");
    axes.line(across, side < 0 ? lower : upper, "context");
  }
  axes.line(spacings.map(inUnits(1e-3)), speeds.map(inUnits(1e-2)), "echo thick");
  axes.marks([mm], [cms], "dot", "echo");
  axes.label(mm * (1 + ruler), y.low, "ruler", "text", "right");
  axes.label(x.low, cms * (1 + watch), "stopwatch", "tape", "above");
  axes.label(x.low + 0.45, lower[0], "delay", "context", "right");
}

// ---- how long a piece to compare ----

/**
 * Twenty pieces of noise, each looked for in its echo, and the truth beside them.
 * @param {any} facts `FACTS` of tapecalc/course/measuring.py
 * @returns {import("./control.mjs").PanelDefinition}
 */
export function piecesPanel(facts) {
  return {
    name: "pieces_of_sound",
    question: "Do longer pieces find the delay better, with a wobble and without?",
    legend:
      "Above: line, the delay that the tape really makes; dots, what each piece finds. Below: dots, the " +
      "error of each piece; level line, their rms.",
    alt:
      "Two charts over time in s. Above: delay in ms, a sine with a dot for each of 20 pieces. Below: " +
      "error of each piece in microseconds on a logarithmic scale, and a level line for their rms.",
    controls: [
      slider("piece_ms", "length of a piece", 20, { low: 5, high: 100, step: 0.02, unit: "ms", log: true }),
      slider("snr_db", "signal over noise", 40, { low: 0, high: 60, step: 1, unit: "dB" }),
      slider("wobble_percent", "wobble of the speed", 0.2, { low: 0, high: 0.5, step: 0.01, unit: "%" }),
      slider("rate_hz", "rate of the wobble", 2, { low: 0.5, high: 10, step: 0.1, unit: "Hz" }),
    ],
    reckon: (values) => reckonPieces(facts.delay, values),
    draw: (picture, found) => drawPieces(facts.delay, picture, found),
  };
}

/** @param {number} usual @param {any} values @returns {Found} */
function reckonPieces(usual, { piece_ms, snr_db, wobble_percent, rate_hz }) {
  const delayAt = (/** @type {number} */ time) => flutteredDelay(time, wobble_percent / 100, rate_hz, usual);
  const length = Math.round((piece_ms / 1e3) * PIECE_RATE);
  const places = piecePlaces(length, usual);
  const played = playedPieces(delayAt, 10 ** (-snr_db / 20), places.map(({ span }) => span));
  const { dry } = pieceSounds();
  const found = places.map((place) => pieceDelay(dry, played, length, place));
  const heard = places.map(({ middle }, piece) => middle + found[piece]);
  const errors = found.map((delay, piece) => delay - delayAt(heard[piece]));
  const times = Array.from({ length: 501 }, (_, at) => (PIECE_SECONDS * at) / 500);
  const delays = times.map(delayAt);
  const rms = rmsOf(errors);
  const mean = found.reduce((sum, delay) => sum + delay, 0) / found.length;
  const spread = (2 * rmsOf(found.map((delay) => delay - mean))) / Math.sqrt(found.length);
  const swing = Math.max(...delays) - Math.min(...delays);
  const told = `single ones are off by ${twoDigitsUs(rms)} rms`;
  return {
    sentence: `Pieces of ${generalText(piece_ms, 3)} ms find the delay: ${told}.`,
    rows: [
      ["the worst piece is off by", twoDigitsUs(Math.max(...errors.map(Math.abs)))],
      ["the delay swings by", `${fixedText(swing / 1e-6, 0)} µs`],
      ["mean of all pieces", uncertainText(mean / 1e-3, Math.max(spread / 1e-3, 1e-4), "ms")],
    ],
    times, delays, heard, found, errors, rms,
  };
}

/** @param {number[]} values */
function rmsOf(values) {
  return Math.sqrt(values.reduce((sum, value) => sum + value * value, 0) / values.length);
}

/** @param {number} time */
function twoDigitsUs(time) {
  return `${generalText(Number(generalText(time / 1e-6, 2)), 6)} µs`;
}

/** @param {number} usual @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawPieces(usual, picture, { times, delays, heard, found, errors, rms }) {
  const ms = inUnits(1e-3);
  const shown = (/** @type {number} */ error) =>
    Math.min(Math.max(Math.abs(error) / 1e-6, FAINTEST_US), LARGEST_US);
  const x = { low: FROM_S, high: PIECE_SECONDS };
  const ticks = [0.1, 1, 10, 100, 1000];
  const range = { low: FAINTEST_US, high: LARGEST_US, log: true };
  const [above, below] = picture.below(picture.narrow ? [1, 1] : [3, 2], [
    { x, y: { name: "delay (ms)", low: ms(usual) - SHOWN_MS, high: ms(usual) + SHOWN_MS } },
    { x: { ...x, name: "time (s)" }, y: { name: "error (µs)", ...range, ticks, words: ticks.map(String) } },
  ]);
  above.line(times, delays.map(ms), "tape");
  above.marks(heard, found.map(ms), "dot", "echo");
  below.marks(heard, errors.map(shown), "dot", "echo");
  below.rule({ y: shown(rms) }, "echo");
  below.label(x.high, shown(rms), `rms ${twoDigitsUs(rms)}`, "echo", rms > 100e-6 ? "below" : "above");
}
