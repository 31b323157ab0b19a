// What several heads make of one sound: combs where they answer nearly at once, and echoes of echoes.

import { amplitudeToDb, dbToAmplitude } from "../live/formulas.mjs";

const SILENT = 1e-15; // -300 dB
const SAME_MOMENT_S = 1e-6; // within which two echoes are one

/**
 * Mirrors the size of tapecalc.calc.heads.taps_gain.
 * @param {number} frequency @param {number[]} delays @param {number[]} levels
 */
export function tapsSize(frequency, delays, levels) {
  let [real, imaginary] = [0, 0];
  for (let tap = 0; tap < delays.length; tap += 1) {
    const turns = 2 * Math.PI * frequency * delays[tap];
    real += levels[tap] * Math.cos(turns);
    imaginary += levels[tap] * Math.sin(turns);
  }
  return Math.sqrt(real * real + imaginary * imaginary);
}

/**
 * Mirrors tapecalc.calc.heads.comb_extremes_db.
 * @param {number} level @param {number} other
 * @returns {[number, number]}
 */
export function combExtremesDb(level, other) {
  const [peak, notch] = [level + other, Math.abs(level - other)].map((size) => Math.max(size, SILENT));
  return [amplitudeToDb(peak), amplitudeToDb(notch)];
}

/**
 * Mirrors tapecalc.calc.heads.notch_frequencies of two heads so far apart in time.
 * @param {number} apart @param {number} highest
 */
export function notchFrequencies(apart, highest) {
  const count = Math.max(0, Math.floor(highest * apart + 0.5 + 1e-9));
  return Array.from({ length: count }, (_, at) => (at + 0.5) / apart);
}

/**
 * Mirrors tapecalc.calc.stereo.shared_sends.
 * @param {number} gain @param {number} crossed
 * @returns {[number, number][]}
 */
export function sharedSends(gain, crossed) {
  const [own, other] = [gain * (1 - crossed), gain * crossed];
  return [[own, other], [other, own]];
}

/**
 * Mirrors tapecalc.calc.stereo.stereo_echoes: what is heard of one short sound on two tracks, by time;
 * `passed` is the amplitude that a pass leaves. With `later` the first answers are left out.
 * @param {{delays: number[], gains: number[], feeds: boolean[]}[]} tracks
 * @param {[number, number][]} sends @param {number[]} sent @param {number} passed
 * @param {{longest: number, faintestDb: number, later?: boolean}} until
 * @returns {{time: number, sides: number[]}[]}
 */
export function stereoEchoes(tracks, sends, sent, passed, { longest, faintestDb, later = false }) {
  const faintest = dbToAmplitude(faintestDb) * (1 - 1e-9);
  /** @type {Map<number, number[]>} */
  const heard = new Map();
  let onTape = new Map([[0, sent]]);
  while (onTape.size) {
    /** @type {Map<number, number[]>} */
    const next = new Map();
    for (const [tick, levels] of onTape) {
      tracks.forEach(({ delays, gains, feeds }, track) => delays.forEach((delay, head) => {
        const arrives = tick * SAME_MOMENT_S + delay;
        const played = levels[track] * passed * gains[head];
        if (arrives > longest || Math.abs(played) < faintest) return;
        if (tick || !later) addTo(heard, arrives, track ? [0, played] : [played, 0]);
        if (feeds[head]) addTo(next, arrives, sends.map((row) => row[track] * played));
      }));
    }
    onTape = next;
  }
  return [...heard].sort((one, other) => one[0] - other[0])
    .map(([tick, sides]) => ({ time: tick * SAME_MOMENT_S, sides }))
    .filter(({ sides }) => Math.max(...sides.map(Math.abs)) >= faintest);
}

/** @param {Map<number, number[]>} echoes @param {number} time @param {number[]} sides */
function addTo(echoes, time, sides) {
  const tick = Math.round(time / SAME_MOMENT_S);
  const there = echoes.get(tick) ?? [0, 0];
  echoes.set(tick, there.map((level, side) => level + sides[side]));
}
