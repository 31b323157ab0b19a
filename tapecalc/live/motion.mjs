// What the speed of the tape does: a ramp from wherever it is, wobble of turning parts, and random wobble.
import { BLOCK } from "./transform.mjs";

/** Meters in an inch. */
export const METERS_PER_INCH = 0.0254;
/** Samples between two places at which the speed is worked out; straight lines between. */
const SPEED_STEP = 16;
const RANDOM_BAND = [0.5, 50]; // Hz
const FADE_WOBBLE = 0.02; // s, in which the wobble goes on or off
const DEEPEST = 0.5; // of wobble: the tape never stops

/** Random numbers of a seed, from 0 to 1. */
export class Dice {
  /** @param {number} seed not 0 */
  constructor(seed) {
    this.state = seed | 0;
  }

  /** @returns {number} */
  throw() {
    let s = this.state;
    s ^= s << 13;
    s ^= s >>> 17;
    s ^= s << 5;
    this.state = s;
    return (s >>> 0) / 4294967296;
  }

  /** @returns {number} near to normal, rms 1 */
  normal() {
    let sum = -6;
    for (let k = 0; k < 12; k++) sum += this.throw();
    return sum;
  }
}

/** Random wobble, rms 1: white noise through a band pass of first order, by the bilinear transform. */
class RandomWobble {
  /** @param {number} seconds from one number to the next */
  constructor(seconds) {
    const [low, high] = RANDOM_BAND.map((hertz) => Math.tan(Math.PI * seconds * hertz));
    const wide = high - low;
    const middle = 1 + low * high;
    this.a1 = (2 * (low * high - 1)) / (middle + wide);
    this.a2 = (middle - wide) / (middle + wide);
    this.scale = Math.sqrt(wide / (middle + wide));
    this.dice = new Dice(20261129);
    this.x1 = this.x2 = this.y1 = this.y2 = 0;
  }

  /** @returns {number} */
  next() {
    const x = this.scale * this.dice.normal();
    const y = x - this.x2 - this.a1 * this.y1 - this.a2 * this.y2;
    this.x2 = this.x1;
    this.x1 = x;
    this.y2 = this.y1;
    this.y1 = y;
    return y;
  }
}

/** Shares of the designs at a speed: straight lines between the two neighbors. */
export class Shares {
  /** @param {number[]} speeds of the designs, rising */
  constructor(speeds) {
    this.speeds = speeds;
    this.values = new Float64Array(speeds.length);
  }

  /** @param {number} speed m/s */
  at(speed) {
    const { speeds, values } = this;
    let above = 0;
    while (above < speeds.length && speeds[above] < speed) above++;
    values.fill(0);
    if (above === 0) values[0] = 1;
    else if (above === speeds.length) values[above - 1] = 1;
    else {
      values[above] = (speed - speeds[above - 1]) / (speeds[above] - speeds[above - 1]);
      values[above - 1] = 1 - values[above];
    }
    return values;
  }
}

/** The motion of the tape: `advance` gives speed and position of the next block. */
export class Motion {
  /**
   * @param {any} facts
   * @param {any[]} designs those of the facts, their speeds rising
   */
  constructor(facts, designs) {
    this.rate = facts.sample_rate;
    this.rampSteps = Math.max(Math.round((facts.ramp_s * this.rate) / SPEED_STEP), 1);
    this.shares = new Shares(designs.map((design) => design.speed_ips * METERS_PER_INCH));
    this.depths = designs.map((design) => design.wobbles.map((/** @type {any} */ part) => part.depth));
    this.rates = designs.map((design) => design.wobbles.map((/** @type {any} */ part) => part.rate_hz));
    this.phases = Float64Array.from(this.depths[0], (_, k) => 2 * Math.PI * ((0.618 * (k + 1)) % 1));
    this.randomRms = facts.random_rms;
    this.random = new RandomWobble(SPEED_STEP / this.rate);
    this.from = this.to = this.nominal = this.shares.speeds[0];
    this.step = this.rampSteps; // of a ramp; at its end it is over
    this.last = this.nominal; // a step ago
    this.slope = 0; // m/s a step, with which the ramp began
    this.wobbleOn = 1;
    this.wobbleWanted = 1;
    this.speed = this.nominal; // wobble and all
    this.position = 0;
    this.started = false;
    this.positions = new Float64Array(BLOCK);
    this.speeds = new Float64Array(BLOCK);
  }

  /**
   * Ask for a speed: the tape goes there from where it is, along half a cosine.
   * @param {number} speed m/s
   * @param {boolean} wobble
   */
  want(speed, wobble) {
    this.wobbleWanted = Number(Boolean(wobble));
    const wanted = Number.isFinite(speed) ? this.inRange(speed) : this.to;
    if (!this.started) {
      this.from = this.to = this.nominal = this.speed = wanted;
      this.wobbleOn = this.wobbleWanted;
    } else if (wanted !== this.to) {
      this.slope = this.nominal - this.last;
      this.from = this.nominal;
      this.to = wanted;
      this.step = 0;
    }
  }

  /** @param {number} speed m/s @returns {number} */
  inRange(speed) {
    const { speeds } = this.shares;
    return Math.min(Math.max(speed, speeds[0]), speeds[speeds.length - 1]);
  }

  /** By how much the speed grows in a sample, not at all where it falls. */
  get rise() {
    return Math.max(this.nominal - this.last, 0) / SPEED_STEP;
  }

  /** Work out `positions` and `speeds` of the next block. */
  advance() {
    this.started = true;
    for (let start = 0; start < BLOCK; start += SPEED_STEP) {
      const before = this.speed;
      this.nextStep();
      const slope = (this.speed - before) / SPEED_STEP;
      let speed = before;
      let position = this.position;
      for (let k = start; k < start + SPEED_STEP; k++) {
        this.positions[k] = position;
        this.speeds[k] = speed;
        position += (speed + slope / 2) / this.rate;
        speed += slope;
      }
      this.position = position;
    }
  }

  nextStep() {
    this.last = this.nominal;
    if (this.step < this.rampSteps) {
      this.step++;
      const turn = this.step / this.rampSteps;
      const ramp = (this.to - this.from) * (0.5 - 0.5 * Math.cos(Math.PI * turn));
      // Where another ramp was under way its slope goes on, and dies away.
      const going = this.slope * this.rampSteps * turn * (1 - turn) ** 2;
      this.nominal = this.step === this.rampSteps ? this.to : this.inRange(this.from + ramp + going);
    }
    const fade = SPEED_STEP / this.rate / FADE_WOBBLE;
    this.wobbleOn += Math.min(Math.max(this.wobbleWanted - this.wobbleOn, -fade), fade);
    const wobble = this.randomRms * this.random.next() + this.turning();
    this.speed = this.nominal * (1 + this.wobbleOn * Math.min(Math.max(wobble, -DEEPEST), DEEPEST));
  }

  /** What the turning parts do; they turn with the tape. */
  turning() {
    const shares = this.shares.at(this.nominal);
    const { phases, depths, rates } = this;
    let wobble = 0;
    for (let part = 0; part < phases.length; part++) {
      let depth = 0;
      let rate = 0;
      for (let k = 0; k < shares.length; k++) {
        if (shares[k] === 0) continue;
        depth += shares[k] * depths[k][part];
        rate += shares[k] * rates[k][part];
      }
      phases[part] = (phases[part] + (2 * Math.PI * rate * SPEED_STEP) / this.rate) % (2 * Math.PI);
      wobble += depth * Math.sin(phases[part]);
    }
    return wobble;
  }
}
