// A noise to send through a machine, and where in what comes back it is: pure functions of samples.

import { Dice } from "./motion.mjs";

/** Samples a second of what is compared: enough for a hundredth of a millisecond, and quick. */
export const PROBE_RATE = 12000;
/** How long the noise lasts, and how long is listened, s: a delay of up to three seconds is found. */
export const PROBE_SECONDS = 5;
export const LISTEN_SECONDS = 8.5;
const PROBE_PEAK = 0.1; // -20 dB of full scale
const PIECES = 5; // of the noise, each looked for alone
const ALIKE = 0.8; // of the best likeness, from which another place is a rival
const APART_S = 0.004; // within which it is the same place
const FAINT = 1e-4; // rms of full scale; below it nothing has come
const FULL = 0.98; // peak of full scale, from which it is clipped
const LEAST_LIKENESS = 0.12;
/** Student's factor for 95 of 100 cases, of as many pieces. */
const STUDENT = 2.78;
/** What the tape takes at least, s: nearer is the source. */
export const SOONEST_TAPE_S = 0.015;

/**
 * The noise, the same each time: between 200 Hz and 4 kHz, with soft ends.
 * @param {number} rate @returns {Float32Array}
 */
export function probeSamples(rate) {
  const out = new Float32Array(Math.round(PROBE_SECONDS * rate));
  const [open, shut] = [4000, 200].map((corner) => 1 - Math.exp((-2 * Math.PI * corner) / rate));
  const dice = new Dice(1952);
  let [raw, bright, dark, largest] = [0, 0, 0, 0];
  for (let n = 0; n < out.length; n++) {
    raw += open * (2 * dice.throw() - 1 - raw);
    bright += open * (raw - bright);
    dark += shut * (bright - dark);
    out[n] = (bright - dark) * Math.min(1, n / (0.02 * rate), (out.length - n) / (0.02 * rate));
    largest = Math.max(largest, Math.abs(out[n]));
  }
  return out.map((value) => (PROBE_PEAK * value) / largest);
}

/**
 * Fewer samples a second, what would fold over taken out first.
 * @param {ArrayLike<number>} samples @param {number} rate a multiple of `PROBE_RATE` or near one
 * @returns {Float64Array}
 */
export function thinned(samples, rate) {
  const step = rate / PROBE_RATE;
  const out = new Float64Array(Math.floor((samples.length - 1) / step));
  const reach = Math.ceil(4 * step);
  for (let k = 0; k < out.length; k++) {
    const middle = k * step;
    let [sum, weights] = [0, 0];
    const last = Math.min(samples.length - 1, middle + reach);
    for (let n = Math.max(0, Math.ceil(middle - reach)); n <= last; n++) {
      const x = (n - middle) / step;
      const weight = (x === 0 ? 1 : Math.sin(Math.PI * x) / (Math.PI * x)) * Math.cos((Math.PI * x) / 8) ** 2;
      sum += weight * samples[n];
      weights += weight;
    }
    out[k] = sum / weights;
  }
  return out;
}

/**
 * The Fourier transform in place; the inverse without its factor where the parts are swapped.
 * @param {Float64Array} re of a power of two @param {Float64Array} im
 */
export function fourier(re, im) {
  const size = re.length;
  for (let k = 1, turned = 0; k < size; k++) {
    let bit = size >> 1;
    for (; turned & bit; bit >>= 1) turned ^= bit;
    turned ^= bit;
    if (k < turned) [re[k], re[turned], im[k], im[turned]] = [re[turned], re[k], im[turned], im[k]];
  }
  for (let half = 1; half < size; half <<= 1) {
    for (let j = 0; j < half; j++) {
      const [c, s] = [Math.cos((Math.PI * j) / half), -Math.sin((Math.PI * j) / half)];
      for (let a = j; a < size; a += 2 * half) {
        const b = a + half;
        const [x, y] = [re[b] * c - im[b] * s, re[b] * s + im[b] * c];
        [re[b], im[b]] = [re[a] - x, im[a] - y];
        re[a] += x;
        im[a] += y;
      }
    }
  }
}

/**
 * Likeness of a piece to what was heard, at each place where it may begin: 1 where they are the same.
 * @param {Float64Array} piece @param {Float64Array} heard @returns {Float64Array}
 */
function likenesses(piece, heard) {
  let size = 1;
  while (size < heard.length + piece.length) size *= 2;
  const [re, im] = [new Float64Array(size), new Float64Array(size)];
  re.set(heard);
  im.set(piece);
  fourier(re, im); // both at once: the transforms of real sounds come apart by their symmetry
  const [a, b] = [new Float64Array(size), new Float64Array(size)];
  for (let k = 0; k < size; k++) {
    const m = (size - k) % size;
    const [hr, hi] = [(re[k] + re[m]) / 2, (im[k] - im[m]) / 2];
    const [pr, pi] = [(im[k] + im[m]) / 2, (re[m] - re[k]) / 2];
    // The product with the conjugate, its parts swapped, so that the same transform turns it back.
    b[k] = hr * pr + hi * pi;
    a[k] = hi * pr - hr * pi;
  }
  fourier(a, b);
  const own = Math.sqrt(piece.reduce((sum, value) => sum + value * value, 0));
  const out = new Float64Array(heard.length - piece.length + 1);
  let power = 0;
  for (let n = 0; n < piece.length; n++) power += heard[n] ** 2;
  for (let k = 0; k < out.length; k++) {
    out[k] = b[k] / size / (own * Math.sqrt(Math.max(power, 1e-12)) + 1e-12);
    power += (heard[k + piece.length] ?? 0) ** 2 - heard[k] ** 2;
  }
  return out;
}

/**
 * The place of the largest magnitude, to a part of a sample.
 * @param {Float64Array} row @param {number} at
 */
function vertex(row, at) {
  const [left, middle, right] = [at - 1, at, at + 1].map((k) => Math.abs(row[k] ?? 0));
  const bend = left - 2 * middle + right;
  return at + (bend < 0 ? (left - right) / (2 * bend) : 0);
}

/**
 * How long the noise was on its way, how far that may be off in 95 of 100 cases, or why nobody can tell.
 * @typedef {{level_db: number, clipped: boolean, seconds?: number, plusMinus?: number, likeness?: number,
 *   inverted?: boolean, refused?: "faint" | "clipped" | "unlike" | "rivals", rivals?: number[]}} Way
 */

/**
 * @param {ArrayLike<number>} heard what came in while the noise went out, from its first sample on
 * @param {number} rate @returns {Way}
 */
export function wayOf(heard, rate) {
  let [sum, largest] = [0, 0];
  for (let n = 0; n < heard.length; n++) {
    sum += heard[n] ** 2;
    largest = Math.max(largest, Math.abs(heard[n]));
  }
  const rms = Math.sqrt(sum / heard.length);
  const level = { level_db: 20 * Math.log10(Math.max(largest, 1e-6)), clipped: largest > FULL };
  if (level.clipped) return { ...level, refused: "clipped" };
  if (rms < FAINT) return { ...level, refused: "faint" };
  const [sent, came] = [thinned(probeSamples(rate), rate), thinned(heard, rate)];
  const length = Math.floor(sent.length / PIECES);
  const rows = Array.from({ length: PIECES }, (_, k) => {
    const row = likenesses(sent.subarray(k * length, (k + 1) * length), came);
    return row.subarray(k * length); // from the moment when the piece went out
  });
  const shortest = Math.min(...rows.map((row) => row.length));
  const mean = (/** @type {number} */ n) => rows.reduce((total, row) => total + row[n], 0) / PIECES;
  const together = Float64Array.from({ length: shortest }, (_, n) => mean(n));
  const best = together.reduce((b, value, n) => (Math.abs(value) > Math.abs(together[b]) ? n : b), 0);
  const likeness = Math.abs(together[best]);
  if (likeness < LEAST_LIKENESS) return { ...level, likeness, refused: "unlike" };
  const reach = Math.round(APART_S * PROBE_RATE);
  const rivals = [];
  for (let n = 1; n < shortest - 1; n++) {
    const here = Math.abs(together[n]);
    const peak = here >= Math.abs(together[n - 1]) && here > Math.abs(together[n + 1]);
    if (peak && here > ALIKE * likeness && Math.abs(n - best) > reach) rivals.push(n / PROBE_RATE);
  }
  if (rivals.length) return { ...level, likeness, refused: "rivals", rivals: [best / PROBE_RATE, ...rivals] };
  // Each piece by itself, near the common place: how they scatter is what the tape's speed does meanwhile.
  const places = rows.map((row) => {
    let at = Math.max(1, best - reach);
    for (let n = at; n <= Math.min(row.length - 2, best + reach); n++) {
      if (Math.abs(row[n]) > Math.abs(row[at])) at = n;
    }
    return vertex(row, at) / PROBE_RATE;
  });
  const seconds = places.reduce((s, place) => s + place, 0) / PIECES;
  const scatter = Math.sqrt(places.reduce((s, place) => s + (place - seconds) ** 2, 0) / (PIECES - 1));
  const plusMinus = Math.hypot((STUDENT * scatter) / Math.sqrt(PIECES), 0.5 / PROBE_RATE);
  return { ...level, likeness, seconds, plusMinus, inverted: together[best] < 0 };
}
