/** What runs in the audio thread: a source, the tape, the guard of the ears. Pages send it messages. */

import { Engine } from "./engine.mjs";
import { Guard } from "./guard.mjs";

const TAPE_RATE = 48000;
const QUANTUM = 128;
const FADE_SAMPLES = 0.02 * TAPE_RATE; // samples of each fade
const REPORT_EVERY = 8; // blocks
const CHUNK = 4096; // samples of a recording that are sent at once
const CLICK_WIDTH_S = 0.0005; // as `sound.signals.click` has it: little above 4 kHz
const CLICK_PEAK = 10 ** (-9 / 20);
const BEATS_A_BAR = 4;

/** A gain that goes from 0 to 1 and back along a raised cosine of 20 ms. */
export class Fade {
  /** @param {number} open 0 or 1 at first */
  constructor(open) {
    this.place = open;
    this.to = open;
  }

  /** @returns {number} */
  next() {
    if (this.place < this.to) this.place = Math.min(1, this.place + 1 / FADE_SAMPLES);
    else if (this.place > this.to) this.place = Math.max(0, this.place - 1 / FADE_SAMPLES);
    return 0.5 - 0.5 * Math.cos(Math.PI * this.place);
  }

  get closed() {
    return this.place === 0 && this.to === 0;
  }
}

/** Clicks at the tempo: each a raised cosine whose middle stands at its time between the samples. */
export class Clicks {
  /** @param {number} bpm */
  constructor(bpm) {
    this.bpm = bpm;
    this.now = 0; // samples since the start
    this.last = -Infinity;
    this.coming = (CLICK_WIDTH_S / 2) * TAPE_RATE;
  }

  /**
   * The click that comes keeps its place behind the last one, at the new tempo.
   * @param {number} bpm
   */
  tempo(bpm) {
    if (bpm === this.bpm) return;
    this.bpm = bpm;
    const half = (CLICK_WIDTH_S / 2) * TAPE_RATE;
    if (this.last > -Infinity) this.coming = Math.max(this.last + (60 / bpm) * TAPE_RATE, this.now + half);
  }

  /** @param {Float32Array} block */
  read(block) {
    const width = CLICK_WIDTH_S * TAPE_RATE;
    for (let i = 0; i < block.length; i++, this.now++) {
      if (this.now > this.coming + width / 2) {
        this.last = this.coming;
        this.coming += (60 / this.bpm) * TAPE_RATE;
      }
      const turn = (this.now - this.coming) / width;
      block[i] = Math.abs(turn) < 0.5 ? CLICK_PEAK * Math.cos(Math.PI * turn) ** 2 : 0;
    }
  }
}

/** A sound held in memory that comes round: at its end, or with a rest up to the next bar of the tempo. */
export class Loop {
  /** @param {Float32Array} samples @param {boolean} bars whether it waits for a bar @param {number} bpm */
  constructor(samples, bars, bpm) {
    this.samples = samples;
    this.bars = bars;
    this.at = 0;
    this.turn = samples.length;
    this.tempo(bpm);
  }

  /** @param {number} bpm */
  tempo(bpm) {
    const bar = ((60 * BEATS_A_BAR) / bpm) * TAPE_RATE;
    const length = this.samples.length;
    // A sound that ends a hair behind the bar, as a decoder may leave it, does not wait for one more.
    this.turn = this.bars ? Math.max(1, Math.ceil(length / bar - 0.01)) * bar : length;
  }

  /** @param {Float32Array} block */
  read(block) {
    for (let i = 0; i < block.length; i++) {
      if (this.at >= this.turn) {
        const past = this.at - this.turn;
        this.at = past < 1 ? past : 0; // else the bar that it waited for has become shorter meanwhile
      }
      const place = Math.floor(this.at);
      block[i] = place < this.samples.length ? this.samples[place] : 0;
      this.at += 1;
    }
  }
}

/** What comes in from outside. */
class Line {
  constructor() {
    /** @type {Float32Array | null} */
    this.input = null;
  }

  tempo() {}

  /** @param {Float32Array} block */
  read(block) {
    if (this.input) block.set(this.input);
    else block.fill(0);
  }
}

/** Sources that fade into one another: the newest comes, all others go. */
export class Sources {
  constructor() {
    /** @type {{source: any, fade: Fade}[]} */
    this.all = [];
    this.part = new Float32Array(QUANTUM);
  }

  /** @param {any} source */
  change(source) {
    for (const { fade } of this.all) fade.to = 0;
    const fade = new Fade(0);
    fade.to = 1;
    this.all.push({ source, fade });
  }

  /** @param {number} bpm */
  tempo(bpm) {
    for (const { source } of this.all) source.tempo(bpm);
  }

  /** @param {Float32Array} block */
  read(block) {
    block.fill(0);
    for (const { source, fade } of this.all) {
      source.read(this.part);
      for (let i = 0; i < block.length; i++) block[i] += fade.next() * this.part[i];
    }
    if (this.all.length > 1) this.all = this.all.filter(({ fade }) => !fade.closed);
  }
}

/** The chain without a clock or a port: a source, the tape, a fade for start and stop, the guard. */
export class Chain {
  /** @param {any} facts @param {any} setting */
  constructor(facts, setting) {
    this.facts = facts;
    this.setting = setting;
    this.early = 0;
    this.guard = new Guard();
    this.sources = new Sources();
    this.line = new Line();
    /** @type {{phrase: Float32Array | null, file: Float32Array | null}} */
    this.buffers = { phrase: null, file: null };
    this.kind = "";
    this.playing = false;
    this.fade = new Fade(0);
    this.dry = new Float32Array(QUANTUM);
    this.wiped = true;
    this.engine = this.freshTape();
  }

  /** A tape on which nothing is. */
  freshTape() {
    const engine = new Engine(this.facts);
    engine.set(this.setting);
    engine.early(this.early);
    return engine;
  }

  /** @param {any} setting */
  set(setting) {
    this.setting = setting;
    this.engine.set(setting);
    this.sources.tempo(setting.bpm);
  }

  /** @param {number} seconds */
  hear(seconds) {
    this.early = seconds;
    this.engine.early(seconds);
  }

  /**
   * Keep a phrase or a file; where the old one is playing, it changes to the new.
   * @param {"phrase" | "file"} kind @param {Float32Array} samples
   */
  keep(kind, samples) {
    this.buffers[kind] = samples;
    if (this.kind === kind) this.choose(kind, true);
  }

  /** @param {string} kind @param {boolean} [anew] */
  choose(kind, anew = false) {
    if (kind === this.kind && !anew) return;
    this.kind = kind;
    if (this.sounding) this.sources.change(this.sourceOf(kind));
  }

  /** @param {string} kind */
  sourceOf(kind) {
    const { bpm } = this.setting;
    if (kind === "clicks") return new Clicks(bpm);
    if (kind === "line") return this.line;
    const samples = kind === "file" ? this.buffers.file : this.buffers.phrase;
    return new Loop(samples ?? new Float32Array(1), kind !== "file", bpm);
  }

  /**
   * Start on a wiped tape, or fade out. A start within the fade waits for its end.
   * @param {boolean} on
   */
  play(on) {
    this.playing = on;
    if (!on) this.fade.to = 0;
  }

  /** Whether it is still to be heard. */
  get sounding() {
    return !this.fade.closed;
  }

  /** @param {Float32Array | null} input @param {Float32Array} output one block each */
  process(input, output) {
    if (!this.sounding) this.rest();
    if (this.sounding) {
      this.line.input = input;
      this.sources.read(this.dry);
      this.engine.process(this.dry, output);
      for (let i = 0; i < output.length; i++) output[i] *= this.fade.next();
      this.wiped = false;
    } else {
      output.fill(0);
    }
    this.guard.process(output); // what it remembers of the last 3 s outlives a stop
  }

  /** In silence: wipe the tape, and start from the source's beginning if that is wanted. */
  rest() {
    if (!this.wiped) this.engine = this.freshTape();
    this.wiped = true;
    if (!this.playing) return;
    this.sources = new Sources();
    this.sources.change(this.sourceOf(this.kind));
    this.fade.to = 1;
  }

  report() {
    return { ...this.engine.report(), ...this.guard.report(), playing: this.playing, input: this.kind };
  }
}

/* What follows wants the audio thread's own names, which a page and a test do not have. */
const AudioThread = /** @type {any} */ (globalThis);

if (typeof AudioThread.registerProcessor === "function") {
  AudioThread.registerProcessor(
    "tape",
    class extends AudioThread.AudioWorkletProcessor {
      /** @param {any} options */
      constructor(options) {
        super();
        const { facts, setting } = options.processorOptions;
        this.chain = new Chain(facts, setting);
        this.blocks = 0;
        this.open = true;
        this.ended = false;
        /** @type {Float32Array | null} */
        this.chunk = null;
        this.filled = 0;
        this.port.onmessage = (/** @type {any} */ event) => this.hear(event.data);
      }

      /** @param {any} message */
      hear(message) {
        const { chain } = this;
        if (message.what === "setting") chain.set(message.setting);
        else if (message.what === "sound") chain.keep(message.kind, message.samples);
        else if (message.what === "source") chain.choose(message.kind);
        else if (message.what === "early") chain.hear(message.seconds);
        else if (message.what === "play") chain.play(message.on);
        else if (message.what === "record") this.record(message.on);
        else if (message.what === "report") this.report();
        else if (message.what === "close") this.open = false;
      }

      /** @param {boolean} on */
      record(on) {
        this.send();
        this.chunk = on ? new Float32Array(CHUNK) : null;
        if (!on) this.port.postMessage({ what: "recorded" });
      }

      /** Send what has been recorded since the last chunk. */
      send() {
        if (this.chunk && this.filled > 0) {
          const samples = this.chunk.slice(0, this.filled);
          this.port.postMessage({ what: "chunk", samples }, [samples.buffer]);
        }
        this.filled = 0;
      }

      report() {
        const time_s = AudioThread.currentFrame / TAPE_RATE;
        this.port.postMessage({ what: "report", time_s, blocks: this.blocks, ...this.chain.report() });
      }

      /** @param {Float32Array[][]} inputs @param {Float32Array[][]} outputs @returns {boolean} */
      process(inputs, outputs) {
        const [first, ...others] = outputs[0];
        const sounding = this.chain.sounding;
        this.chain.process(inputs[0][0] ?? null, first);
        for (const other of others) other.set(first);
        if (this.chunk) {
          this.chunk.set(first, this.filled);
          this.filled += first.length;
          if (this.filled === CHUNK) this.send();
        }
        this.blocks += 1;
        if (this.blocks % REPORT_EVERY === 0 && sounding) this.report();
        // One block more than the fade: what the guard holds back by its latency must be out as well.
        if (this.ended && !sounding) this.port.postMessage({ what: "silent" });
        this.ended = sounding;
        return this.open;
      }
    },
  );
}
