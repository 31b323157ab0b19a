// The playable tape: dry sound in, what the heads play out, a block at a time. No page and no clock.
import { BLOCK } from "./transform.mjs";
import { METERS_PER_INCH, Motion } from "./motion.mjs";
import { Head, Tape } from "./reading.mjs";
import { Recorder, SILENT } from "./recording.mjs";

const READ_AHEAD = 16; // samples beyond the place that a head reads
const GLIDE_BLOCKS = 1 - Math.exp(-BLOCK / 48000 / 0.003); // of its way a gain goes in a block
const LOUDEST = 100; // 40 dB above full scale: an echo that runs away and that no tape stops
const MOST_CELLS = 4096; // between two reports
const FARTHER = 1.1; // than the farthest place: so much a measured delay may say

/** A gain that goes to where it is wanted within some 15 ms: softly off, and along straight lines. */
class Gain {
  constructor() {
    this.soft = 0;
    this.before = 0;
    this.now = 0;
    this.wanted = 0;
  }

  /** At the beginning of a block. */
  next() {
    this.before = this.now;
    const left = Math.abs(this.wanted - this.soft) + Math.abs(this.wanted - this.now);
    if (left < 1e-5) this.soft = this.now = this.wanted;
    else {
      this.now += GLIDE_BLOCKS * (this.soft - this.now);
      this.soft += GLIDE_BLOCKS * (this.wanted - this.soft);
    }
  }

  /** Be there at once. */
  jump() {
    this.before = this.now = this.soft = this.wanted;
  }

  /** Whether it is 0, and will be. */
  get off() {
    return this.wanted === 0 && this.now === 0 && this.before === 0 && this.soft === 0;
  }

  /**
   * Add a block to a sum, times this gain.
   * @param {ArrayLike<number>} block
   * @param {Float64Array} sum
   */
  add(block, sum) {
    const slope = (this.now - this.before) / BLOCK;
    if (this.now === 0 && slope === 0) return;
    for (let i = 0; i < BLOCK; i++) sum[i] += (this.before + slope * (i + 1)) * block[i];
  }
}

/**
 * @param {number} db
 * @param {number} before what stays if that is no number
 */
function amplitudeOf(db, before) {
  const amplitude = 10 ** (db / 20);
  return Number.isFinite(amplitude) ? amplitude : before;
}

/** What was recorded since the last report, millimeter by millimeter. */
class Cells {
  constructor() {
    this.first = 0;
    this.count = 0;
    this.dry = new Float32Array(MOST_CELLS);
    this.returned = new Float32Array(MOST_CELLS);
  }

  /**
   * @param {number} position m
   * @param {number} dry
   * @param {number} returned
   */
  take(position, dry, returned) {
    const place = Math.floor(1000 * position);
    if (this.count === 0) this.first = place;
    const cell = Math.min(Math.max(place - this.first, 0), MOST_CELLS - 1);
    while (this.count <= cell) {
      this.dry[this.count] = 0;
      this.returned[this.count++] = 0;
    }
    if (dry > this.dry[cell]) this.dry[cell] = dry;
    if (returned > this.returned[cell]) this.returned[cell] = returned;
  }

  /** Give them all but the last, which is not full yet, and begin again with that. */
  taken() {
    const given = [];
    for (let k = 0; k < this.count - 1; k++) {
      given.push({ at_mm: this.first + k + 0.5, dry: this.dry[k], returned: this.returned[k] });
    }
    if (this.count > 1) {
      this.first += this.count - 1;
      this.dry[0] = this.dry[this.count - 1];
      this.returned[0] = this.returned[this.count - 1];
      this.count = 1;
    }
    return given;
  }
}

/** A machine at work: bus, tape, heads and returns. */
export class Engine {
  /** @param {any} facts of the machine, as `playable_facts` gives them */
  constructor(facts) {
    this.facts = facts;
    this.rate = facts.sample_rate;
    const designs = [...facts.designs].sort((a, b) => a.speed_ips - b.speed_ips);
    const speeds = designs.map((design) => design.speed_ips * METERS_PER_INCH);
    this.motion = new Motion(facts, designs);
    this.tape = new Tape((1.7 * facts.most_mm * this.rate) / 1000 / speeds[0] + 8 * BLOCK);
    this.recorder = new Recorder(facts, designs, this.tape);
    this.recorder.allow(facts.least_mm / 1000, speeds, this.rate);
    this.heads = Array.from({ length: facts.most_heads }, () => new Head(this.tape, this.rate));
    this.heardGains = this.heads.map(() => new Gain());
    this.returnGains = this.heads.map(() => new Gain());
    this.inputSend = new Gain();
    this.returnSend = new Gain();
    this.dry = new Gain();
    this.stages = { response: true, limit: true, hiss: true };
    this.used = 0; // heads that were ever set
    this.start = 0; // sample with which the next block begins
    this.earlySamples = 0;
    this.cells = new Cells();
    this.input = new Float64Array(BLOCK);
    this.bus = new Float64Array(BLOCK);
    this.returned = new Float64Array(BLOCK);
    this.back = new Float64Array(BLOCK);
    this.wet = new Float64Array(BLOCK);
    this.busPeak = this.wetPeak = this.outPeak = 0;
    this.begun = false;
    this.set(facts.setting);
  }

  /**
   * Take a setting; what changes glides there.
   * @param {any} setting
   */
  set(setting) {
    this.motion.want(setting.speed_ips * METERS_PER_INCH, setting.wobble);
    this.heads.forEach((head, k) => this.setHead(head, k, setting));
    this.used = Math.max(this.used, Math.min(setting.heads.length, this.heads.length));
    this.inputSend.wanted = amplitudeOf(setting.input_send_db, this.inputSend.wanted);
    this.returnSend.wanted = amplitudeOf(setting.return_send_db, this.returnSend.wanted);
    this.dry.wanted = Number(Boolean(setting.dry));
    this.stages = {
      response: Boolean(setting.response),
      limit: Boolean(setting.limit),
      hiss: Boolean(setting.hiss),
    };
    if (!this.begun) {
      const step = this.motion.nominal / this.rate;
      for (const gain of [...this.heardGains, ...this.returnGains]) gain.jump();
      for (const gain of [this.inputSend, this.returnSend, this.dry]) gain.jump();
      this.tape.begin(step);
    }
  }

  /**
   * @param {Head} head
   * @param {number} k its number
   * @param {any} setting
   */
  setHead(head, k, setting) {
    const wanted = setting.heads[k];
    const heard = this.heardGains[k];
    const rested = heard.off;
    const plays = Boolean(wanted && wanted.on);
    const level = plays ? amplitudeOf(wanted.level_db, Math.abs(heard.wanted)) : 0;
    heard.wanted = plays && wanted.inverted ? -level : level;
    this.returnGains[k].wanted = plays && wanted.feeds_return ? heard.wanted : 0;
    if (!wanted) return;
    const spacing = this.spacingOf(setting, k);
    if (!Number.isFinite(spacing)) return;
    head.wanted = spacing;
    if (!this.begun || rested) head.jump(spacing, this.motion.nominal / this.rate);
  }

  /**
   * Where a head stands in effect, m: as measured, while it stands where the file says.
   * @param {any} setting
   * @param {number} head
   */
  spacingOf(setting, head) {
    const { facts } = this;
    const stated = setting.heads[head].spacing_mm;
    const inFile = facts.setting.heads[head];
    const speed = facts.speeds.findIndex(
      (/** @type {any} */ each) => Math.abs(each.speed_ips - setting.speed_ips) < 1e-6 * each.speed_ips,
    );
    const measured = inFile && inFile.spacing_mm === stated && speed >= 0;
    const spacing = stated + (measured ? facts.deviations_mm[speed][head] : 0);
    return Math.min(Math.max(spacing, facts.least_mm), FARTHER * facts.most_mm) / 1000;
  }

  /**
   * Read what is heard so much earlier, for the time that a computer needs; what returns is not.
   * @param {number} seconds
   */
  early(seconds) {
    this.earlySamples = seconds > 0 ? Math.min(seconds, 10) * this.rate : 0;
  }

  /**
   * @param {Float32Array} input 128 samples
   * @param {Float32Array} output
   */
  process(input, output) {
    this.begun = true;
    const { motion, recorder, tape, start } = this;
    motion.advance();
    for (let i = 0; i < BLOCK; i++) {
      tape.places[(start + i) & tape.mask] = motion.positions[i];
      const value = input[i];
      this.input[i] = value > -LOUDEST && value < LOUDEST ? value : 0;
    }
    this.play(start - recorder.late - READ_AHEAD - 1);
    this.mix();
    const shares = motion.shares.at(motion.nominal);
    recorder.record(this.bus, start, shares, motion.nominal, motion.rise, this.stages);
    this.hear(output);
    this.start += BLOCK;
  }

  /**
   * Let the heads play.
   * @param {number} newest sample around which there is sound on the tape
   */
  play(newest) {
    const { motion, heads, wet, returned, start } = this;
    wet.fill(0);
    returned.fill(0);
    for (let k = 0; k < this.used; k++) {
      const heard = this.heardGains[k];
      const fed = this.returnGains[k];
      heard.next();
      fed.next();
      if (heard.off && fed.off) heads[k].rest(motion.speed / this.rate);
      else {
        heads[k].lookAhead(this.earlySamples, this.recorder.whole);
        heads[k].play(start, motion.positions, motion.speeds, newest);
        heard.add(heads[k].heard, wet);
        fed.add(heads[k].played, returned);
      }
    }
  }

  /** Add up the bus, and keep what is drawn of it. */
  mix() {
    const { input, bus, returned, back, motion, cells } = this;
    this.inputSend.next();
    this.returnSend.next();
    bus.fill(0);
    back.fill(0);
    this.inputSend.add(input, bus);
    this.returnSend.add(returned, back);
    let peak = this.busPeak;
    for (let i = 0; i < BLOCK; i++) {
      const sent = bus[i];
      cells.take(motion.positions[i], Math.abs(sent), Math.abs(back[i]));
      const sum = Math.min(Math.max(sent + back[i], -LOUDEST), LOUDEST);
      bus[i] = sum;
      if (Math.abs(sum) > peak) peak = Math.abs(sum);
    }
    this.busPeak = peak;
  }

  /**
   * Add wet and dry sound, and keep the peaks.
   * @param {Float32Array} output
   */
  hear(output) {
    const { dry, input, wet } = this;
    dry.next();
    const slope = (dry.now - dry.before) / BLOCK;
    for (let i = 0; i < BLOCK; i++) {
      const sum = wet[i] + (dry.before + slope * (i + 1)) * input[i];
      output[i] = Math.abs(sum) > SILENT ? sum : 0;
      this.wetPeak = Math.max(this.wetPeak, Math.abs(wet[i]));
      this.outPeak = Math.max(this.outPeak, Math.abs(output[i]));
    }
  }

  /** What a page shows; peaks and cells begin again. */
  report() {
    const { motion, recorder } = this;
    const report = {
      position_m: motion.position,
      speed: motion.speed,
      heads: this.heads.slice(0, this.used).map((head) => ({
        spacing_mm: 1000 * head.spacing,
        delay_s: head.behind / this.rate,
        early_s: head.sooner / this.rate, // what is taken off it for the ear
      })),
      bus_peak: this.busPeak,
      wet_peak: this.wetPeak,
      out_peak: this.outPeak,
      full: recorder.liftedPeak,
      cells: this.cells.taken(),
    };
    this.busPeak = this.wetPeak = this.outPeak = recorder.liftedPeak = 0;
    return report;
  }
}
