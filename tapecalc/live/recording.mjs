// From the bus to what is on the tape: record equalizer, limit, low cut, the rest of a pass, noise and bumps.
import { BLOCK, LongFilter, Transform, decodedTaps } from "./transform.mjs";
import { Dice } from "./motion.mjs";

const READING = BLOCK + 20; // samples that a head needs besides
const PLACES = 4; // of the limit in a sample
const STAGE_FADE = 0.02; // s, in which a stage goes on or off
/** -360 dB: nobody hears what is below, and much smaller numbers cost time. */
export const SILENT = 1e-18;
const NEIGHBORS = 1.25; // ratio of speeds up to which bumps are drawn out
const HISTORY = 1 << 9; // blocks whose shares are kept

/** The limit: tanh at four places in each sample, by short filters up and down. */
class Limit {
  /** @param {Float64Array} taps at the places' rate */
  constructor(taps) {
    const each = Math.ceil(taps.length / PLACES);
    this.each = each;
    this.late = (taps.length - 1) / PLACES; // samples, up and down
    this.up = new Float64Array(PLACES * each); // phase by phase
    this.down = new Float64Array(PLACES * each);
    taps.forEach((tap, k) => {
      this.up[(k % PLACES) * each + Math.floor(k / PLACES)] = PLACES * tap;
      this.down[k] = tap;
    });
    this.samples = new Float64Array(each - 1 + BLOCK);
    this.held = new Float64Array(PLACES * (each + BLOCK));
  }

  /**
   * @param {Float64Array} lifted
   * @param {Float64Array} out
   * @param {number} saturation
   * @param {number} on from 0, which lets everything through, to 1
   */
  process(lifted, out, saturation, on) {
    const { each, up, down, samples, held } = this;
    samples.copyWithin(0, BLOCK);
    samples.set(lifted, each - 1);
    held.copyWithin(0, PLACES * BLOCK);
    const first = PLACES * each;
    for (let phase = 0; phase < PLACES; phase++) {
      const row = phase * each;
      for (let i = 0; i < BLOCK; i++) {
        let sum = 0;
        for (let k = 0; k < each; k++) sum += up[row + k] * samples[i + each - 1 - k];
        held[first + PLACES * i + phase] = on > 0 ? limited(sum, saturation, on) : sum;
      }
    }
    for (let i = 0; i < BLOCK; i++) {
      const end = first + PLACES * i;
      let sum = 0;
      for (let k = 0; k < down.length; k++) sum += down[k] * held[end - k];
      out[i] = sum;
    }
  }
}

/**
 * What a tape that is full makes of a value.
 * @param {number} value
 * @param {number} saturation
 * @param {number} on
 */
function limited(value, saturation, on) {
  const full = value / saturation;
  const square = full * full;
  // Two terms of the series where a third would be below 1e-9.
  const held = square < 1e-3 ? full * (1 - square * (1 / 3 - square * (2 / 15))) : Math.tanh(full);
  return value + on * (saturation * held - value);
}

/**
 * A cubic spline, of distances in steps.
 * @param {number} away
 */
function spline(away) {
  const near = Math.max(1 - Math.abs(away), 0);
  const far = Math.max(2 - Math.abs(away), 0);
  return (far ** 3 - 4 * near ** 3) / 6;
}

/** Bumps of one speed: a filter at a low rate, with splines down to it and up again. */
class Bumps {
  /**
   * @param {Float64Array} weights
   * @param {number} hop
   */
  constructor(weights, hop) {
    this.designed = weights;
    this.weights = weights.slice();
    this.scale = 1;
    this.hop = hop;
    this.reach = (weights.length - 1) / 2;
    this.late = (this.reach + 3) * hop;
    this.steps = BLOCK / hop;
    this.low = new Float64Array(weights.length - 1 + this.steps);
    this.filtered = new Float64Array(3 + this.steps);
    this.down = Float64Array.from({ length: 4 * hop }, (_, k) => spline(k / hop - 2));
    const away = (/** @type {number} */ k) => (k % hop) / hop + 1 - Math.floor(k / hop);
    this.up = Float64Array.from({ length: 4 * hop }, (_, k) => spline(away(k)));
  }

  /**
   * Bumps are of waves on the tape: at another speed they are as much quicker as the tape.
   * @param {number} scale speed over that for which they were designed
   */
  runAt(scale) {
    if (scale === this.scale) return;
    this.scale = scale;
    const { designed, weights, reach } = this;
    for (let k = -reach; k <= reach; k++) {
      const place = k * scale + reach;
      const first = Math.floor(place);
      const x = place - first;
      // Lagrange's cubic through the four around; there is nothing beyond the ends.
      const before = (designed[first - 1] ?? 0) * -x * (1 - x) * (2 - x);
      const here = (designed[first] ?? 0) * 3 * (1 + x) * (1 - x) * (2 - x);
      const next = (designed[first + 1] ?? 0) * 3 * (1 + x) * x * (2 - x);
      const behind = (designed[first + 2] ?? 0) * -(1 + x) * x * (1 - x);
      weights[k + reach] = (scale * (before + here + next + behind)) / 6;
    }
  }

  /**
   * Take in the newest samples.
   * @param {Float64Array} recent three steps more than a block
   */
  take(recent) {
    const { low, down, steps, hop } = this;
    low.copyWithin(0, steps);
    const first = recent.length - BLOCK - 3 * hop;
    for (let step = 0; step < steps; step++) {
      let sum = 0;
      for (let k = 0; k < 4 * hop; k++) sum += down[k] * recent[first + step * hop + k];
      low[low.length - steps + step] = sum;
    }
  }

  /**
   * Add a block of bumps to the tape, where it was `late` samples ago.
   * @param {import("./reading.mjs").Tape} tape
   * @param {number} start sample with which the newest block begins
   * @param {Float32Array} shares what is added at the end of each of the last blocks
   * @param {number} block number of the one in which sample `start` was filtered
   * @param {number} more samples of that block that came before it
   */
  add(tape, start, shares, block, more) {
    const { filtered, low, weights, steps, hop, up, reach } = this;
    filtered.copyWithin(0, steps);
    let sounds = filtered[0] !== 0 || filtered[1] !== 0 || filtered[2] !== 0;
    for (let step = 0; step < steps; step++) {
      const place = ((step - 1 - reach) * hop + more) / BLOCK;
      const ago = Math.floor(place);
      const before = shares[(block + ago - 1) & (HISTORY - 1)];
      const part = before + (place - ago) * (shares[(block + ago) & (HISTORY - 1)] - before);
      let sum = 0;
      if (part > 0) {
        for (let k = 0, l = step + 2 * reach; k < weights.length; k++, l--) sum += weights[k] * low[l];
      }
      sum *= part;
      filtered[3 + step] = Math.abs(sum) > SILENT ? sum : 0;
      sounds ||= filtered[3 + step] !== 0;
    }
    if (!sounds) return;
    const { sound, mask } = tape;
    let at = start - this.late;
    for (let step = 0; step < steps; step++) {
      const a = filtered[step];
      const b = filtered[step + 1];
      const c = filtered[step + 2];
      const d = filtered[step + 3];
      for (let k = 0; k < hop; k++, at++) {
        sound[at & mask] += a * up[k] + b * up[hop + k] + c * up[2 * hop + k] + d * up[3 * hop + k];
      }
    }
  }
}

/** One design at work: the filters of a speed, or of a flat pass. */
class Channel {
  /**
   * @param {{record: Float64Array, passed: Float64Array, noise: Float64Array, bumps: Float64Array,
   *   hop: number, hiss: number, saturation: number}} taps
   * @param {Transform} transform
   */
  constructor(taps, transform) {
    this.record = taps.record;
    this.flat = taps.record.every((tap, k) => tap === Number(2 * k === taps.record.length - 1));
    this.passedTaps = taps.passed.length;
    this.passed = new LongFilter(taps.passed, transform);
    this.noise = new LongFilter(taps.noise, transform);
    this.bumps = taps.bumps.length > 0 ? new Bumps(taps.bumps, taps.hop) : null;
    this.hiss = taps.hiss;
    this.saturation = taps.saturation;
    this.before = 0; // its share at the beginning of the block, and at the end
    this.share = 0;
    this.kept = new Float32Array(HISTORY); // shares of its bumps, block by block
    this.speed = 0; // m/s, for which it was made
    this.late = 0; // samples until its bumps are on the tape
    this.left = 0; // samples for which bumps may still be missing
    this.fastest = Infinity; // up to here its bumps are on the tape before the nearest head asks for them
  }

  /**
   * How much of the bumps may be used: they fade where they would come too late.
   * @param {number} speed m/s
   */
  room(speed) {
    if (speed <= this.speed) return 1;
    return Math.min(Math.max((2 * (this.fastest - speed)) / (this.fastest - this.speed), 0), 1);
  }
}

/** All that happens from the bus to the tape; `late` samples after it was recorded a sound is ready there. */
export class Recorder {
  /**
   * @param {any} facts
   * @param {any[]} designs those of the facts, their speeds rising
   * @param {import("./reading.mjs").Tape} tape
   */
  constructor(facts, designs, tape) {
    this.tape = tape;
    this.fade = BLOCK / facts.sample_rate / STAGE_FADE;
    this.transform = new Transform();
    this.limit = new Limit(decodedTaps(facts.limit));
    this.channels = designs.map((design) => this.channelOf(design));
    this.flat = new Channel(flatTaps(this.channels, facts.sample_rate), this.transform);
    this.all = [...this.channels, this.flat];
    const half = (this.flat.record.length - 1) / 2;
    this.half = (this.channels[0].passedTaps - 1) / 2;
    this.late = half + this.limit.late + this.half;
    this.whole = this.late + READING; // samples behind which nothing is missing any more
    this.blocks = 0;
    this.limitOn = this.hissOn = this.responseOn = -1; // not begun
    this.lowCut = designs[0].low_cut ?? { a: 1, b: 1 };
    this.cut = designs[0].low_cut !== null;
    this.last = this.state = 0;
    this.dice = new Dice(74207281);
    this.bus = new Float64Array(2 * half + BLOCK);
    this.lifted = new Float64Array(BLOCK);
    this.recorded = new Float64Array(BLOCK);
    this.treble = new Float64Array(BLOCK); // recorded, its bass cut
    this.part = new Float64Array(BLOCK);
    this.hissing = new Float64Array(BLOCK);
    this.sumRe = new Float64Array(BLOCK + 1);
    this.sumIm = new Float64Array(BLOCK + 1);
    this.window = new Float64Array(2 * BLOCK);
    this.recent = new Float64Array(4 * BLOCK);
    this.near = false; // whether designs stand so close that bumps may be drawn out from one to the next
    this.saturation = 1;
    this.liftedPeak = 0; // over saturation
  }

  /** @param {any} design */
  channelOf(design) {
    const passed = decodedTaps(design.passed);
    const taps = { record: decodedTaps(design.record), passed, noise: decodedTaps(design.noise) };
    const bumps = decodedTaps(design.bumps);
    const { hop, hiss, saturation } = design;
    return new Channel({ ...taps, bumps, hop, hiss, saturation }, this.transform);
  }

  /**
   * Record a block.
   * @param {Float64Array} bus
   * @param {number} start sample with which it begins
   * @param {Float64Array} shares of the designs at its end
   * @param {number} speed of the tape, m/s
   * @param {number} rise by how much that grows in a sample
   * @param {{response: boolean, limit: boolean, hiss: boolean}} stages
   */
  record(bus, start, shares, speed, rise, stages) {
    this.setShares(shares, speed, rise, stages);
    this.lift(bus);
    this.limit.process(this.lifted, this.recorded, this.saturation, this.limitOn);
    this.cutBass();
    this.pass();
    this.write(start - this.late);
    this.blocks++;
  }

  /**
   * Say how near a head can stand, so that bumps that would come too late are left out.
   * @param {number} least m
   * @param {number[]} speeds of the designs, m/s
   * @param {number} rate
   */
  allow(least, speeds, rate) {
    this.near = speeds.length > 1 && speeds.every((v, k) => k === 0 || v < NEIGHBORS * speeds[k - 1]);
    this.channels.forEach((channel, k) => {
      const late = this.late + (channel.bumps === null ? 0 : channel.bumps.late);
      channel.speed = speeds[k];
      channel.late = late + READING;
      channel.fastest = (least * rate) / channel.late;
    });
    this.whole = Math.max(...this.channels.map((channel) => channel.late)); // until a speed is known
  }

  /**
   * @param {Float64Array} shares
   * @param {number} speed
   * @param {number} rise
   * @param {{response: boolean, limit: boolean, hiss: boolean}} stages
   */
  setShares(shares, speed, rise, stages) {
    const first = this.responseOn < 0;
    this.whole = this.late + READING;
    this.limitOn = this.faded(this.limitOn, stages.limit);
    this.hissOn = this.faded(this.hissOn, stages.hiss);
    this.responseOn = this.faded(this.responseOn, stages.response);
    let saturation = 0;
    let hiss = 0;
    this.channels.forEach((channel, k) => {
      saturation += shares[k] * channel.saturation;
      hiss += shares[k] * channel.hiss;
      channel.before = channel.share;
      channel.share = shares[k] * this.responseOn;
      const kept = channel.share * channel.room(speed + rise * channel.late);
      if (first) channel.kept.fill(kept);
      if (this.near && kept > 0) channel.bumps?.runAt(speed / channel.speed);
      channel.kept[this.blocks & (HISTORY - 1)] = kept;
      // Before there is much of them, and with the response off: what is read early then need not jump.
      channel.left = shares[k] > 0 ? channel.late : channel.left - BLOCK;
      if (channel.left > 0) this.whole = Math.max(this.whole, channel.late);
    });
    this.saturation = saturation;
    this.flat.hiss = hiss;
    this.flat.before = this.flat.share;
    this.flat.share = 1 - this.responseOn;
    if (first) this.all.forEach((channel) => (channel.before = channel.share));
  }

  /**
   * @param {number} value
   * @param {boolean} on
   */
  faded(value, on) {
    const wanted = Number(on);
    if (value < 0) return wanted;
    return Math.abs(wanted - value) <= this.fade ? wanted : value + Math.sign(wanted - value) * this.fade;
  }

  /**
   * Through the record equalizers in force.
   * @param {Float64Array} block
   */
  lift(block) {
    const { bus, lifted } = this;
    bus.copyWithin(0, BLOCK);
    bus.set(block, bus.length - BLOCK);
    lifted.fill(0);
    for (const { record, flat, before, share } of this.all) {
      if (before === 0 && share === 0) continue;
      const slope = (share - before) / BLOCK;
      const late = record.length - 1;
      for (let i = 0; i < BLOCK; i++) {
        let sum = 0;
        if (flat) sum = bus[i + late / 2];
        else for (let k = 0; k <= late; k++) sum += record[k] * bus[i + late - k];
        lifted[i] += (before + slope * (i + 1)) * sum;
      }
    }
    let peak = 0;
    for (let i = 0; i < BLOCK; i++) peak = Math.max(peak, Math.abs(lifted[i]));
    this.liftedPeak = Math.max(this.liftedPeak, peak / this.saturation);
  }

  cutBass() {
    const { recorded, treble, cut } = this;
    const { a, b } = this.lowCut;
    let { last, state } = this;
    for (let i = 0; i < BLOCK; i++) {
      let x = recorded[i];
      if (!(Math.abs(x) > SILENT)) recorded[i] = x = 0;
      state = a * state + b * (x - last);
      if (!(Math.abs(state) > SILENT)) state = 0;
      last = x;
      treble[i] = cut ? state : x;
    }
    this.last = last;
    this.state = state;
  }

  /** Through the rest of the pass, and the noise through its own filter, into `window`. */
  pass() {
    const { sumRe, sumIm, dice, hissing } = this;
    sumRe.fill(0);
    sumIm.fill(0);
    if (this.hissOn > 0) {
      const rms = Math.sqrt(12) * this.hissOn;
      for (let i = 0; i < BLOCK; i++) hissing[i] = rms * (dice.throw() - 0.5);
    } else hissing.fill(0);
    for (const channel of this.all) {
      const { before, share, passed, noise, hiss } = channel;
      const sounds = before > 0 || share > 0;
      if (sounds || !passed.silent) {
        this.shareOf(channel === this.flat ? this.recorded : this.treble, before, share, 1);
        passed.add(this.part, sounds, sumRe, sumIm);
      }
      const hissed = sounds && this.hissOn > 0;
      if (hissed || !noise.silent) {
        this.shareOf(hissing, before, share, hiss);
        noise.add(this.part, hissed, sumRe, sumIm);
      }
    }
    this.transform.inverse(sumRe, sumIm, this.window);
  }

  /**
   * Put a share of a block, which changes over it, into `part`.
   * @param {Float64Array} block
   * @param {number} before
   * @param {number} share
   * @param {number} gain
   */
  shareOf(block, before, share, gain) {
    const slope = (gain * (share - before)) / BLOCK;
    const first = gain * before;
    for (let i = 0; i < BLOCK; i++) this.part[i] = (first + slope * (i + 1)) * block[i];
  }

  /**
   * Put what came through on the tape, and the bumps behind it.
   * @param {number} start of the newest block there
   */
  write(start) {
    const { tape, window, recent } = this;
    recent.copyWithin(0, BLOCK);
    recent.set(window.subarray(BLOCK), recent.length - BLOCK);
    for (let i = 0; i < BLOCK; i++) {
      const value = window[BLOCK + i];
      tape.sound[(start + i) & tape.mask] = Math.abs(value) > SILENT ? value : 0;
    }
    for (const { bumps, kept } of this.channels) {
      if (bumps === null) continue;
      bumps.take(recent);
      bumps.add(tape, start, kept, this.blocks, -this.half);
    }
  }
}

/**
 * Filters of a flat pass, as late as the others.
 * @param {Channel[]} channels
 * @param {number} rate
 */
function flatTaps(channels, rate) {
  const record = new Float64Array(channels[0].record.length);
  record[(record.length - 1) / 2] = 1;
  const half = (channels[0].passedTaps - 1) / 2;
  const passed = new Float64Array(2 * half + 1);
  passed[half] = 1;
  // White noise of rms 1 has that from 20 Hz to 20 kHz.
  const noise = passed.map((tap) => tap * Math.sqrt(rate / 2 / (20000 - 20)));
  const taps = { record, passed, noise, bumps: new Float64Array(0), hop: 1 };
  return { ...taps, hiss: channels[0].hiss, saturation: channels[0].saturation };
}
