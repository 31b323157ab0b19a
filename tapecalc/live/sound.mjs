/** The sound of a page: starts only on a press, stops at once, listens, records, and says what is wrong. */

import { uncertainText } from "./words.mjs";

const SOUND_RATE = 48000;
const GUARD_LATENCY_S = 128 / SOUND_RATE; // as in guard.mjs, which runs elsewhere
const MOST_MINUTES = 10; // of a file that is played, and of a recording
const MOST_SAMPLES = MOST_MINUTES * 60 * SOUND_RATE;
const TOO_LONG = `This sound is longer than ${MOST_MINUTES} minutes, the most that is taken.`;
const EDGE = 0.005 * SOUND_RATE; // samples of the fade at both ends of a file, which comes round
const PATIENCE_MS = 300; // for the end of a fade
const WAKING_MS = 3000; // for a device that is asked to play
const LATENCY_STEP_S = 0.002; // a smaller change is not worth moving a head for
const ASSUMED_INPUT_S = 0.01; // where the browser does not tell

/** What must be read before a microphone is opened. */
export const HEADPHONES =
  "Put on headphones first: from loudspeakers the echo gets back into the microphone.";

/** A sentence for somebody who reads it, in place of an error. */
export class CannotSound extends Error {}

/**
 * A setting with another input. With the line the dry sound is off at first: it is in the room already.
 * @template {{input: string, dry: boolean}} S
 * @param {S} setting @param {S["input"]} kind @returns {S}
 */
export function settingForInput(setting, kind) {
  const dry = kind === "line" ? false : setting.input === "line" ? true : setting.dry;
  return { ...setting, input: kind, dry };
}

/**
 * The bytes behind a data address.
 * @param {string} address @returns {ArrayBuffer}
 */
export function bytesOfAddress(address) {
  const text = atob(address.slice(address.indexOf(",") + 1));
  return Uint8Array.from(text, (sign) => sign.charCodeAt(0)).buffer;
}

/**
 * 24-bit samples, rounded and bounded, three bytes each, the lowest first.
 * @param {Float32Array} samples @returns {BlobPart}
 */
export function wavSamples(samples) {
  const bytes = new Uint8Array(3 * samples.length);
  for (let i = 0; i < samples.length; i++) {
    const value = Math.max(-8388608, Math.min(8388607, Math.round(samples[i] * 8388608)));
    bytes[3 * i] = value & 255;
    bytes[3 * i + 1] = (value >> 8) & 255;
    bytes[3 * i + 2] = (value >> 16) & 255;
  }
  return bytes;
}

/**
 * The head of a WAV file of one channel of 24 bits.
 * @param {number} samples how many @param {number} rate @returns {BlobPart}
 */
export function wavHead(samples, rate) {
  const head = new DataView(new ArrayBuffer(44));
  const sign = (/** @type {number} */ at, /** @type {string} */ text) =>
    [...text].forEach((letter, k) => head.setUint8(at + k, letter.charCodeAt(0)));
  const padded = 3 * samples + ((3 * samples) % 2); // a chunk has an even length
  sign(0, "RIFF");
  head.setUint32(4, 36 + padded, true);
  sign(8, "WAVEfmt ");
  head.setUint32(16, 16, true);
  head.setUint16(20, 1, true);
  head.setUint16(22, 1, true);
  head.setUint32(24, rate, true);
  head.setUint32(28, 3 * rate, true);
  head.setUint16(32, 3, true);
  head.setUint16(34, 24, true);
  sign(36, "data");
  head.setUint32(40, 3 * samples, true);
  return new Uint8Array(head.buffer);
}

/**
 * The time from the microphone to the ear in words, and what of it the browser tells.
 * @param {{base_s?: number, output_s?: number, input_s?: number}} known
 * @returns {{seconds: number, text: string}}
 */
export function latencyInWords(known) {
  const told = (/** @type {number | undefined} */ value) => typeof value === "number" && value > 0;
  const out = (known.base_s ?? 0) + (known.output_s ?? 0);
  const into = told(known.input_s) ? /** @type {number} */ (known.input_s) : ASSUMED_INPUT_S;
  const seconds = out + into + GUARD_LATENCY_S;
  const ms = (/** @type {number} */ value) => `${(1000 * value).toFixed(1)} ms`;
  const way = told(known.output_s) ? "out, as the browser says" : "out, as far as the browser says";
  const back = told(known.input_s) ? "in, as the browser says" : "in, assumed: the browser does not say";
  const own = `${ms(GUARD_LATENCY_S)} of our own`;
  const text = `The computer takes ${ms(seconds)}: ${ms(out)} ${way}, ${ms(into)} ${back}, ${own}.`;
  return { seconds, text };
}

/**
 * How late the last of the echoes stays: a head can be read no sooner than what it reads is on the tape.
 * @param {number} seconds to be taken off @param {number[]} taken off, by head, s
 * @returns {number} s
 */
export function stillLate(seconds, taken) {
  return seconds - Math.min(seconds, ...taken);
}

/**
 * @param {number} late s, as `stillLate` has it @param {number} heads how many are heard
 * @returns {string}
 */
export function lateInWords(late, heads) {
  if (late < 0.0005) return "The echo comes that much sooner to make up for it.";
  const which = heads > 1 ? "the nearest head" : "the head";
  return `The echo comes sooner to make up for it, but ${which} is too near: its echo stays `
    + `${(1000 * late).toFixed(0)} ms late.`;
}

/**
 * The microphone or line as it is, without what browsers do for calls.
 * @param {Record<string, number>} [wanted] of the browser
 * @returns {Promise<MediaStream>}
 */
export async function openedInput(wanted = {}) {
  if (!navigator.mediaDevices?.getUserMedia) {
    throw new CannotSound("This page may not listen: the browser gives it no microphone.");
  }
  const plain = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
  try {
    return await navigator.mediaDevices.getUserMedia({ audio: { ...plain, ...wanted } });
  } catch (error) {
    const denied = /** @type {any} */ (error).name === "NotAllowedError";
    throw new CannotSound(
      denied
        ? "The browser was not allowed to listen: permit the microphone for this page and try again."
        : "No microphone or line input can be opened; is one plugged in?",
    );
  }
}

/**
 * The phrase as a data address; who hears the reports; who is told in a sentence what is wrong.
 * @typedef {{phrase?: string, onReport?: (report: any) => void, onSay?: (sentence: string) => void}}
 *   SoundOptions
 */

/** The sound of one page. Nothing is opened before `start`, which a press must call. */
export class Sound {
  /**
   * @param {any} facts
   * @param {string} workletSource
   * @param {SoundOptions} [options]
   */
  constructor(facts, workletSource, options = {}) {
    this.facts = facts;
    this.workletSource = workletSource;
    this.phrase = options.phrase ?? "";
    this.onReport = options.onReport ?? (() => {});
    this.onSay = options.onSay ?? (() => {});
    this.playing = false;
    this.wanted = false; // from the press on
    this.recording = false;
    this.sent_s = 0; // latency that the tape knows of
    this.turns = 0; // counts starts and stops: whoever waits sees that something newer came
    this.choices = 0; // and those of an input
    /** @type {AudioContext | null} */
    this.context = null;
    /** @type {Promise<void> | null} */
    this.opening = null;
    /** @type {AudioWorkletNode | null} */
    this.node = null;
    /** @type {MediaStream | null} */
    this.stream = null;
    /** @type {MediaStreamAudioSourceNode | null} */
    this.line = null;
    /** @type {Float32Array | null} */
    this.file = null;
    /** @type {any} */
    this.setting = null;
    /** @type {BlobPart[]} */
    this.parts = [];
    this.recorded = 0; // samples
    /** @type {Record<string, (() => void)[]>} */
    this.waiting = { silent: [], recorded: [] };
  }

  /** What is to be taken off the delay that is played: 0 but for the line. */
  get latency_s() {
    return this.line ? this.latency().seconds : 0;
  }

  /** The computer's latency with its words. */
  latency() {
    const settings = /** @type {any} */ (this.stream?.getAudioTracks()[0]?.getSettings() ?? {});
    return latencyInWords({
      base_s: this.context?.baseLatency,
      output_s: this.context?.outputLatency,
      input_s: settings.latency,
    });
  }

  /**
   * Start from a press. Comes back when the sound runs, or false after a sentence says why it does not.
   * @param {any} setting @returns {Promise<boolean>}
   */
  async start(setting) {
    this.setting = setting;
    this.wanted = true;
    const turn = ++this.turns;
    try {
      await this.open();
      // Whoever stopped meanwhile is not asked for a microphone.
      if (turn === this.turns && this.setting.input === "line") await this.openLine();
      if (turn !== this.turns) {
        if (!this.wanted) await this.context?.suspend(); // stopped while it was opening
        return false;
      }
      if (this.setting.input !== "line") this.closeLine();
      this.set(this.setting); // what was moved meanwhile
      this.send({ what: "source", kind: this.setting.input });
      this.send({ what: "play", on: true });
      this.playing = true;
      return true;
    } catch (error) {
      this.say(error);
      if (turn === this.turns) this.stop();
      return false;
    }
  }

  /** Fade out within 20 ms, close the microphone, and let the audio device go. */
  async stop() {
    const turn = ++this.turns;
    this.playing = this.wanted = false;
    // Where the device is gone this is read when it is back: then the tape is wiped as well.
    this.send({ what: "play", on: false });
    if (this.node && this.context?.state === "running") await this.wait("silent");
    if (turn !== this.turns) return;
    this.closeLine();
    if (this.context?.state === "running") await this.context.suspend();
  }

  /** Give everything back; the page goes. */
  async close() {
    await this.stop();
    this.send({ what: "close" });
    await this.context?.close();
    this.context = this.node = this.opening = null;
  }

  /** @param {any} setting */
  set(setting) {
    this.setting = setting;
    this.send({ what: "setting", setting });
  }

  /**
   * Change the input: "phrase", "clicks", "file" (with a file, or the last one) or "line".
   * Comes back with the setting that holds then; null where the old one stays, of which a sentence says why,
   * or where a newer choice holds.
   * @param {string} kind
   * @param {Blob} [file]
   * @param {any} [setting] the page's, where nothing has been started yet
   * @returns {Promise<any>}
   */
  async input(kind, file, setting) {
    const choice = ++this.choices;
    try {
      if (kind === "file") await this.keepFile(file);
      if (kind === "line" && this.playing) await this.openLine();
      if (choice !== this.choices) return null; // another was chosen while this one was opening
      if (kind !== "line") this.closeLine();
      const next = settingForInput(this.setting ?? setting, kind); // with what was moved meanwhile
      this.set(next);
      this.send({ what: "source", kind });
      return next;
    } catch (error) {
      this.say(error);
      return null;
    }
  }

  /** Keep what is heard from now on. */
  startRecording() {
    if (!this.node || this.recording) return;
    this.parts = [];
    this.recorded = 0;
    this.recording = true;
    this.send({ what: "record", on: true });
  }

  /** @returns {Promise<Blob>} what was heard, as WAV */
  async stopRecording() {
    if (this.recording) {
      const recorded = this.wait("recorded");
      this.send({ what: "record", on: false });
      await recorded;
      this.recording = false;
    }
    const pad = new Uint8Array((3 * this.recorded) % 2);
    const blob = new Blob([wavHead(this.recorded, SOUND_RATE), ...this.parts, pad], { type: "audio/wav" });
    this.parts = [];
    this.recorded = 0;
    return blob;
  }

  /** Open the device and what plays on it, once, or wake it. */
  async open() {
    this.opening ??= this.build();
    try {
      await this.opening;
      await awake(/** @type {AudioContext} */ (this.context));
    } catch (error) {
      if (!this.node) {
        this.context?.close();
        this.context = this.opening = null;
      }
      throw error;
    }
  }

  async build() {
    if (typeof AudioContext === "undefined" || typeof AudioWorkletNode === "undefined") {
      throw new CannotSound("This browser cannot play the tape: it has no AudioWorklet.");
    }
    const context = new AudioContext({ sampleRate: SOUND_RATE, latencyHint: "interactive" });
    this.context = context;
    context.resume(); // some browsers count only what is called within the press itself
    const [phrase] = await Promise.all([this.phraseSamples(), this.addWorklet(context)]);
    const processorOptions = { facts: this.facts, setting: this.setting };
    const node = new AudioWorkletNode(context, "tape", {
      numberOfInputs: 1,
      numberOfOutputs: 1,
      outputChannelCount: [2],
      channelCount: 1,
      channelCountMode: "explicit",
      processorOptions,
    });
    node.port.onmessage = (event) => this.hear(event.data);
    node.onprocessorerror = () => this.broke();
    context.onstatechange = () => this.stateChanged();
    node.connect(context.destination);
    this.node = node;
    this.send({ what: "sound", kind: "phrase", samples: phrase });
    if (this.file) this.send({ what: "sound", kind: "file", samples: this.file });
  }

  /** @param {AudioContext} context */
  async addWorklet(context) {
    const address = `data:text/javascript;charset=utf-8,${encodeURIComponent(this.workletSource)}`;
    try {
      await context.audioWorklet.addModule(address);
    } catch {
      // What the browser says may hold the whole address.
      throw new CannotSound("This browser does not take the sound's own script, so nothing can be played.");
    }
  }

  /** @returns {Promise<Float32Array>} */
  async phraseSamples() {
    return this.phrase ? decoded(bytesOfAddress(this.phrase)) : new Float32Array(1);
  }

  /** @param {Blob | undefined} file */
  async keepFile(file) {
    if (!file) {
      if (!this.file) throw new CannotSound("Choose a sound file first.");
      return;
    }
    let samples;
    // Asked before it fills the memory.
    if ((await secondsOf(file)) > 60 * MOST_MINUTES) throw new CannotSound(TOO_LONG);
    try {
      samples = await decoded(await file.arrayBuffer());
    } catch {
      throw new CannotSound("This file is not a sound that the browser can read.");
    }
    if (samples.length > MOST_SAMPLES) {
      throw new CannotSound(TOO_LONG);
    }
    this.file = withEdges(samples);
    this.send({ what: "sound", kind: "file", samples: this.file });
  }

  /** Open the microphone or line as it is. */
  async openLine() {
    if (this.line) return;
    const [turn, choice] = [this.turns, this.choices];
    const stream = await openedInput();
    const context = this.context;
    const late = turn !== this.turns || choice !== this.choices;
    if (late || this.line || !context || !this.node) {
      stream.getTracks().forEach((track) => track.stop()); // not wanted any more when the browser had asked
      return;
    }
    this.stream = stream;
    try {
      this.line = context.createMediaStreamSource(stream);
    } catch {
      this.closeLine();
      const sentence = "This browser takes a microphone at 48 kHz only: set the sound device to that rate.";
      throw new CannotSound(sentence);
    }
    this.line.connect(this.node);
    const [track] = stream.getAudioTracks();
    track.onended = () => this.lost("The microphone was taken away; the sound has stopped.");
    this.sendLatency();
  }

  /** Tell the tape how much earlier it is to be heard; again when the browser has found out more. */
  sendLatency() {
    if (this.line && Math.abs(this.latency_s - this.sent_s) < LATENCY_STEP_S) return;
    this.sent_s = this.latency_s;
    this.send({ what: "early", seconds: this.sent_s });
  }

  closeLine() {
    this.line?.disconnect();
    this.stream?.getTracks().forEach((track) => {
      track.onended = null;
      track.stop();
    });
    this.line = this.stream = null;
    this.sendLatency();
  }

  /**
   * Something took the device away.
   * @param {string} sentence
   */
  lost(sentence) {
    this.stop();
    this.onSay(sentence); // to somebody who sees that it has stopped
  }

  /** What plays in the audio thread is broken and stays so: the next start builds another. */
  broke() {
    this.context?.close();
    this.context = this.node = this.opening = null;
    this.lost("The sound stopped by a fault in this page; press play again.");
  }

  stateChanged() {
    const state = this.context?.state;
    if (!this.playing || state === "running") return;
    this.lost("The sound device was taken away; press play to start again.");
  }

  /** @param {any} message */
  hear(message) {
    if (message.what === "report") {
      if (this.line) this.sendLatency();
      this.onReport(message);
    } else if (message.what === "chunk") this.keepChunk(message.samples);
    else this.waiting[message.what]?.splice(0).forEach((/** @type {() => void} */ go) => go());
  }

  /** @param {Float32Array} samples */
  keepChunk(samples) {
    const room = MOST_SAMPLES - this.recorded;
    const taken = samples.length > room ? samples.subarray(0, room) : samples;
    this.parts.push(wavSamples(taken));
    this.recorded += taken.length;
    if (samples.length > room) {
      this.send({ what: "record", on: false });
      this.recording = false;
      this.onSay(`The recording has ended: ${MOST_MINUTES} minutes are the most.`);
    }
  }

  /** @param {any} message */
  send(message) {
    this.node?.port.postMessage(message);
  }

  /**
   * Wait until the tape says something, but never for long: a device may be gone.
   * @param {string} what
   */
  wait(what) {
    return new Promise((/** @type {(value?: any) => void} */ go) => {
      this.waiting[what].push(go);
      setTimeout(go, PATIENCE_MS);
    });
  }

  /** @param {any} error */
  say(error) {
    this.onSay(error instanceof CannotSound ? error.message : `The sound cannot start: ${error.message}.`);
  }
}

/**
 * A sound at 48 kHz in one channel: the mean of all.
 * @param {ArrayBuffer} bytes @returns {Promise<Float32Array>}
 */
async function decoded(bytes) {
  const sound = await new OfflineAudioContext(1, 1, SOUND_RATE).decodeAudioData(bytes);
  const mean = new Float32Array(sound.length);
  for (let channel = 0; channel < sound.numberOfChannels; channel++) {
    const samples = sound.getChannelData(channel);
    for (let i = 0; i < mean.length; i++) mean[i] += samples[i] / sound.numberOfChannels;
  }
  return mean;
}

/**
 * Fade both ends over 5 ms, because it comes round.
 * @param {Float32Array} samples @returns {Float32Array}
 */
function withEdges(samples) {
  const edge = Math.min(EDGE, Math.floor(samples.length / 2));
  for (let i = 0; i < edge; i++) {
    samples[i] *= i / edge;
    samples[samples.length - 1 - i] *= i / edge;
  }
  return samples;
}

/**
 * Wait until a context runs: without a press a browser never lets it.
 * @param {AudioContext} context
 */
async function awake(context) {
  await Promise.race([context.resume(), new Promise((go) => setTimeout(go, WAKING_MS))]);
  if (context.state !== "running") {
    throw new CannotSound("The browser holds the sound back, or no device plays; press play once more.");
  }
}

/**
 * How long a file plays as its head says; 0 where it does not say.
 * @param {Blob} file @returns {Promise<number>}
 */
async function secondsOf(file) {
  const player = new Audio();
  const address = URL.createObjectURL(file);
  const seconds = await new Promise((/** @type {(value: number) => void} */ go) => {
    player.onloadedmetadata = () => go(Number.isFinite(player.duration) ? player.duration : 0);
    player.onerror = () => go(0);
    player.preload = "metadata";
    player.src = address;
  });
  player.removeAttribute("src");
  URL.revokeObjectURL(address);
  return seconds;
}

const TAP_PAUSE_S = 2; // as `course.tapping` has all these
const TAP_ARRIVAL_S = 0.01;
const TAP_STEADY = 0.3;
const TAP_WIDEST = 0.25;
const FEWEST_TAPS = 3;
const FASTEST_TAP_BPM = 400;

/**
 * The tempo of the taps since the last pause and how far it may be off: `course.tapping.tapped_tempo`.
 * @param {number[]} times rising, s
 * @returns {{bpm: number, plus_minus: number, taps: number, left_out: number, text: string}}
 */
export function tappedTempo(times) {
  if (times.some((time, k) => !Number.isFinite(time) || (k > 0 && time <= times[k - 1]))) {
    throw new CannotSound("times must be a list of rising times in s");
  }
  let start = 0;
  for (let k = 1; k < times.length; k++) if (times[k] - times[k - 1] > TAP_PAUSE_S) start = k;
  const taps = times.slice(start);
  if (taps.length < FEWEST_TAPS) {
    throw new CannotSound(`a tempo takes ${FEWEST_TAPS} taps or more, so far ${taps.length}`);
  }
  const gaps = taps.slice(1).map((time, k) => time - taps[k]);
  const sorted = [...gaps].sort((a, b) => a - b);
  const middle = (sorted[(gaps.length - 1) >> 1] + sorted[gaps.length >> 1]) / 2;
  const kept = gaps.filter((gap) => Math.abs(gap / middle - 1) <= TAP_STEADY);
  if (kept.length < Math.max(2, (2 / 3) * gaps.length)) {
    throw new CannotSound("the taps do not keep one tempo");
  }
  const gap = kept.reduce((sum, one) => sum + one, 0) / kept.length;
  const scatter = Math.sqrt(kept.reduce((sum, one) => sum + (one - gap) ** 2, 0) / (kept.length - 1));
  const byHand = (studentQuantile(kept.length - 1) * scatter) / Math.sqrt(kept.length);
  const share = Math.hypot(byHand, (Math.SQRT2 * TAP_ARRIVAL_S) / kept.length) / gap;
  const bpm = 60 / gap;
  if (share > TAP_WIDEST) throw new CannotSound("the taps do not agree on a tempo yet");
  if (bpm > FASTEST_TAP_BPM) {
    throw new CannotSound(`${bpm.toFixed(0)} beats a minute are more than ${FASTEST_TAP_BPM}`);
  }
  const left = gaps.length - kept.length;
  const without = left ? ` (${left} ${left === 1 ? "gap" : "gaps"} left out, too far from the others)` : "";
  const text = `${uncertainText(bpm, share * bpm, "bpm")} from ${taps.length} taps${without}`;
  return { bpm, plus_minus: share * bpm, taps: taps.length, left_out: left, text };
}

/**
 * The point below which Student's t lies 975 times in 1,000.
 * Source: Abramowitz and Stegun, 26.7.3 and 26.7.4 (from memory), for a whole number of degrees of freedom.
 * @param {number} freedom @returns {number}
 */
function studentQuantile(freedom) {
  let low = 0;
  let high = 13; // 12.7 with one degree of freedom
  for (let k = 0; k < 60; k++) {
    const middle = (low + high) / 2;
    if (studentWithin(middle, freedom) < 0.95) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/**
 * How often |t| stays below a value.
 * @param {number} value @param {number} freedom @returns {number}
 */
function studentWithin(value, freedom) {
  const angle = Math.atan(value / Math.sqrt(freedom));
  const square = Math.cos(angle) ** 2;
  const odd = freedom % 2 === 1;
  let term = odd ? Math.cos(angle) : 1;
  let sum = freedom === 1 ? 0 : term;
  for (let k = odd ? 3 : 2; k < freedom; k += 2) {
    term *= ((k - 1) / k) * square;
    sum += term;
  }
  return odd ? (2 / Math.PI) * (angle + Math.sin(angle) * sum) : Math.sin(angle) * sum;
}
