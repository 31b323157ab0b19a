// What the sounds of panels share: their rate, a plucked note, a hiss, and one loudness for all.

export const HEARD_RATE = 24000;
const HEARD_SECONDS = 3;
const HEARD_RMS = 10 ** (-23 / 20);
const HEARD_PEAK = 0.5;
const BLOCK_S = 0.4;
const EDGE_S = 0.02;
const [SHELF, AT_1_KHZ] = [10 ** (4 / 20), 10 ** (-0.691 / 20)];
const BASS_SHARE = 1 - Math.exp((-2 * Math.PI * 1500) / HEARD_RATE); // below 1.5 kHz

/**
 * Three seconds of a sound as a function of time, from silence into silence, as loud as all others.
 * @param {(time: number, at: number) => number} valueAt
 * @returns {{rate: number, samples: Float32Array}}
 */
export function heardSound(valueAt) {
  const samples = Float32Array.from({ length: HEARD_SECONDS * HEARD_RATE }, (_, at) => {
    const time = at / HEARD_RATE;
    const edge = Math.min(1, time / EDGE_S, (HEARD_SECONDS - 1 / HEARD_RATE - time) / EDGE_S);
    return edge * valueAt(time, at);
  });
  const peak = samples.reduce((most, value) => Math.max(most, Math.abs(value)), 0);
  const gain = Math.min(HEARD_RMS / loudRms(samples), HEARD_PEAK / peak);
  return { rate: HEARD_RATE, samples: samples.map((value) => gain * value) };
}

/**
 * The root mean square of what is loud: of the blocks within 10 dB of all that are not silent. Treble counts
 * more, about as where loudness is measured. Source: ITU-R BS.1770-4, its shelf of 4 dB (from memory).
 * @param {Float32Array} samples
 */
function loudRms(samples) {
  const size = BLOCK_S * HEARD_RATE;
  let bass = 0;
  const weighted = samples.map((value) => {
    bass += BASS_SHARE * (value - bass);
    return AT_1_KHZ * (SHELF * value - (SHELF - 1) * bass);
  });
  /** @type {number[]} */
  const powers = [];
  for (let from = 0; from + size <= weighted.length; from += size / 4) {
    powers.push(weighted.subarray(from, from + size).reduce((sum, value) => sum + value * value, 0) / size);
  }
  const mean = /** @param {number[]} some */ (some) => some.reduce((sum, one) => sum + one, 0) / some.length;
  const least = mean(powers.filter((power) => power > 1e-7 * Math.max(...powers))) / 10;
  return Math.sqrt(mean(powers.filter((power) => power >= least)));
}

/**
 * A short note of amplitude 1 that begins at 0: a soft tick and a tone that dies away.
 * @param {number} time
 */
export function pluckedNote(time) {
  if (time < 0 || time > 0.4) return 0;
  const turns = 2 * Math.PI * 440 * time;
  return Math.min(1, time / 0.002) * Math.exp(-time / 0.035) * (Math.sin(turns) + 0.3 * Math.sin(3 * turns));
}

/**
 * Hiss of a root mean square of 1, the same at each place each time.
 * @param {number} at
 */
export function steadyHiss(at) {
  let bits = Math.imul(at + 1, 0x9e3779b1);
  bits = Math.imul(bits ^ (bits >>> 15), 0x85ebca6b);
  bits = Math.imul(bits ^ (bits >>> 13), 0xc2b2ae35);
  return Math.sqrt(12) * (((bits ^ (bits >>> 16)) >>> 0) / 2 ** 32 - 0.5);
}
