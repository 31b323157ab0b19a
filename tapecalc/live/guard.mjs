/**
 * Keep what is heard below two limits, whatever comes in: a true peak and a loudness over any 3 s.
 *
 * Loudness is that of ITU-R BS.1770 at 48 kHz. The one channel here is played on two, so it counts twice:
 * 3 dB more than the channel alone, which is the safe side of both ways to count.
 */

const GUARD_RATE = 48000;
const MOST_PEAK = 10 ** (-7.5 / 20); // 1.5 dB below -6 dBTP: what short rows of taps miss of torn white noise
const MOST_LUFS = -20.2; // 0.2 dB below -20
const LUFS_OFFSET_DB = -0.691;
const SILENT_DB = -300;

const GUARD_STEP = 64; // samples between two looks at loudness
const GUARD_STEPS = (3 * GUARD_RATE) / GUARD_STEP + 1; // one more, so that each window of 3 s lies inside
const GUARD_LATENCY = 2 * GUARD_STEP; // a step's energy is known before the step ahead of it is played
const MOST_ENERGY = ((10 ** ((MOST_LUFS - LUFS_OFFSET_DB) / 10)) / 2) * 3 * GUARD_RATE;

/**
 * What a sound of the level it has now may use of what is left of 3 s: averaged over `heard` steps, as if it
 * went on for `ahead` steps. The shorter, the more it may stand out, as syllables and drums do; the longer
 * ones make a rise land softly. The first is the promise: no step takes more than a part of what is left.
 */
const LOOKS = [
  { heard: 1, ahead: 20 },
  { heard: 4, ahead: 45 },
  { heard: 16, ahead: 90 },
  { heard: 64, ahead: 200 },
  { heard: 128, ahead: 320 },
  { heard: 256, ahead: 500 },
  { heard: 562, ahead: 900 },
  { heard: 1125, ahead: 1500 },
];
const GUARD_RISE = 10 ** ((12 * GUARD_STEP) / GUARD_RATE / 20); // the gain comes back by 12 dB a second

const PEAK_TAPS = 24; // samples on each side from which a value between two samples is read
const GUARD_SMOOTH = 72; // 1.5 ms in which the gain comes down before a peak
const GUARD_SPARE = GUARD_LATENCY - PEAK_TAPS - GUARD_SMOOTH; // down for this long before and after a peak
const GUARD_HOLD = GUARD_LATENCY - PEAK_TAPS + 1 + GUARD_SPARE;
const GUARD_RELEASE = Math.exp(-1 / (0.2 * GUARD_RATE));
const NEARLY = 0.98; // a peak within 2 % of the one that is held renews the hold
const GUARD_GRID = 2 ** 30; // gains come in steps of this, so that running sums are exact
const ENERGY_GRID = 2 ** 24;
const LARGEST = 8; // 18 dB above full scale: no sound is as large

/** Values between samples, four times as dense: three rows of taps, a sinc under a cosine. */
const BETWEEN = [0.25, 0.5, 0.75].map((part) =>
  Float64Array.from({ length: 2 * PEAK_TAPS }, (_, k) => {
    const away = k - PEAK_TAPS + 1 - part;
    const angle = Math.PI * away;
    return (Math.sin(angle) / angle) * Math.cos(angle / (2 * PEAK_TAPS + 1));
  }),
);

/** K weighting: a shelf for the head, then a high pass, as the standard's tables give them for 48 kHz. */
class KWeighting {
  constructor() {
    this.states = new Float64Array(4);
  }

  /** @param {number} x @returns {number} */
  next(x) {
    const s = this.states;
    const shelf = 1.53512485958697 * x + s[0];
    s[0] = -2.69169618940638 * x + 1.69065929318241 * shelf + s[1];
    s[1] = 1.19839281085285 * x - 0.73248077421585 * shelf;
    const y = shelf + s[2];
    s[2] = -2 * shelf + 1.99004745483398 * y + s[3];
    s[3] = shelf - 0.99007225036621 * y;
    return y;
  }

  /** Numbers below hearing would slow a processor down. */
  rest() {
    for (let k = 0; k < 4; k++) if (Math.abs(this.states[k]) < 1e-30) this.states[k] = 0;
  }
}

/** Energies of steps, and exact sums over the last few of them. */
class Energies {
  /** @param {number[]} lengths how many steps each sum takes */
  constructor(lengths) {
    this.lengths = lengths;
    this.ring = new Float64Array(GUARD_STEPS + 1);
    this.sums = new Float64Array(lengths.length);
    this.count = 0;
  }

  /** @param {number} energy */
  add(energy) {
    const whole = Math.ceil(energy * ENERGY_GRID);
    const size = this.ring.length;
    this.ring[this.count % size] = whole;
    this.lengths.forEach((length, k) => {
      const left = this.count - length;
      this.sums[k] += whole - (left >= 0 ? this.ring[left % size] : 0);
    });
    this.count += 1;
  }

  /** @param {number} k @returns {number} */
  sum(k) {
    return this.sums[k] / ENERGY_GRID;
  }
}

/** Turns a sound down before it is too loud or too high; what is neither passes as it is, 2.7 ms later. */
export class Guard {
  constructor() {
    this.ring = new Float64Array(256);
    this.at = 0;
    this.kIn = new KWeighting();
    this.kOut = new KWeighting();
    this.energyIn = 0;
    this.energyOut = 0;
    this.stepsIn = new Energies(LOOKS.map((look) => look.heard));
    this.stepsOut = new Energies([...LOOKS.map((look) => GUARD_STEPS - look.ahead), GUARD_STEPS - 1]);
    this.allowed = 1; // gain that the step before needs
    this.gainFrom = 1;
    this.gainTo = 1;
    this.held = 0; // what is taken off for peaks, in units of the grid
    this.holding = 0;
    this.takes = new Float64Array(GUARD_SMOOTH);
    this.taken = 0;
    this.least = 1;
  }

  /** Loudness of what came out in the last 3 s, played on two channels; -300 for silence. */
  get loudness_lufs() {
    const power = (2 * this.stepsOut.sum(LOOKS.length)) / (3 * GUARD_RATE);
    return power > 0 ? Math.max(SILENT_DB, LUFS_OFFSET_DB + 10 * Math.log10(power)) : SILENT_DB;
  }

  /** By how much it turned down at most since it was last asked, dB; 0 where it did nothing. */
  report() {
    const held_db = this.least < 1 ? -20 * Math.log10(this.least) : 0;
    this.least = 1;
    return { held_db, loudness_lufs: this.loudness_lufs };
  }

  /**
   * Take a block in place of any length, and give it back.
   * @param {Float32Array} block
   * @returns {Float32Array}
   */
  process(block) {
    for (let i = 0; i < block.length; i++) block[i] = this.next(block[i]);
    return block;
  }

  /** @param {number} sample @returns {number} */
  next(sample) {
    const x = Number.isFinite(sample) ? Math.max(-LARGEST, Math.min(LARGEST, sample)) : 0;
    const n = this.at;
    if (n % GUARD_STEP === 0) this.lookAtLoudness();
    this.ring[n & 255] = x;
    const weighted = this.kIn.next(x);
    this.energyIn += weighted * weighted;
    const part = (n % GUARD_STEP) / GUARD_STEP;
    const loudGain = this.gainFrom + (this.gainTo - this.gainFrom) * part;
    const gain = Math.min(loudGain, this.peakGain(n));
    if (gain < this.least) this.least = gain;
    const y = Math.max(-0.5, Math.min(0.5, gain * this.ring[(n - GUARD_LATENCY) & 255]));
    const heard = this.kOut.next(y);
    this.energyOut += heard * heard;
    this.at += 1;
    return y;
  }

  /** At the end of each step: the gain to which the next step goes. */
  lookAtLoudness() {
    this.stepsIn.add(this.energyIn);
    this.stepsOut.add(this.energyOut);
    this.energyIn = this.energyOut = 0;
    this.kIn.rest();
    this.kOut.rest();
    let square = 1;
    LOOKS.forEach((look, k) => {
      const left = Math.max(0, MOST_ENERGY - this.stepsOut.sum(k));
      const wanted = (this.stepsIn.sum(k) / look.heard) * look.ahead;
      if (wanted * square > left) square = left / wanted;
    });
    const allowed = Math.sqrt(square);
    this.gainFrom = this.gainTo;
    this.gainTo = Math.min(this.allowed, allowed, this.gainFrom * GUARD_RISE, 1);
    // From the deepest hold it comes back from 100 dB down, not from nothing.
    this.gainTo = Math.max(this.gainTo, Math.min(1e-5, this.allowed, allowed));
    this.allowed = allowed;
  }

  /**
   * The gain that no peak near the sample now played exceeds.
   * @param {number} n @returns {number}
   */
  peakGain(n) {
    const { ring } = this;
    const first = n - 2 * PEAK_TAPS + 1;
    let peak = Math.abs(ring[(first + PEAK_TAPS - 1) & 255]);
    for (const taps of BETWEEN) {
      let sum = 0;
      for (let k = 0; k < taps.length; k++) sum += taps[k] * ring[(first + k) & 255];
      if (sum < 0) sum = -sum;
      if (sum > peak) peak = sum;
    }
    const needed = peak > MOST_PEAK ? Math.ceil((1 - MOST_PEAK / peak) * GUARD_GRID) : 0;
    if (needed > 0 && needed >= NEARLY * this.held) this.holding = GUARD_HOLD;
    if (needed >= this.held) this.held = needed;
    else if (this.holding > 0) this.holding -= 1;
    else this.held = Math.floor(this.held * GUARD_RELEASE);
    const place = n % GUARD_SMOOTH;
    this.taken += this.held - this.takes[place];
    this.takes[place] = this.held;
    return 1 - this.taken / (GUARD_SMOOTH * GUARD_GRID);
  }
}
