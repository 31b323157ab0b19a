// What an uneven speed does to a repeat, which turning part makes it, and what a meter reads of it.

const DEEPEST_SWING_DB = 60;
const NOTE_PHASES = 360;

/**
 * @typedef {{name: string, kind: string, diameter: number | null, belt_length: number | null,
 *   pulley_diameter: number | null, capstan_diameter: number | null, reel_radius: number | null,
 *   tape_thickness: number, belt_thickness: number, wobble: number, forced_at: number | null}} TurningPart
 */

// ---- repeats ----

/**
 * Mirrors tapecalc.calc.flutter.repeat_deviation.
 * @param {number} depth @param {number} rate @param {number} delay @param {number} passes
 */
export function repeatDeviation(depth, rate, delay, passes) {
  const turns = rate * delay * passes;
  return 2 * depth * Math.abs(Math.sin(Math.PI * (turns - Math.round(turns))));
}

/**
 * Mirrors tapecalc.calc.flutter.delay_swing.
 * @param {number} depth @param {number} rate @param {number} delay @param {number} passes
 */
export function delaySwing(depth, rate, delay, passes) {
  const angle = Math.PI * (rate * delay * passes || 1e-20);
  return depth * delay * passes * Math.abs(Math.sin(angle) / angle);
}

/**
 * Mirrors tapecalc.calc.units.ratio_to_cents.
 * @param {number} ratio
 */
export function ratioToCents(ratio) {
  return 1200 * Math.log2(ratio);
}

/**
 * Mirrors tapecalc.calc.flutter.shimmer_db of an echo as loud as the dry sound.
 * @param {number} frequency @param {number} delay @param {number} swing
 */
export function shimmerDb(frequency, delay, swing) {
  const [low, high] = [frequency * delay - frequency * swing, frequency * delay + frequency * swing];
  const ends = [low, high].map((turns) => Math.cos(2 * Math.PI * turns));
  const up = 2 + 2 * (Math.ceil(low) <= high ? 1 : Math.max(...ends));
  const down = 2 + 2 * (Math.ceil(low - 0.5) <= high - 0.5 ? -1 : Math.min(...ends));
  return 10 * Math.log10(up / Math.max(down, up * 10 ** (-DEEPEST_SWING_DB / 10)));
}

/**
 * Mirrors tapecalc.calc.flutter.usual_shimmer_db of an echo as loud as the dry sound.
 * @param {number} frequency @param {number} swing
 */
export function usualShimmerDb(frequency, swing) {
  const swings = Float64Array.from({ length: NOTE_PHASES }, (_, at) =>
    shimmerDb(frequency, (at + 0.5) / NOTE_PHASES / frequency, swing));
  return quantileOf(swings, 0.5);
}

// ---- turning parts ----

/**
 * Mirrors tapecalc.calc.parts.TurningPart.rate_at.
 * @param {TurningPart} part @param {number} speed
 */
export function partRate(part, speed) {
  const { belt_length, reel_radius, diameter, pulley_diameter, capstan_diameter } = part;
  const driven = pulley_diameter !== null && capstan_diameter !== null;
  const thickness = driven ? part.belt_thickness : part.tape_thickness;
  const round = reel_radius === null ? Math.PI * ((diameter ?? 0) + thickness) : 2 * Math.PI * reel_radius;
  const shaft = (capstan_diameter ?? 0) + part.tape_thickness;
  const ratio = driven ? (pulley_diameter + part.belt_thickness) / shaft : 1;
  return (speed * ratio) / (belt_length ?? round);
}

/**
 * Mirrors tapecalc.calc.parts.TurningPart.wobble_at.
 * @param {TurningPart} part @param {number} speed
 */
export function partWobble(part, speed) {
  return part.forced_at === null ? part.wobble : part.wobble / (speed / part.forced_at) ** 2;
}

// ---- what a meter reads ----

/**
 * Mirrors tapecalc.calc.flutter.weighting_db; the rows of the standard are frequencies and levels.
 * @param {[number, number][]} rows @param {number} frequency
 */
export function weightingDb(rows, frequency) {
  const after = rows.findIndex((row) => row[0] >= frequency);
  const end = Math.min(Math.max(after < 0 ? rows.length : after, 1), rows.length - 1);
  const [[low, lowDb], [high, highDb]] = [rows[end - 1], rows[end]];
  return lowDb + ((highDb - lowDb) * Math.log(frequency / low)) / Math.log(high / low);
}

/**
 * Mirrors tapecalc.calc.flutter.two_sigma; `coverage` is that of the standard.
 * @param {Float64Array} deviations @param {number} coverage
 */
export function twoSigma(deviations, coverage) {
  return quantileOf(deviations.map(Math.abs), coverage);
}

/** @param {Float64Array} values @param {number} share */
function quantileOf(values, share) {
  const sorted = values.slice().sort();
  const place = share * (sorted.length - 1);
  const at = Math.min(Math.floor(place), sorted.length - 2);
  return sorted[at] + (sorted[at + 1] - sorted[at]) * (place - at);
}
