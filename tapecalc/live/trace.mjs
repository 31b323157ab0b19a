/** What lies on the tape: one value for each mm, kept by its place on the tape until it is wiped. */

/** How many mm are kept of a tape that runs from reel to reel: more than is ever shown. */
const KEPT_MM = 4096;
/** The softest that is drawn, as a share of the loudest. */
const FAINTEST = 0.004;
/** So far past the newest the tape is drawn as the newest is: a report is a little old when it comes. */
const AHEAD_MM = 16;
/** Over so much of the tape the count of passes is made even, and each pass smooths the sound. */
const EVEN_MM = 12;
const SMOOTH_MM = 1.5;
/** Passes that are told apart by color. */
export const PASSES = 3;

/** The tape as it was recorded: dry and returned sound, and how often the returned part has been round. */
export class TapeTrace {
  /**
   * @param {{loop_length_m: number | null, erases: boolean}} facts
   */
  constructor(facts) {
    this.lapMm = facts.loop_length_m ? Math.round(facts.loop_length_m * 1000) : 0;
    this.erases = facts.erases;
    this.kept = Math.max(KEPT_MM, 2 * this.lapMm);
    this.place = new Int32Array(this.kept).fill(-1);
    this.dry = new Float32Array(this.kept);
    this.returned = new Float32Array(this.kept);
    this.passes = new Float32Array(this.kept);
    this.newest = -1;
  }

  clear() {
    this.place.fill(-1);
    this.newest = -1;
  }

  /**
   * Where a mm of tape is kept; -1 if nothing was recorded there.
   * @param {number} mm
   */
  slot(mm) {
    if (mm < 0) return -1;
    const slot = mm % this.kept;
    return this.place[slot] === mm ? slot : -1;
  }

  /**
   * Take what was recorded since the last report.
   * @param {{at_mm: number, dry: number, returned: number}[]} cells
   * @param {number[]} spacingsMm of the heads that feed the return
   */
  add(cells, spacingsMm) {
    for (const cell of cells) {
      const mm = Math.floor(cell.at_mm);
      if (mm < 0) continue;
      const slot = mm % this.kept;
      this.place[slot] = mm;
      this.dry[slot] = cell.dry;
      this.returned[slot] = cell.returned;
      this.passes[slot] = this.passOf(mm, cell, spacingsMm);
      this.newest = Math.max(this.newest, mm);
    }
  }

  /**
   * How often what comes back has been recorded, on the average of what it is made of.
   * @param {number} mm
   * @param {any} cell
   * @param {any} spacingsMm
   */
  passOf(mm, cell, spacingsMm) {
    const whole = cell.dry + cell.returned;
    if (whole <= 0 || cell.returned <= 0) return 0;
    let loudest = 0;
    let passes = 0;
    // A place that lies so far behind is in one of two mm.
    const places = spacingsMm.flatMap((/** @type {number} */ spacing) =>
      [mm - Math.floor(spacing), mm - Math.ceil(spacing)]);
    for (const place of places) {
      const source = this.slot(place);
      if (source < 0) continue;
      const level = this.dry[source] + this.returned[source];
      if (level > loudest) {
        loudest = level;
        passes = this.passes[source];
      }
    }
    return (cell.returned / whole) * (1 + passes);
  }

  /**
   * How loud the tape is at a place of it, a lap ago included where nothing wiped it.
   * @param {number} mm
   * @returns {number}
   */
  level(mm) {
    const slot = this.slot(Math.floor(mm));
    return slot < 0 ? 0 : this.dry[slot] + this.returned[slot];
  }

  /**
   * Outlines of what lies between two places of the tape, as paths around a middle line at 0.
   * Along the path runs the distance from `base`, growing backward, as heads see it.
   * @param {object} view
   * @param {number} view.from mm of tape, the older end
   * @param {number} view.to mm of tape, the newer end
   * @param {number} view.base
   * @param {number} view.scale pixels a mm
   * @param {number} view.tall half the height of the loudest, pixels
   * @param {(level: number) => number} view.height share of that height, from 0 to 1
   * @param {Way} [view.way] where the tape runs, if not straight on
   * @returns {{dry: string, returned: string[]}}
   */
  outlines({ from, to, base, scale, tall, height, way }) {
    const step = Math.max(1, Math.round(2.5 / scale));
    const start = Math.floor(Math.max(0, from) / step) * step;
    const count = Math.max(0, Math.floor((to - start) / step) + 1);
    const read = this.read(start, step, count);
    const dry = new Outline(way);
    const returned = Array.from({ length: PASSES }, () => new Outline(way));
    for (let k = 0; k < count; k += 1) {
      const along = (base - start - k * step) * scale;
      const [d, r] = [read.dry[k], read.returned[k]];
      const inner = r > FAINTEST ? tall * height(r) : 0;
      dry.add(along, d > FAINTEST ? tall * height(d + r) : 0);
      const pass = inner > 0 ? Math.min(PASSES, Math.max(1, Math.round(read.passes[k]))) - 1 : -1;
      returned.forEach((outline, n) => outline.add(along, n === pass ? inner : 0));
    }
    return { dry: dry.path(), returned: returned.map((outline) => outline.path()) };
  }

  /**
   * The loudest of each step; returned sound is the smoother the more often it has been round.
   * @param {number} start mm
   * @param {number} step mm
   * @param {number} count
   */
  read(start, step, count) {
    const dry = new Float32Array(count);
    const raw = new Float32Array(count);
    const passes = new Float32Array(count);
    for (let k = 0; k < count; k += 1) {
      for (let mm = start + k * step; mm < start + (k + 1) * step; mm += 1) {
        const slot = this.slot(mm > this.newest && mm < this.newest + AHEAD_MM ? this.newest : mm);
        if (slot < 0) continue;
        dry[k] = Math.max(dry[k], this.dry[slot]);
        if (this.returned[slot] < raw[k] || this.returned[slot] <= 0) continue;
        raw[k] = this.returned[slot];
        passes[k] = this.passes[slot] * (1 + this.dry[slot] / raw[k]);
      }
    }
    const even = weighted(passes, raw, Math.ceil(EVEN_MM / step));
    const returned = raw.map((level, k) => {
      const reach = Math.round((Math.max(0, even[k] - 1) * SMOOTH_MM) / step);
      return reach && level > 0 ? mean(raw, k, reach) : level;
    });
    return { dry, returned, passes: even };
  }
}

/**
 * The mean of a few neighbors on both sides.
 * @param {any} values
 * @param {number} at
 * @param {number} reach
 */
function mean(values, at, reach) {
  let [sum, count] = [0, 0];
  for (let k = Math.max(0, at - reach); k <= Math.min(values.length - 1, at + reach); k += 1) {
    sum += values[k];
    count += 1;
  }
  return sum / count;
}

/**
 * Running means that count what is louder more.
 * @param {any} values
 * @param {any} weights
 * @param {number} reach
 */
function weighted(values, weights, reach) {
  const means = new Float32Array(values.length);
  let [sum, weight] = [0, 0];
  for (let k = -reach; k < values.length; k += 1) {
    const [come, gone] = [k + reach, k - reach - 1];
    if (come < values.length) {
      sum += values[come] * weights[come];
      weight += weights[come];
    }
    if (gone >= 0) {
      sum -= values[gone] * weights[gone];
      weight -= weights[gone];
    }
    if (k >= 0) means[k] = weight > 1e-6 ? sum / weight : 0;
  }
  return means;
}

/**
 * The point that lies so far along the tape and so far below its middle, pixels.
 * @typedef {(along: number, below: number) => number[]} Way
 */

/**
 * Where the tape of a closed loop runs on from the end of its straight part: it narrows, then bends down.
 * @param {{x: number, middle: number, radius: number, narrows: number, thin: number}} end from where on it
 *   bends, over how much it narrows before, and to which share of its width
 * @returns {Way}
 */
export function wayRound({ x, middle, radius, narrows, thin }) {
  return (along, below) => {
    const gone = Math.min(1, Math.max(0, (along - x) / narrows + 1));
    const half = below * (1 + (thin - 1) * gone * gone * (3 - 2 * gone));
    const angle = Math.max(0, along - x) / radius;
    const out = radius - half;
    return [Math.min(along, x) + out * Math.sin(angle), middle + radius - out * Math.cos(angle)];
  };
}

/** Gathers a shape around a middle line; stretches of silence are left out. */
class Outline {
  /** @param {Way} [way] */
  constructor(way = (along, below) => [along, below]) {
    this.way = way;
    this.text = "";
    this.above = "";
    this.below = "";
    this.before = NaN;
  }

  /** @param {number} along @param {number} below */
  point(along, below) {
    const [x, y] = this.way(along, below);
    return `${x.toFixed(1)} ${y === 0 ? 0 : y.toFixed(1)}`;
  }

  /**
   * @param {number} along
   * @param {number} half
   */
  add(along, half) {
    if (half > 0) {
      if (!this.above) {
        this.above = `M${this.point(Number.isNaN(this.before) ? along : this.before, 0)}`;
        this.below = "";
      }
      this.above += `L${this.point(along, -half)}`;
      this.below = `L${this.point(along, half)}${this.below}`;
    } else {
      this.close(along);
    }
    this.before = along;
  }

  /** @param {number} along */
  close(along) {
    if (this.above) this.text += `${this.above}L${this.point(along, 0)}${this.below}Z`;
    this.above = "";
    this.below = "";
  }

  path() {
    if (this.above) this.close(this.before);
    return this.text;
  }
}
