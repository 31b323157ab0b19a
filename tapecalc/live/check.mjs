/** A live check of the wiring: a noise goes out, what comes in is looked at, and nothing leaves the page. */

import { buttonControl, keepKeys } from "./controls.mjs";
import { element } from "./elements.mjs";
import { LISTEN_SECONDS, probeSamples, SOONEST_TAPE_S, wayOf } from "./probe.mjs";
import { CannotSound, openedInput } from "./sound.mjs";
import { fixedText, uncertainText } from "./words.mjs";

/** @typedef {import("./probe.mjs").Way} Way */

const CHECK_RATE = 48000;
const QUIET_DB = -30; // peak of full scale; below it, turn up
const HARDLY_DB = -50;

/** What runs in the audio thread: the noise goes out and what comes in is kept, on one clock. */
const CHECK_WORKLET = `registerProcessor("wiring-check", class extends AudioWorkletProcessor {
  constructor({ processorOptions: { probe, count } }) {
    super();
    Object.assign(this, { probe, count, at: 0 });
  }
  process(inputs, [output]) {
    const size = output[0].length;
    const sent = this.probe.subarray(this.at, this.at + size);
    for (const channel of output) channel.set(sent);
    this.port.postMessage(inputs[0].map((channel) => channel.slice()));
    this.at += size;
    return this.at < this.count;
  }
});`;

/**
 * Send the noise through a context, with what comes from a source, and give what came in by channel.
 * @param {BaseAudioContext} context @param {AudioNode} source
 * @param {(peak: number) => void} [onPeak] told now and then
 * @returns {Promise<Float32Array[]>}
 */
export async function heardMeanwhile(context, source, onPeak = () => {}) {
  const address = `data:text/javascript;charset=utf-8,${encodeURIComponent(CHECK_WORKLET)}`;
  await context.audioWorklet.addModule(address);
  const count = Math.round(LISTEN_SECONDS * context.sampleRate);
  const processorOptions = { probe: probeSamples(context.sampleRate), count };
  const node = new AudioWorkletNode(context, "wiring-check", { outputChannelCount: [2], processorOptions });
  const channels = [new Float32Array(count), new Float32Array(count)];
  let [at, peak, most] = [0, 0, 1];
  return new Promise((resolve) => {
    node.port.onmessage = ({ data }) => {
      data.slice(0, 2).forEach((/** @type {Float32Array} */ block, /** @type {number} */ number) => {
        const room = channels[number].subarray(at, at + block.length);
        room.set(block.subarray(0, room.length));
        for (const value of room) peak = Math.max(peak, Math.abs(value));
        most = Math.max(most, number + 1);
      });
      at += data[0]?.length ?? 128;
      if (at % 4096 < 128) [peak] = [0, onPeak(peak)];
      if (at >= count) {
        node.disconnect();
        resolve(channels.slice(0, most));
      }
    };
    source.connect(node);
    node.connect(context.destination);
  });
}

/**
 * The channel on which the noise came back best, counted from 0, and its way.
 * @param {Float32Array[]} channels @param {number} rate
 * @returns {{channel: number, way: Way}}
 */
export function bestWay(channels, rate) {
  const ways = channels.map((samples) => wayOf(samples, rate));
  const worth = (/** @type {Way} */ way) => (way.refused === "clipped" ? 2 : way.likeness ?? 0);
  const channel = ways.reduce((best, way, k) => (worth(way) > worth(ways[best]) ? k : best), 0);
  return { channel, way: ways[channel] };
}

/**
 * What a way says of the wiring, as a sentence, and whether one can go on.
 * @param {Way} way @param {Way | null} source the way at source; null while that is what is looked for
 * @returns {{good: boolean, text: string}}
 */
export function wayInWords(way, source) {
  const no = (/** @type {string} */ text) => ({ good: false, text });
  const level = `The input peaks at ${fixedText(way.level_db, 0)} dB of full scale`;
  if (way.refused === "clipped") return no(`${level}: it clips. Turn output or input down, and try again.`);
  if (way.refused === "faint") {
    return no("Nothing comes in. Is the lead in the right socket, the right input chosen, its level up?");
  }
  if (way.refused === "unlike") {
    return no(`${level}, but the noise is not in it: is it another input, or only hum?`);
  }
  if (way.refused === "rivals") {
    const from = source?.seconds ?? 0;
    const places = (way.rivals ?? []).map((seconds) => fixedText(1000 * (seconds - from), 0));
    return no(
      `The noise comes more than once, after ${places.sort((a, b) => +a - +b).join(" and ")} ms. `
        + "Turn the return send down and direct monitoring off, so that one way is left.",
    );
  }
  const seconds = /** @type {number} */ (way.seconds);
  const soft = way.level_db < HARDLY_DB ? " That is too soft to measure: turn it up."
    : way.level_db < QUIET_DB ? " A little more level would do no harm." : "";
  const turned = way.inverted ? " The polarity is turned over." : "";
  if (source === null) {
    const text = `${level}. Computer and interface take ${fixedText(1000 * seconds, 1)} ms.${turned}${soft}`;
    return { good: way.level_db >= HARDLY_DB, text: `${text} Now set the switch to tape, and listen again.` };
  }
  const delay = seconds - (source.seconds ?? 0);
  if (delay < SOONEST_TAPE_S) {
    const still = "but it comes no later than before: that is the source";
    return no(`${level}, ${still}. Set the switch to tape, and let the tape run.`);
  }
  const plusMinus = Math.hypot(way.plusMinus ?? 0, source.plusMinus ?? 0);
  const shown = uncertainText(1000 * delay, 1000 * plusMinus, "ms");
  return { good: true, text: `${level}. That is the tape: it answers after ${shown}.${turned}${soft}` };
}

/**
 * Put the check into a place of a page.
 * @param {any} place
 */
export function mountCheck(place) {
  /** @type {Way | null} */
  let source = null;
  let listening = false;
  const meter = element("meter", { min: -60, max: 0, low: QUIET_DB, high: -3, optimum: -12, value: -60 });
  const level = element("label", {}, "level of the input ", meter);
  const said = element("p", { role: "status", class: "check-says" });
  /** @param {number} peak */
  const show = (peak) => { meter.value = 20 * Math.log10(Math.max(peak, 1e-3)); };

  /** @param {boolean} atSource */
  const listen = async (atSource) => {
    if (listening) return;
    listening = true;
    said.textContent = "Listening for nine seconds. You hear a soft hiss go out.";
    const context = new AudioContext({ sampleRate: CHECK_RATE, latencyHint: "interactive" });
    /** @type {MediaStream | null} */
    let stream = null;
    try {
      stream = await openedInput({ channelCount: 2 });
      await context.resume();
      const channels = await heardMeanwhile(context, context.createMediaStreamSource(stream), show);
      const { channel, way } = bestWay(channels, context.sampleRate);
      const { good, text } = wayInWords(way, atSource ? null : source);
      if (atSource) source = good ? way : null;
      tape.disabled = source === null;
      const where = channels.length > 1 && way.seconds !== undefined ? ` It is on input ${channel + 1}.` : "";
      said.textContent = text + where;
    } catch (error) {
      const ours = error instanceof CannotSound;
      said.textContent = ours ? error.message : "This browser cannot read the input; another one may.";
    } finally {
      stream?.getTracks().forEach((track) => track.stop());
      await context.close();
      show(0);
      listening = false;
    }
  };
  const first = buttonControl("1. Listen, switch at source", () => listen(true));
  const tape = buttonControl("2. Listen, switch at tape", () => listen(false));
  tape.disabled = true;
  place.replaceChildren(element("div", { class: "check-row" }, first, tape, level), said);
  keepKeys(place);
}
