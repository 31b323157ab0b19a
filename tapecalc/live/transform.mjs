// Fast filters: a real Fourier transform of two blocks, and long filters cut into parts of one block each.

/** Samples at a time, as pages get them. */
export const BLOCK = 128;
const BINS = BLOCK + 1;

/**
 * Numbers from base64 of little-endian 32-bit floats; a worklet has no decoder of its own.
 * @param {string} text
 * @returns {Float64Array}
 */
export function decodedTaps(text) {
  const signs = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  const values = new Map([...signs].map((sign, value) => [sign, value]));
  const bytes = new Uint8Array(Math.floor((text.length * 3) / 4) + 3);
  let filled = 0;
  for (let k = 0; k + 3 < text.length; k += 4) {
    let word = 0;
    for (let j = 0; j < 4; j++) word = (word << 6) | (values.get(text[k + j]) ?? 0);
    bytes[filled++] = word >> 16;
    bytes[filled++] = word >> 8;
    bytes[filled++] = word;
  }
  const padding = text.endsWith("==") ? 2 : Number(text.endsWith("="));
  const view = new DataView(bytes.buffer, 0, filled - padding);
  return Float64Array.from({ length: view.byteLength >> 2 }, (_, k) => view.getFloat32(4 * k, true));
}

/** The Fourier transform of 256 real numbers, as one of 128 complex ones. */
export class Transform {
  constructor() {
    this.re = new Float64Array(BLOCK);
    this.im = new Float64Array(BLOCK);
    this.order = Uint8Array.from({ length: BLOCK }, (_, k) => {
      let turned = 0;
      for (let bit = 1; bit < BLOCK; bit <<= 1) turned = (turned << 1) | Number((k & bit) !== 0);
      return turned;
    });
    const turns = Array.from({ length: BLOCK }, (_, k) => (-Math.PI * k) / BLOCK);
    this.cos = Float64Array.from(turns, Math.cos);
    this.sin = Float64Array.from(turns, Math.sin);
  }

  /**
   * @param {Float64Array} samples 256
   * @param {Float64Array} re where 129 real parts go, from `at` on
   * @param {Float64Array} im
   * @param {number} at
   */
  forward(samples, re, im, at) {
    const { re: x, im: y, order, cos, sin } = this;
    for (let k = 0; k < BLOCK; k++) {
      x[order[k]] = samples[2 * k];
      y[order[k]] = samples[2 * k + 1];
    }
    this.butterflies();
    re[at] = x[0] + y[0];
    im[at] = 0;
    re[at + BLOCK] = x[0] - y[0];
    im[at + BLOCK] = 0;
    for (let k = 1, m = BLOCK - 1; k < BLOCK; k++, m--) {
      const evenRe = (x[k] + x[m]) / 2;
      const evenIm = (y[k] - y[m]) / 2;
      const oddRe = (y[k] + y[m]) / 2;
      const oddIm = (x[m] - x[k]) / 2;
      re[at + k] = evenRe + cos[k] * oddRe - sin[k] * oddIm;
      im[at + k] = evenIm + cos[k] * oddIm + sin[k] * oddRe;
    }
  }

  /**
   * @param {Float64Array} re 129
   * @param {Float64Array} im
   * @param {Float64Array} samples 256; only the later 128 are written
   */
  inverse(re, im, samples) {
    const { re: x, im: y, order, cos, sin } = this;
    // The inverse is the transform with the parts swapped: y + i x goes in and comes out.
    for (let k = 0, m = BLOCK; k < BLOCK; k++, m--) {
      const evenRe = re[k] + re[m];
      const evenIm = im[k] - im[m];
      const apartRe = re[k] - re[m];
      const apartIm = im[k] + im[m];
      const oddRe = apartRe * cos[k] + apartIm * sin[k];
      const oddIm = apartIm * cos[k] - apartRe * sin[k];
      x[order[k]] = evenIm + oddRe;
      y[order[k]] = evenRe - oddIm;
    }
    this.butterflies();
    const scale = 1 / (2 * BLOCK);
    for (let k = BLOCK / 2; k < BLOCK; k++) {
      samples[2 * k] = y[k] * scale;
      samples[2 * k + 1] = x[k] * scale;
    }
  }

  butterflies() {
    const { re: x, im: y, cos, sin } = this;
    for (let half = 1; half < BLOCK; half <<= 1) {
      const stride = BLOCK / half;
      for (let j = 0; j < half; j++) {
        const c = cos[j * stride];
        const s = sin[j * stride];
        for (let a = j; a < BLOCK; a += 2 * half) {
          const b = a + half;
          const re = x[b] * c - y[b] * s;
          const im = x[b] * s + y[b] * c;
          x[b] = x[a] - re;
          y[b] = y[a] - im;
          x[a] += re;
          y[a] += im;
        }
      }
    }
  }
}

/** A long filter, cut into parts of one block: no later than its taps are, with one transform a block. */
export class LongFilter {
  /**
   * @param {Float64Array} taps
   * @param {Transform} transform
   */
  constructor(taps, transform) {
    this.transform = transform;
    this.parts = Math.ceil(taps.length / BLOCK);
    this.tapsRe = new Float64Array(this.parts * BINS);
    this.tapsIm = new Float64Array(this.parts * BINS);
    this.pastRe = new Float64Array(this.parts * BINS);
    this.pastIm = new Float64Array(this.parts * BINS);
    /** @type {number[]} */
    this.filled = []; // parts of the taps that are not all 0
    const part = new Float64Array(2 * BLOCK);
    for (let k = 0; k < this.parts; k++) {
      part.fill(0);
      part.set(taps.subarray(k * BLOCK, (k + 1) * BLOCK));
      transform.forward(part, this.tapsRe, this.tapsIm, k * BINS);
      if (part.some((tap) => tap !== 0)) this.filled.push(k);
    }
    this.window = new Float64Array(2 * BLOCK);
    this.newest = 0;
    this.idle = this.parts + 1; // blocks since the last that was not silent
  }

  /** Whether nothing is left of what came in. */
  get silent() {
    return this.idle > this.parts;
  }

  /**
   * Take a block in and add its spectrum, and what is left of those before, to a sum.
   * @param {Float64Array} block 128
   * @param {boolean} sounds whether it is not all 0
   * @param {Float64Array} sumRe 129
   * @param {Float64Array} sumIm
   */
  add(block, sounds, sumRe, sumIm) {
    this.idle = sounds ? 0 : this.idle + 1;
    this.window.copyWithin(0, BLOCK);
    this.window.set(block, BLOCK);
    this.newest = this.newest === 0 ? this.parts - 1 : this.newest - 1;
    this.transform.forward(this.window, this.pastRe, this.pastIm, this.newest * BINS);
    const { tapsRe, tapsIm, pastRe, pastIm, filled, parts, newest } = this;
    for (let f = 0; f < filled.length; f++) {
      const part = filled[f];
      let t = part * BINS;
      let p = (newest + part < parts ? newest + part : newest + part - parts) * BINS;
      for (let k = 0; k < BINS; k++, t++, p++) {
        sumRe[k] += tapsRe[t] * pastRe[p] - tapsIm[t] * pastIm[p];
        sumIm[k] += tapsRe[t] * pastIm[p] + tapsIm[t] * pastRe[p];
      }
    }
  }
}
