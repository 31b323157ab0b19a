// What a loop does to a tone: where the tape's limit holds it, how tone and hiss share a tape, and at which
// tone it starts to run away. SI inside; a full tape is 1.

import { amplitudeToDb } from "../live/formulas.mjs";
import { passGain, passLevelDb } from "./losses.mjs";

/** @typedef {import("./losses.mjs").OnePass} OnePass */

const QUARTER_POINTS = 128; // of a quarter of a swing, where the limit is averaged
const SWING_PLACES = 128; // of a quarter of a swing, where hiss rides on a tone
const HIGHEST_TONE_HZ = 40e3;
const START_WITHIN_DB = 1;
const BUMPED_WAVES = 16; // poles per wave up to which the response undulates
const STEPS_PER_BUMP = 12;
const COARSE_RATIO = 1.02;
const BETWEEN_STEPS_DB = 0.1; // more than a response can rise between two steps of the grid

// ---- the limit of the tape ----

/**
 * Mirrors tapecalc.calc.loop.describing_function, for a saturation of 1.
 * @param {number} drive
 */
export function describingFunction(drive) {
  if (drive <= 1e-8) return 1;
  let sum = 0;
  for (let at = 0.5; at < QUARTER_POINTS; at += 1) {
    const sine = Math.sin((at * Math.PI) / (2 * QUARTER_POINTS));
    sum += Math.tanh(drive * sine) * sine;
  }
  return (2 * sum) / (QUARTER_POINTS * drive);
}

/**
 * Mirrors tapecalc.calc.loop.settling_level, for a saturation of 1 and no record equalizer.
 * @param {number} gainDb
 */
export function settlingLevel(gainDb) {
  const gain = 10 ** (gainDb / 20);
  return rootOf((drive) => 1 / describingFunction(drive) - gain, 0, (1.00001 * gain * 4) / Math.PI);
}

/**
 * Mirrors tapecalc.calc.loop.crowd_settling_level, for a saturation of 1.
 * @param {number} gainDb
 */
export function crowdSettlingLevel(gainDb) {
  const gain = 10 ** (gainDb / 20);
  return Math.SQRT2 * rootOf((x) => (x > 1e-9 ? x / Math.tanh(x) : 1) - gain, 0, gain);
}

/**
 * Where a function that rises through zero does so, by halving.
 * @param {(x: number) => number} rising @param {number} low @param {number} high
 */
function rootOf(rising, low, high) {
  for (let turn = 0; turn < 60; turn += 1) {
    const middle = (low + high) / 2;
    if (rising(middle) < 0) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/**
 * Play repeats of a tone through a tape that holds at most 1: their levels, and those of the hiss, dB. Both
 * share the tape: at each place of its swing the tone stands with as much hiss above it as below, and these
 * two go through the limit, `tanh(x)`. Where hiss is small it comes back by the slope of the limit there;
 * near zero, where it is not, either sign is held. What counts is the mean of its power.
 * @param {number} gain once round @param {number} start @param {number} hissDb of one pass
 * @param {number} count
 */
export function playedRounds(gain, start, hissDb, count) {
  const own = 10 ** (hissDb / 10) / 2; // the power of a sine of amplitude 1 is a half
  // Places lie close where the tone is near zero, each with its share of a quarter of a swing.
  const places = Float64Array.from({ length: SWING_PLACES }, (_, at) => (at + 0.5) / SWING_PLACES);
  const tone = places.map((place) => start * Math.sin((Math.PI / 2) * place ** 3));
  const hiss = new Float64Array(SWING_PLACES);
  const [levelsDb, hissesDb] = [new Float64Array(count), new Float64Array(count)];
  let bus = start;
  for (let round = 0; round < count; round += 1) {
    let power = 0;
    for (let at = 0; at < SWING_PLACES; at += 1) {
      const [above, below] = [Math.tanh(tone[at] + hiss[at]), Math.tanh(tone[at] - hiss[at])];
      const now = ((above - below) / 2) ** 2 + own;
      power += 3 * places[at] ** 2 * now;
      tone[at] = (gain * (above + below)) / 2;
      hiss[at] = gain * Math.sqrt(now);
    }
    bus *= describingFunction(bus);
    levelsDb[round] = amplitudeToDb(bus);
    hissesDb[round] = 10 * Math.log10((2 * power) / SWING_PLACES);
    bus *= gain;
  }
  return { levelsDb, hissesDb };
}

// ---- where it starts ----

/**
 * Mirrors tapecalc.calc.loop.loop_gain of one head of gain 1 and a return send of 1.
 * @param {OnePass} onePass @param {number} delay @param {number} frequency
 * @returns {[number, number]}
 */
export function onceRound(onePass, delay, frequency) {
  const [real, imaginary] = passGain(onePass, frequency);
  const angle = -2 * Math.PI * frequency * delay;
  const [cosine, sine] = [Math.cos(angle), Math.sin(angle)];
  return [real * cosine - imaginary * sine, real * sine + imaginary * cosine];
}

/**
 * Frequencies at which the response is looked at, none of its bumps between two of them, with its levels.
 * @param {OnePass} onePass
 */
function responseGrid(onePass) {
  const step = onePass.speed / (STEPS_PER_BUMP * (onePass.pole_length || 0.005));
  const frequencies = [];
  for (let f = step; f < HIGHEST_TONE_HZ; ) {
    frequencies.push(f);
    f = f < BUMPED_WAVES * STEPS_PER_BUMP * step ? f + step : f * COARSE_RATIO;
  }
  return { frequencies, levelsDb: frequencies.map((f) => passLevelDb(onePass, f)) };
}

/**
 * Mirrors tapecalc.calc.loop.stability of one head of gain 1, a return send of 1 and a low cut: minus the
 * margin, the tone that starts first, and the ends of those in phase within 1 dB of it; and the response.
 * @param {OnePass} onePass @param {number} delay
 */
export function loopStart(onePass, delay) {
  const grid = responseGrid(onePass);
  const { frequencies, levelsDb } = grid;
  const [turnOf, toneOf] = phaseOf(onePass, delay);
  const last = frequencies.length - 1;
  // The loudest tone stands next to the top of a rise of the response, and the loudest tops come first.
  const tops = levelsDb.map((_, at) => at).filter((at) =>
    levelsDb[at] >= (levelsDb[at - 1] ?? -Infinity) && levelsDb[at] >= (levelsDb[at + 1] ?? -Infinity));
  tops.sort((a, b) => levelsDb[b] - levelsDb[a]);
  let [frequency, levelDb] = [0, -Infinity];
  for (const top of tops) {
    if (levelsDb[top] + BETWEEN_STEPS_DB <= levelDb) break;
    const low = Math.max(Math.floor(turnOf(frequencies[Math.max(top - 1, 0)])), 0);
    const high = Math.ceil(turnOf(frequencies[Math.min(top + 1, last)]));
    const tone = loudestBetween(low, high, toneOf, onePass);
    const toneDb = passLevelDb(onePass, tone);
    if (toneDb > levelDb + 1e-9 || (toneDb > levelDb - 1e-9 && tone < frequency)) {
      [frequency, levelDb] = [tone, toneDb];
    }
  }
  const leastDb = levelDb - START_WITHIN_DB;
  const cells = frequencies.slice(1).map((_, at) => at);
  const ends = [cells, [...cells].reverse()].map((way, back) => {
    for (const at of way) {
      if (Math.max(levelsDb[at], levelsDb[at + 1]) + BETWEEN_STEPS_DB < leastDb) continue;
      const turns = [Math.floor(turnOf(frequencies[at])) + 1, Math.floor(turnOf(frequencies[at + 1]))];
      for (let k = 0; k <= turns[1] - turns[0]; k += 1) {
        const tone = toneOf(back ? turns[1] - k : turns[0] + k);
        if (passLevelDb(onePass, tone) >= leastDb) return tone;
      }
    }
    return frequency;
  });
  return { levelDb, frequency, low: ends[0], high: ends[1], ...grid };
}

/**
 * How many turns a tone is behind after one round, and the tone that is so many behind.
 * @param {OnePass} onePass @param {number} delay
 * @returns {[(frequency: number) => number, (turns: number) => number]}
 */
function phaseOf(onePass, delay) {
  /** @param {number} frequency */
  const ahead = (frequency) => {
    const [real, imaginary] = passGain(onePass, frequency);
    return Math.atan2(imaginary, real) / (2 * Math.PI);
  };
  return [
    (frequency) => frequency * delay - ahead(frequency),
    (turns) => {
      let frequency = (turns + ahead((turns + 0.05) / delay)) / delay;
      // The response turns the phase far less than the delay does: each step brings two digits or more.
      for (let step = 0; step < 12; step += 1) {
        const next = (turns + ahead(frequency)) / delay;
        if (Math.abs(next - frequency) <= 1e-14 * next) return next;
        frequency = next;
      }
      return frequency;
    },
  ];
}

/**
 * The loudest tone of a rise of the response, of those that are so many whole turns behind.
 * @param {number} low @param {number} high @param {(turns: number) => number} toneOf @param {OnePass} onePass
 */
function loudestBetween(low, high, toneOf, onePass) {
  /** @param {number} turns */
  const levelAt = (turns) => passLevelDb(onePass, toneOf(turns));
  while (high - low > 4) {
    const middle = Math.floor((low + high) / 2);
    if (levelAt(middle) < levelAt(middle + 1)) low = middle + 1;
    else high = middle;
  }
  const tones = Array.from({ length: high - low + 1 }, (_, at) => toneOf(low + at));
  const levelsDb = tones.map((tone) => passLevelDb(onePass, tone));
  return tones[levelsDb.indexOf(Math.max(...levelsDb))];
}
