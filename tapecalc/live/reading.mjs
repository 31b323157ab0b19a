// The tape as a ring of samples with the place of each beside it, and heads that read it between the samples.
import { BLOCK } from "./transform.mjs";

const POINTS = 32;
const PHASES = 256;
const BETA = 7.9;
const SLOWEST_SHARE = 0.5; // of the tape's speed, that a head moves at the most: nothing plays backward
const GLIDE = 0.03; // s, in which a head comes close to where it is wanted
const SOFT = 0.005; // s, in which it gets going
const ARRIVED = 1e-7; // m

/** @param {number} x @returns {number} the modified Bessel function of order 0 */
function bessel(x) {
  let term = 1;
  let sum = 1;
  for (let k = 1; k < 60; k++) {
    term *= (x / (2 * k)) ** 2;
    sum += term;
  }
  return sum;
}

/** Weights of the points around a place, for places in even steps from 0 to 1: a windowed sinc. */
function readingWeights() {
  const weights = new Float32Array((PHASES + 1) * POINTS);
  for (let phase = 0; phase <= PHASES; phase++) {
    const row = [];
    for (let k = 0; k < POINTS; k++) {
      const away = k - (POINTS / 2 - 1) - phase / PHASES;
      const share = Math.max(1 - (2 * away / POINTS) ** 2, 0);
      const sinc = away === 0 ? 1 : Math.sin(Math.PI * away) / (Math.PI * away);
      row.push(sinc * bessel(BETA * Math.sqrt(share)));
    }
    const sum = row.reduce((a, b) => a + b);
    row.forEach((weight, k) => (weights[phase * POINTS + k] = weight / sum));
  }
  return weights;
}

/** What is on the tape, at the place of each sample. A sample has its number, from the beginning. */
export class Tape {
  /** @param {number} samples that it must hold at the least */
  constructor(samples) {
    this.size = 2 ** Math.ceil(Math.log2(samples));
    this.mask = this.size - 1;
    this.sound = new Float32Array(this.size);
    this.places = new Float64Array(this.size);
    this.weights = readingWeights();
    this.points = new Float32Array(POINTS);
  }

  /**
   * Lay an even run before sample 0, which is at place 0.
   * @param {number} step m from sample to sample
   */
  begin(step) {
    for (let k = 1; k <= this.size; k++) this.places[-k & this.mask] = -k * step;
  }

  /**
   * The sound at a place between two samples.
   * @param {number} sample the one before
   * @param {number} share of the way to the next
   * @returns {number}
   */
  read(sample, share) {
    const { weights, mask } = this;
    let sound = this.sound;
    let first = (sample - (POINTS / 2 - 1)) & mask;
    if (first + POINTS > this.size) {
      for (let k = 0; k < POINTS; k++) this.points[k] = sound[(first + k) & mask];
      sound = this.points;
      first = 0;
    }
    const place = share * PHASES;
    const phase = place | 0;
    const between = place - phase;
    let w = phase * POINTS;
    let one = 0;
    let other = 0;
    for (let k = 0; k < POINTS; k++, w++) {
      const value = sound[first + k];
      one += value * weights[w];
      other += value * weights[w + POINTS];
    }
    return one + between * (other - one);
  }
}

/** A playback head: it follows the place on the tape that was recorded its spacing ago. */
export class Head {
  /**
   * @param {Tape} tape
   * @param {number} rate
   */
  constructor(tape, rate) {
    this.tape = tape;
    this.rate = rate;
    this.spacing = 0; // m, now
    this.wanted = 0;
    this.going = 0; // m in a sample
    this.sooner = 0; // samples by which what is heard is to be read earlier, as far as that goes
    this.ahead = 0; // and is, now
    this.aheadBefore = 0; // a block before
    this.aheadStep = 0; // samples in a block
    this.fresh = true; // nothing was played yet
    this.behind = 0; // samples, from now back to what it reads
    this.played = new Float64Array(BLOCK);
    this.heard = this.played; // the same, or what is read a little earlier
    this.earlier = new Float64Array(BLOCK);
  }

  /**
   * Put the head at a spacing at once.
   * @param {number} spacing m
   * @param {number} step m from sample to sample
   */
  jump(spacing, step) {
    this.spacing = this.wanted = spacing;
    this.going = 0;
    this.behind = spacing / step;
  }

  /**
   * Stand where it is wanted, and play nothing.
   * @param {number} step m from sample to sample
   */
  rest(step) {
    this.jump(this.wanted, step);
  }

  /**
   * Play a block.
   * @param {number} start sample with which it begins
   * @param {Float64Array} places of its samples
   * @param {Float64Array} speeds m/s
   * @param {number} newest sample around which may be read
   */
  play(start, places, speeds, newest) {
    const { tape, rate, played, earlier, wanted } = this;
    const ring = tape.places;
    const mask = tape.mask;
    const base = start & mask; // small numbers in the loop
    const last = newest - start;
    const farthest = tape.size - 2 * BLOCK;
    const ahead = this.aheadBefore;
    const more = (this.ahead - ahead) / BLOCK;
    const twice = ahead > 0 || this.ahead > 0;
    let { spacing } = this;
    let at = Math.floor(-this.behind) - 1;
    let share = 0;
    for (let i = 0; i < BLOCK; i++) {
      if (spacing !== wanted || this.going !== 0) spacing = this.glide(spacing, speeds[i]);
      const place = places[i] - spacing;
      at++;
      while (at > i - farthest && ring[(base + at) & mask] > place) at--;
      while (at < last && ring[(base + at + 1) & mask] <= place) at++;
      const here = ring[(base + at) & mask];
      share = (place - here) / (ring[(base + at + 1) & mask] - here);
      share = share >= 0 ? (share < 1 ? share : 0.999999) : 0;
      played[i] = tape.read(base + at, share);
      if (twice) {
        const sooner = Math.min(at + share + ahead + more * (i + 1), last);
        const whole = Math.floor(sooner);
        earlier[i] = tape.read(base + whole, sooner - whole);
      }
    }
    this.spacing = spacing;
    this.behind = BLOCK - 1 - at - share;
    this.heard = twice ? earlier : played;
  }

  /**
   * Go softly towards reading what is heard so much earlier, but never what is not whole yet.
   * @param {number} early samples
   * @param {number} whole samples behind which nothing is missing
   */
  lookAhead(early, whole) {
    const room = Math.max(this.behind - whole - BLOCK, 0);
    const wanted = Math.min(early, room);
    this.sooner = wanted;
    const most = SLOWEST_SHARE * BLOCK;
    const step = (wanted - this.ahead) / 8;
    this.aheadStep += ((step > most ? most : step < -most ? -most : step) - this.aheadStep) / 4;
    this.aheadBefore = this.fresh ? wanted : this.ahead;
    const near = Math.abs(wanted - this.ahead) < 1e-3 && Math.abs(this.aheadStep) < 1e-3;
    const next = near || this.fresh ? wanted : Math.max(this.ahead + this.aheadStep, 0);
    // Where the room shrinks at once, what is missing of new bumps is heard less than a jump.
    this.ahead = next > room ? Math.max(room, this.ahead - most) : next;
    this.fresh = false;
  }

  /**
   * Where the head is a sample later.
   * @param {number} spacing
   * @param {number} speed
   */
  glide(spacing, speed) {
    const left = this.wanted - spacing;
    const most = (SLOWEST_SHARE * speed) / this.rate;
    const step = left / (GLIDE * this.rate);
    this.going += ((step > most ? most : step < -most ? -most : step) - this.going) / (SOFT * this.rate);
    if (Math.abs(left) < ARRIVED && Math.abs(this.going) < ARRIVED) {
      this.going = 0;
      return this.wanted;
    }
    return spacing + (this.going > most ? most : this.going < -most ? -most : this.going);
  }
}
