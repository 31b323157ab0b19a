// How a wobble of the speed bends a repeat, and which turning part bends it.

import { dbToAmplitude, delayFromSpacing, speedFromIps } from "../live/formulas.mjs";
import { fixedText, generalText, msText, speedText } from "../live/words.mjs";
import { check, SEMITONE, slider } from "./control.mjs";
import { heardSound } from "./hearing.mjs";
import { delaySwing, partRate, partWobble, ratioToCents, repeatDeviation } from "./wobbling.mjs";
import { twoSigma, usualShimmerDb, weightingDb } from "./wobbling.mjs";

const LARGEST_WOBBLE_PERCENT = 0.5;
const FASTEST_WOBBLE_HZ = 12;
const OLDEST_S = -1.5;
const [SLOWEST_TURN_HZ, FASTEST_TURN_HZ] = [0.07, 40];
const TURN_TICKS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20];
const [READ_SECONDS, READ_STEP_S] = [20, 0.005];
const GOLDEN = (1 + Math.sqrt(5)) / 2;
const HELD_SECONDS = 1.5; // of the repeat alone, before the dry note joins it

/** @typedef {import("./control.mjs").PanelDefinition} PanelDefinition */

// ---- how a repeat bends ----

/**
 * One wobble: speed then and now, and the comb through which a repeat hears it.
 * @param {any} facts `FACTS` of tapecalc/course/flutter.py
 * @returns {PanelDefinition}
 */
export function wobblePanel(facts) {
  return {
    name: "one_wobble",
    question: "Which rates leave every repeat steady, and which leave only the second one steady?",
    legend:
      "Above: dots, when the sound you hear now passed the heads; carry the first of them over to " +
      "now, and the upright stretch is the bend. Below: how far your repeat bends at any rate; " +
      "dashed, repeat 1; dot, your wobble.",
    alt:
      "Two charts. Above: deviation of the tape speed in percent over time in s, a sine with dots one" +
      " delay apart. Below: bend of the repeat in percent over the rate of the wobble in Hz, a row of" +
      " arches.",
    controls: [
      slider("rate_hz", "the wobble comes", 2.3,
        { low: 0.2, high: FASTEST_WOBBLE_HZ, step: 0.05, unit: "Hz" }),
      slider("delay_ms", "delay", facts.delay_ms, { low: 60, high: 450, step: 1, unit: "ms" }),
      slider("repeat", "repeat", 1, { low: 1, high: 3, step: 1 }),
      slider("wobble_percent", "wobble, zero to peak", 0.3,
        { low: 0.05, high: LARGEST_WOBBLE_PERCENT, step: 0.05, unit: "%" }),
    ],
    reckon: (values) => wobbleFound(facts.held_hz, values),
    draw: drawWobble,
    sound: (found, values) => wobbleSound(facts.held_hz, found, values),
    heard:
      "A held note as this repeat gives it back; halfway the dry note joins it, and the two of them " +
      "shimmer.",
  };
}

/** @param {number} heldHz @param {any} values */
function wobbleFound(heldHz, { rate_hz, delay_ms, repeat, wobble_percent }) {
  const [delay, wobble] = [delay_ms * 1e-3, wobble_percent / 100];
  const bend = repeatDeviation(wobble, rate_hz, delay, repeat);
  const swing = delaySwing(wobble, rate_hz, delay, repeat);
  // The wobble stands so that the repeat heard now bends the most: its turns since the sound was recorded lie
  // evenly about its steepest place.
  const half = 2 * Math.PI * rate_hz * repeat * delay * 0.5;
  const phase = half + (Math.sin(half) < 0 ? Math.PI : 0);
  const speedAt = /** @param {number} time */ (time) =>
    wobble_percent * Math.sin(2 * Math.PI * rate_hz * time + phase);
  const passed = Array.from({ length: repeat + 1 }, (_, at) => (at - repeat) * delay);
  const speeds = passed.map(speedAt);
  return {
    sentence: `A wobble of ${generalText(wobble_percent, 6)} % that comes ${generalText(rate_hz, 6)} times ` +
      `a second bends repeat ${repeat}, ${fixedText(repeat * delay_ms, 0)} ms late, by up to ` +
      `${fixedText(bend / 0.01, 2)} % (${fixedText(ratioToCents(1 + bend), 1)} cents): ` +
      `${fixedText(bend / wobble, 2)} times the wobble.`,
    rows: /** @type {[string, string][]} */ ([
      ["speed now", signedPercent(speeds[repeat])],
      ["speed when it was recorded", signedPercent(speeds[0])],
      ["the repeat comes early or late by", msText(swing, 2)],
      [`held ${heldHz} Hz, echo as loud, swings by`, `${fixedText(usualShimmerDb(heldHz, swing), 1)} dB`],
      ["every repeat is steady at multiples of", `${fixedText(1 / delay, 2)} Hz`],
    ]),
    bend,
    swing,
    passed,
    speeds,
    speedAt,
  };
}

/** @param {number} percent @returns {string} with its sign, and none before a zero */
function signedPercent(percent) {
  const text = fixedText(percent, 2);
  return Number(text) === 0 ? "0.00 %" : `${percent > 0 ? "+" : ""}${text} %`;
}

/**
 * Numbers from one to another, evenly.
 * @param {number} low @param {number} high @param {number} count
 */
function evenly(low, high, count) {
  return Array.from({ length: count }, (_, at) => low + ((high - low) * at) / (count - 1));
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found @param {any} values */
function drawWobble(picture, { bend, passed, speeds, speedAt }, values) {
  const { rate_hz, delay_ms, repeat, wobble_percent } = values;
  const [tape, arches] = picture.below([1, 1], [
    {
      x: { name: "time, now = 0 (s)", low: OLDEST_S, high: 0.3 },
      y: { name: "speed of the tape (%)", low: -0.6, high: 0.6, ticks: [-0.5, 0, 0.5] },
    },
    {
      x: { name: "rate of the wobble (Hz)", low: 0, high: FASTEST_WOBBLE_HZ },
      y: { name: `bend of repeat ${repeat} (%)`, low: 0, high: 1.1, ticks: [0, 0.5, 1] },
    },
  ]);
  const times = evenly(OLDEST_S, 0.3, 451);
  tape.line(times, times.map(speedAt), "tape");
  tape.line([passed[0], 0, 0], [speeds[0], speeds[0], speeds[repeat]], "echo");
  tape.marks(passed, speeds, "dot", "text");
  tape.label(passed[0], speeds[0], "recorded", "text", speeds[0] > 0 ? "above" : "below");
  tape.label(0, speeds[repeat], "now", "text", "right");
  for (const passes of repeat > 1 ? [1, repeat] : [1]) {
    const arch = 1 / (passes * delay_ms * 1e-3);
    // As many points to each arch, so that every foot is one of them.
    const points = Math.max(24, Math.ceil((240 * arch) / FASTEST_WOBBLE_HZ));
    const rates = Array.from({ length: Math.ceil((points * FASTEST_WOBBLE_HZ) / arch) + 1 }, (_, at) =>
      (arch * at) / points);
    const bends = rates.map((rate) => repeatDeviation(wobble_percent, rate, delay_ms * 1e-3, passes));
    arches.line(rates, bends, passes === repeat ? "echo" : "context dashed");
  }
  arches.marks([rate_hz], [100 * bend], "dot", "text");
}

/** @param {number} heldHz @param {any} found @param {any} values */
function wobbleSound(heldHz, { swing }, { rate_hz, delay_ms, repeat }) {
  const late = (repeat * delay_ms) / 1000;
  return heardSound((time) => {
    const delay = late - swing * Math.cos(2 * Math.PI * rate_hz * time);
    const dry = Math.min(Math.max((time - HELD_SECONDS) / 0.02, 0), 1);
    return Math.sin(2 * Math.PI * heldHz * (time - delay)) + dry * Math.sin(2 * Math.PI * heldHz * time);
  });
}

// ---- which part bends it ----

/**
 * The bench deck's turning parts: how often, how deep, and what a meter reads.
 * Source: rolling without slip; weighting of AES6-2008, IEC 60386.
 * @param {any} facts `FACTS` of tapecalc/course/flutter.py
 * @returns {PanelDefinition}
 */
export function partsPanel(facts) {
  const [low, high] = facts.speed_range_ips;
  return {
    name: "turning_parts",
    question: "At which head spacing does the echo stop hearing the capstan, whatever the speed?",
    legend:
      "Above: dots, each part's wobble of the speed; squares, how far it bends the first repeat. " +
      "Below: how much a flutter meter listens at each rate; diamonds, at those of the parts.",
    alt:
      "Two charts over turns per second in Hz. Above: deviation in percent, a dot and a square for " +
      "each part, reel, roller, belt and capstan. Below: weighting in dB, highest at 4 Hz.",
    controls: [
      slider("spacing_mm", "head spacing", facts.spacing_mm, { low: 20, high: 120, step: 0.1, unit: "mm" }),
      slider("speed_ips", "tape speed", facts.speed_ips,
        { low, high, step: SEMITONE, unit: "ips", log: true }),
      slider("capstan_mm", "capstan diameter", facts.capstan_mm, { low: 6, high: 12, step: 0.1, unit: "mm" }),
      slider("reel_mm", "radius of tape on the reel", facts.reel_mm,
        { low: 30, high: 130, step: 1, unit: "mm" }),
      check("forced", "capstan: a pulsing force, not out of round", false),
    ],
    reckon: (values) => partsFound(facts, values),
    draw: (picture, found) => drawParts(picture, facts.weighting, found),
  };
}

/** @param {any} facts @param {any} values */
function partsFound({ parts, weighting, coverage, forced_at }, values) {
  const { spacing_mm, speed_ips, capstan_mm, reel_mm, forced } = values;
  const speed = speedFromIps(speed_ips);
  const delay = delayFromSpacing(spacing_mm / 1000, speed);
  /** @type {Record<string, object>} */
  const changes = {
    capstan: { diameter: capstan_mm / 1000, forced_at: forced ? forced_at : null },
    belt: { capstan_diameter: capstan_mm / 1000 }, // whose pulley sits on the capstan
    reel: { reel_radius: reel_mm / 1000 },
  };
  /** @type {{kind: string, name: string, rate: number, wobble: number, bend: number, weightDb: number}[]} */
  const turning = parts.map((/** @type {import("./wobbling.mjs").TurningPart} */ given) => {
    const part = { ...given, ...changes[given.kind] };
    const [rate, wobble] = [partRate(part, speed), partWobble(part, speed)];
    const bend = repeatDeviation(wobble, rate, delay, 1);
    return { kind: part.kind, name: part.name, rate, wobble, bend, weightDb: weightingDb(weighting, rate) };
  });
  const read = new Float64Array(Math.round(READ_SECONDS / READ_STEP_S));
  turning.forEach(({ rate, bend, weightDb }, at) => {
    const size = bend * dbToAmplitude(weightDb);
    const phase = GOLDEN * at; // apart: no common beginning
    for (let k = 0; k < read.length; k += 1) {
      read[k] += size * Math.sin(2 * Math.PI * (rate * k * READ_STEP_S + phase));
    }
  });
  const worst = turning.reduce((most, part) => (part.bend > most.bend ? part : most));
  const turns = turning.filter(({ kind }) => kind === "capstan")[0].rate * delay;
  return {
    sentence: `At ${speedText(speed, "us")} with heads ${generalText(spacing_mm, 6)} mm apart the ` +
      `${worst.name} bends the first repeat most; a meter on the echo reads ` +
      `${fixedText(twoSigma(read, coverage) / 0.01, 2)} % from the parts alone. The capstan turns ` +
      `${fixedText(turns, 2)} times in a delay.`,
    rows: turning.map(({ name, rate, bend }) => /** @type {[string, string]} */ (
      [`${name}, ${fixedText(rate, 2)} Hz`, `${fixedText(bend / 0.01, 3)} % in the repeat`])),
    turning,
  };
}

/** @param {import("./chart.mjs").Picture} picture @param {[number, number][]} weighting @param {any} found */
function drawParts(picture, weighting, { turning }) {
  const ticks = picture.narrow ? [0.1, 1, 10] : TURN_TICKS;
  const x = { low: SLOWEST_TURN_HZ, high: FASTEST_TURN_HZ, log: true, ticks };
  const largest = Math.max(...turning.map((/** @type {any} */ part) => Math.max(part.wobble, part.bend)));
  const room = largest > 0.002 ? 0.5 : 0.2; // more only for a force at a low speed
  const heights = room > 0.2 ? [0, 0.2, 0.4] : [0, 0.1, 0.2];
  const [parts, meter] = picture.below([3, 2], [
    { x, y: { name: "deviation (%)", low: 0, high: 1.4 * room, ticks: heights } },
    {
      x: { ...x, name: "turns per second (Hz)" },
      y: { name: "what a meter hears (dB)", low: -55, high: 5, ticks: [-40, -20, 0] },
    },
  ]);
  /** @type {(key: string, share?: number) => number[]} */
  const of = (key, share = 1) => turning.map((/** @type {any} */ part) => share * part[key]);
  const [rates, wobbles, bends] = [of("rate"), of("wobble", 100), of("bend", 100)];
  parts.strokes(rates, 0, wobbles.map((one, at) => Math.max(one, bends[at])), "context thin");
  parts.marks(rates, wobbles, "dot", "dry");
  parts.marks(rates, bends, "square", "echo");
  // Above the largest bend, neighbors in lines of their own.
  [...turning].sort((one, other) => one.rate - other.rate).forEach(({ rate, kind }, at) =>
    parts.label(rate, room * (1.1 + 0.12 * (at % 3)), kind.replace("pinch ", ""), "text", "middle"));
  const curve = evenly(Math.log(SLOWEST_TURN_HZ), Math.log(FASTEST_TURN_HZ), 301).map(Math.exp);
  meter.line(curve, curve.map((rate) => weightingDb(weighting, rate)), "context");
  meter.marks(rates, of("weightDb"), "diamond", "text");
}
