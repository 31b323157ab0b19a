// An echo of noise that is cut into pieces, each looked for in what comes back.

import { steadyHiss } from "./hearing.mjs";

export const PIECE_RATE = 32000;
export const PIECE_SECONDS = 2.5;
const PIECES = 20;
const FIRST_S = 0.15; // middle of the first piece
const APART_S = 0.1;
const REACH_S = 1.6e-3; // how far from the usual delay is looked
const HIGHEST_HZ = 4000; // of the noise
const SMOOTH_TAPS = 64; // to either side
const KNOT = 32; // samples between two delays that are worked out
const LONG = 1600; // samples of a piece, of which a few are enough for a first look
const [LIKELY, NEARLY] = [0.4, 0.9]; // of the best of a look, from which on the best may be near

/**
 * Mirrors tapecalc.calc.flutter.fluttered_delay of the first repeat.
 * @param {number} time when it is heard @param {number} depth @param {number} rate @param {number} delay
 */
export function flutteredDelay(time, depth, rate, delay) {
  const angular = 2 * Math.PI * rate;
  const heard = Math.cos(angular * time);
  const turns = depth < 1e-16 ? 2 : 2 + Math.ceil(-37 / Math.log(depth));
  let found = delay;
  for (let turn = 0; turn < turns; turn += 1) {
    found = delay + (depth / angular) * (heard - Math.cos(angular * (time - found)));
  }
  return found;
}

/** @type {{dry: Float64Array, spline: Float64Array, hiss: Float64Array, played: Float64Array} | null} */
let keptSounds = null;

/** Noise up to 4 kHz, its cubic spline, and hiss; both sounds have a root mean square of 1. */
export function pieceSounds() {
  if (keptSounds) return keptSounds;
  const count = PIECE_SECONDS * PIECE_RATE;
  const white = Float64Array.from({ length: count + 2 * SMOOTH_TAPS }, (_, at) => steadyHiss(count + at));
  const taps = Array.from({ length: SMOOTH_TAPS + 1 }, (_, tap) => {
    const angle = (2 * Math.PI * HIGHEST_HZ * tap) / PIECE_RATE;
    return (tap ? Math.sin(angle) / angle : 1) * Math.cos((Math.PI * tap) / (2 * SMOOTH_TAPS + 2)) ** 2;
  });
  const raw = Float64Array.from({ length: count }, (_, at) => {
    let sum = taps[0] * white[at + SMOOTH_TAPS];
    for (let tap = 1; tap <= SMOOTH_TAPS; tap += 1) {
      sum += taps[tap] * (white[at + SMOOTH_TAPS - tap] + white[at + SMOOTH_TAPS + tap]);
    }
    return sum;
  });
  const rms = Math.sqrt(raw.reduce((sum, value) => sum + value * value, 0) / count);
  const dry = raw.map((value) => value / rms);
  const hiss = Float64Array.from({ length: count }, (_, at) => steadyHiss(at));
  keptSounds = { dry, spline: splineOf(dry), hiss, played: new Float64Array(count) };
  return keptSounds;
}

/**
 * Weights of a cubic spline through samples, by running over them forward and backward; what is off at either
 * end dies away within a dozen samples.
 * Source: M. Unser, IEEE Signal Processing Magazine 16, 1999 (from memory).
 * @param {Float64Array} samples
 */
function splineOf(samples) {
  const pole = Math.sqrt(3) - 2;
  const weights = samples.map((value) => 6 * value);
  for (let at = 1; at < weights.length; at += 1) weights[at] += pole * weights[at - 1];
  for (let at = weights.length - 2; at >= 0; at -= 1) weights[at] = pole * (weights[at + 1] - weights[at]);
  return weights;
}

/** @param {Float64Array} spline @param {number} place in samples */
function splineAt(spline, place) {
  const at = Math.floor(place);
  const [after, before] = [place - at, 1 - place + at];
  const near = (4 - 3 * after * after * (1 + before)) * spline[at];
  const next = (4 - 3 * before * before * (1 + after)) * spline[at + 1];
  const ends = before * before * before * spline[at - 1] + after * after * after * spline[at + 2];
  return (ends + near + next) / 6;
}

/**
 * What comes back where pieces are looked for, else 0: the noise, late by a delay that wobbles, and hiss.
 * @param {(time: number) => number} delayAt s @param {number} hissGain @param {[number, number][]} spans
 */
export function playedPieces(delayAt, hissGain, spans) {
  const { spline, hiss, played } = pieceSounds(); // one place, since new ones must be cleared away
  played.fill(0);
  let done = 0;
  for (const [from, to] of spans) {
    let knot = Math.floor(Math.max(from, done) / KNOT) * KNOT;
    let later = PIECE_RATE * delayAt(knot / PIECE_RATE);
    while (knot < to) {
      const late = later;
      later = PIECE_RATE * delayAt((knot + KNOT) / PIECE_RATE);
      for (let step = 0; step < KNOT; step += 1) {
        const place = knot + step - late - ((later - late) * step) / KNOT;
        played[knot + step] = splineAt(spline, place) + hissGain * hiss[knot + step];
      }
      knot += KNOT;
    }
    done = knot;
  }
  return played;
}

/**
 * Where each piece begins, and what stretch of the echo it is looked for in.
 * @param {number} length samples @param {number} usual s
 */
export function piecePlaces(length, usual) {
  const [reach, lag] = [Math.round(REACH_S * PIECE_RATE), Math.round(usual * PIECE_RATE)];
  return Array.from({ length: PIECES }, (_, piece) => {
    const middle = FIRST_S + APART_S * piece;
    const begin = Math.round(middle * PIECE_RATE) - Math.floor(length / 2);
    const span = /** @type {[number, number]} */ ([begin + lag - reach, begin + lag + reach + length]);
    return { middle, begin, span };
  });
}

/**
 * How alike a piece and as much of a stretch are, counting every so many samples.
 * @param {Float64Array} piece @param {Float64Array} stretch @param {number} step
 */
function likeness(piece, stretch, step) {
  let sum = 0;
  for (let at = 0; at < piece.length; at += step) sum += piece[at] * stretch[at];
  return sum;
}

/**
 * The delay of one piece: where it is most like the echo, refined by a parabola. The first look is at every
 * fourth place, the second at every other beside those that may be the best, both with few of the samples,
 * since noise up to 4 kHz stays alike that long; all are counted beside those that still may.
 * @param {Float64Array} dry @param {Float64Array} played @param {number} length
 * @param {{begin: number, span: [number, number]}} place
 * @returns {number} s
 */
export function pieceDelay(dry, played, length, { begin, span }) {
  const last = span[1] - span[0] - length;
  const [piece, stretch] = [dry.subarray(begin, begin + length), played.subarray(...span)];
  const look = (/** @type {number} */ at, /** @type {number} */ step) =>
    likeness(piece, stretch.subarray(at), step);
  const [first, second, found] = [0, 1, 2].map(() => new Float64Array(last + 1).fill(-Infinity));
  for (let at = 0; at <= last; at += 4) first[at] = look(at, length > LONG ? 4 : 2);
  const likely = LIKELY * Math.max(...first);
  for (let at = 0; at <= last; at += 2) {
    const beside = at % 4 ? Math.max(first[at - 2], first[at + 2] ?? -Infinity) : first[at];
    if (beside >= likely) second[at] = look(at, 2);
  }
  const known = (/** @type {number} */ shift) => {
    if (found[shift] === -Infinity) found[shift] = look(shift, 1);
    return found[shift];
  };
  const nearly = NEARLY * Math.max(...second);
  for (let at = 0; at <= last; at += 2) {
    if (second[at] < nearly) continue;
    for (let near = Math.max(at - 1, 0); near <= Math.min(at + 1, last); near += 1) known(near);
  }
  const top = Math.min(Math.max(found.indexOf(Math.max(...found)), 1), last - 1);
  const [left, peak, right] = [known(top - 1), known(top), known(top + 1)];
  const shift = top + (0.5 * (left - right)) / (left - 2 * peak + right);
  return (span[0] - begin + shift) / PIECE_RATE;
}
