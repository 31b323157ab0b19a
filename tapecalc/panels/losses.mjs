// What one pass over the tape does to a level, as tapecalc/calc/response.py and contour.py reckon it. Each
// function mirrors one of the library and says which; SI inside. A complex number is [real, imaginary].

const LEAST_DB = -300; // "nothing at all"
const FAINTEST_GAIN = 1e-15;
const BEND_DB = 6;
const WAVES_FROM = 1;
const WAVES_TO = 1e8;
const WAVE_STEPS = 4096;
const SEARCH_LIMIT_HZ = 1e6;
const SEARCH_FROM = 1e-4; // of the low cut: 80 dB down
const LOWEST_HZ = 1e-10; // without a low cut: there no wave is short against anything
const FADED_RATIO = 16;
const FINE_RATIO = 6; // up to here the shapes of poles stand in small steps
const FINE_STEP = 0.002;
const COARSE_STEP = 0.02;

/**
 * As dataclasses.asdict of the library gives them; more keys do no harm. A pass has no trim here.
 * @typedef {{gap: number, gap_factor: number, separation: number, coating_thickness: number,
 *   surface_share: number, track_width: number, azimuth_angle: number}} HeadContact
 * @typedef {{speed: number, today: HeadContact, aligned: HeadContact, boost_db: number, low_cut: number,
 *   pole_length: number, pole_shape: string, phase: boolean}} OnePass
 * @typedef {[number, number]} Complex
 */

// ---- lengths on the tape ----

/**
 * Mirrors tapecalc.calc.response.wavelength.
 * @param {number} frequency @param {number} speed
 */
export function waveLength(frequency, speed) {
  return speed / frequency;
}

/**
 * Mirrors tapecalc.calc.response.gap_null_frequency.
 * @param {number} speed @param {number} gap @param {number} gapFactor
 */
export function gapNullFrequency(speed, gap, gapFactor) {
  return speed / (gap * gapFactor);
}

// ---- losses ----

/** @param {number} gain of any sign */
function lossLevelDb(gain) {
  return 20 * Math.log10(Math.max(Math.abs(gain), FAINTEST_GAIN));
}

/** @param {number} x */
function sincOf(x) {
  const angle = Math.PI * (x || 1e-20);
  return Math.sin(angle) / angle;
}

/** @param {number} thickness @param {number} waves per meter @param {number} share */
function thicknessGain(thickness, waves, share) {
  const x = 2 * Math.PI * thickness * waves;
  const even = x > 0 ? -Math.expm1(-x) / x : 1;
  const rising = x < 1e-3 ? 0.5 - x / 3 + (x * x) / 8 : (even - Math.exp(-x)) / x;
  return (share * even + (1 - share) * rising) / (share + (1 - share) * 0.5);
}

/**
 * Mirrors tapecalc.calc.response.spacing_loss_db.
 * @param {number} frequency @param {number} speed @param {number} separation
 */
export function spacingLossDb(frequency, speed, separation) {
  return 0 - 40 * Math.PI * Math.LOG10E * separation * (frequency / speed);
}

/**
 * Mirrors tapecalc.calc.response.thickness_loss_db.
 * @param {number} frequency @param {number} speed @param {number} thickness @param {number} surfaceShare
 */
export function thicknessLossDb(frequency, speed, thickness, surfaceShare) {
  return lossLevelDb(thicknessGain(thickness, frequency / speed, surfaceShare));
}

/**
 * Mirrors tapecalc.calc.response.coating_output_db.
 * @param {number} frequency @param {number} speed @param {number} thickness @param {number} reference
 */
export function coatingOutputDb(frequency, speed, thickness, reference) {
  const [x, x0] = [thickness, reference].map((depth) => (2 * Math.PI * depth * frequency) / speed);
  return 20 * Math.log10(Math.expm1(-x) / Math.expm1(-x0));
}

/**
 * Mirrors tapecalc.calc.response.gap_loss_db.
 * @param {number} frequency @param {number} speed @param {number} gap @param {number} gapFactor
 */
export function gapLossDb(frequency, speed, gap, gapFactor) {
  return lossLevelDb(sincOf(gap * gapFactor * (frequency / speed)));
}

/**
 * Mirrors tapecalc.calc.response.azimuth_loss_db.
 * @param {number} frequency @param {number} speed @param {number} trackWidth @param {number} angle rad
 */
export function azimuthLossDb(frequency, speed, trackWidth, angle) {
  return lossLevelDb(sincOf(trackWidth * Math.tan(angle) * (frequency / speed)));
}

/** @param {HeadContact} contact @param {number} waves per meter */
function contactGain(contact, waves) {
  const slant = contact.track_width * Math.tan(contact.azimuth_angle);
  const depth = thicknessGain(contact.coating_thickness, waves, contact.surface_share);
  const away = Math.exp(-2 * Math.PI * contact.separation * waves);
  return away * depth * sincOf(contact.gap * contact.gap_factor * waves) * sincOf(slant * waves);
}

/**
 * Mirrors tapecalc.calc.response.contact_loss_db.
 * @param {number} frequency @param {number} speed @param {HeadContact} contact
 */
export function contactLossDb(frequency, speed, contact) {
  return lossLevelDb(contactGain(contact, frequency / speed));
}

// ---- equalization ----

/**
 * Mirrors tapecalc.calc.response.equalization_db.
 * @param {number} frequency @param {number} tauHigh @param {number | null} tauLow
 */
export function equalizationDb(frequency, tauHigh, tauLow) {
  const turns = 2 * Math.PI * frequency;
  const bass = tauLow === null ? 0 : Math.log10(Math.hypot(1, turns * tauLow)) - Math.log10(turns * tauLow);
  return 20 * (bass - Math.log10(Math.hypot(1, turns * tauHigh)));
}

/** @param {HeadContact} aligned @param {number} boostDb @param {number} waves per meter */
function boostGain(aligned, boostDb, waves) {
  if (boostDb === 0) return 1;
  const end = 10 ** (-boostDb / BEND_DB);
  const left = Math.max(Math.abs(contactGain(aligned, waves)), FAINTEST_GAIN) ** (20 / BEND_DB);
  return ((1 - end) * left + end) ** (-BEND_DB / 20);
}

/** @type {Map<string, Float64Array>} phases of boosts by contact and boost, on the grid of waves */
const boostPhases = new Map();

/**
 * Mirrors tapecalc.calc.response._boost_phase: worked out once for a contact and a boost.
 * @param {HeadContact} aligned @param {number} boostDb
 */
function boostPhase(aligned, boostDb) {
  const key = JSON.stringify([aligned, boostDb]);
  let phases = boostPhases.get(key);
  if (!phases) {
    const step = Math.log(WAVES_TO / WAVES_FROM) / (WAVE_STEPS - 1);
    const levels = Float64Array.from({ length: WAVE_STEPS }, (_, place) =>
      Math.log(boostGain(aligned, boostDb, WAVES_FROM * Math.exp(step * place))));
    const slopes = levels.slice(1).map((level, place) => level - levels[place]);
    const kernel = slopes.map((_, away) => -Math.log(Math.tanh(((away + 0.5) * step) / 2)) / Math.PI);
    phases = levels.map((_, at) => {
      let sum = 0;
      for (let from = 0; from < at; from += 1) sum += slopes[from] * kernel[at - from - 1];
      for (let from = at; from < slopes.length; from += 1) sum += slopes[from] * kernel[from - at];
      return sum;
    });
    boostPhases.set(key, phases);
  }
  return phases;
}

/** @param {Float64Array} phases @param {number} waves per meter @returns {number} rad, straight between */
function phaseAt(phases, waves) {
  if (waves < WAVES_FROM || waves > WAVES_TO) return 0;
  const step = Math.log(WAVES_TO / WAVES_FROM) / (WAVE_STEPS - 1);
  const at = Math.min(Math.floor(Math.log(waves / WAVES_FROM) / step), WAVE_STEPS - 2);
  const [low, high] = [WAVES_FROM * Math.exp(step * at), WAVES_FROM * Math.exp(step * (at + 1))];
  return phases[at] + ((phases[at + 1] - phases[at]) * (waves - low)) / (high - low);
}

// ---- head bumps ----

/** @type {Map<string, Float64Array>} */
const poleTables = new Map();

/** @param {number} at @returns {number} poles per wave at a place of a table */
function tableRatio(at) {
  const fine = FINE_RATIO / FINE_STEP;
  return at < fine ? at * FINE_STEP : FINE_RATIO + (at - fine) * COARSE_STEP;
}

/**
 * Mirrors tapecalc.calc.contour.bump_gain.
 * @param {number} polesPerWave @param {string} shape "flat", "blocks" or "plates"
 */
export function bumpGain(polesPerWave, shape) {
  if (shape === "flat" || polesPerWave >= FADED_RATIO) return 1;
  let table = poleTables.get(shape);
  if (!table) {
    const steps = Math.round(FINE_RATIO / FINE_STEP + (FADED_RATIO - FINE_RATIO) / COARSE_STEP);
    const ratios = Float64Array.from({ length: steps + 1 }, (_, at) => tableRatio(at));
    const gains = shape === "plates" ? ratios.map(platesGain) : blocksGains(ratios);
    const faded = /** @param {number} ratio */ (ratio) => Math.min(2 - (2 * ratio) / FADED_RATIO, 1);
    table = gains.map((gain, at) => 1 + (gain - 1) * faded(ratios[at]));
    poleTables.set(shape, table);
  }
  const coarse = polesPerWave >= FINE_RATIO;
  const step = coarse ? COARSE_STEP : FINE_STEP;
  const place = coarse ? FINE_RATIO / FINE_STEP + (polesPerWave - FINE_RATIO) / step : polesPerWave / step;
  const at = Math.min(Math.floor(place), table.length - 2);
  return table[at] + (table[at + 1] - table[at]) * (place - at);
}

/** @param {number} ratio */
function platesGain(ratio) {
  let sum = 0;
  for (let at = 0.5; at < 256; at += 1) {
    const sine = Math.sin((at * Math.PI) / 512);
    sum += Math.sin(Math.PI * ratio * sine) / sine;
  }
  return sum / 256;
}

/** @param {Float64Array} ratios */
function blocksGains(ratios) {
  const step = (13 * Math.LN10) / 239; // 240 ways from 1e-10 to 1e3 along the edge, evenly by their logarithm
  const ways = Float64Array.from({ length: 240 }, (_, at) => 1e-10 * Math.exp(step * at));
  const up = Array.from(ways, fieldAbove);
  const down = ways.map(fieldBelow);
  return ratios.map((ratio) => {
    let [real, imaginary, below] = [0, 0, 0];
    ways.forEach((way, at) => {
      const share = way * step * Math.exp(-2 * Math.PI * ratio * way);
      real += share * up[at][0];
      imaginary += share * up[at][1];
      below += share * down[at];
    });
    const [cosine, sine] = [Math.cos(Math.PI * ratio), Math.sin(Math.PI * ratio)];
    return 1 + cosine * imaginary + sine * (real + below);
  });
}

/** @param {number} way down from the edge: there the map is real @returns {number} */
function fieldBelow(way) {
  let w = Math.max(1 + ((way * Math.PI * 0.75) / Math.SQRT2) ** (2 / 3), Math.sqrt(Math.PI * way + 1));
  for (let turn = 0; turn < 80; turn += 1) {
    const root = Math.sqrt(w - 1) * Math.sqrt(w + 1);
    w = Math.max(w - (w * root + Math.log(w - root) - Math.PI * way) / (2 * root), 1 + 1e-15);
  }
  return 1 / (2 * w * Math.sqrt(w - 1) * Math.sqrt(w + 1));
}

/**
 * Newton's rule for z = (w sqrt(1 - w^2) + arcsin w) / pi at 0.5 + i way.
 * @param {number} way up from the edge @returns {Complex}
 */
function fieldAbove(way) {
  let w = complexRoot([1.2 - Math.PI * way, Math.PI / 2]);
  for (let turn = 0; turn < 80; turn += 1) {
    const root = rootAbove(w); // of w^2 - 1; the library's is this times -i
    const [real, imaginary] = complexTimes(w, root);
    const angle = Math.atan2(w[0] - root[0], root[1] - w[1]);
    const size = Math.log(Math.hypot(w[0] - root[0], w[1] - root[1]));
    const missed = /** @type {Complex} */ ([imaginary + angle - Math.PI / 2, Math.PI * -way - real - size]);
    const change = complexOver(missed, [2 * root[1], -2 * root[0]]);
    w = [w[0] - change[0], Math.abs(w[1] - change[1])];
  }
  return complexOver([0.5, 0], complexTimes(w, rootAbove(w)));
}

/** @param {Complex} w @returns {Complex} */
function rootAbove(w) {
  return complexTimes(complexRoot([w[0] - 1, w[1]]), complexRoot([w[0] + 1, w[1]]));
}

/** @param {Complex} value @returns {Complex} */
function complexRoot([real, imaginary]) {
  const size = Math.hypot(real, imaginary);
  return [Math.sqrt((size + real) / 2), Math.sqrt((size - real) / 2) * (imaginary < 0 ? -1 : 1)];
}

/** @param {Complex} a @param {Complex} b @returns {Complex} */
function complexTimes(a, b) {
  return [a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]];
}

/** @param {Complex} a @param {Complex} b @returns {Complex} */
function complexOver(a, b) {
  const [real, imaginary] = complexTimes(a, [b[0], -b[1]]);
  const power = b[0] * b[0] + b[1] * b[1];
  return [real / power, imaginary / power];
}

// ---- one pass ----

/**
 * The gain with its sign, without phase and low cut.
 * @param {OnePass} onePass @param {number} frequency
 */
function realGain(onePass, frequency) {
  const { speed, today, aligned, boost_db, pole_length, pole_shape } = onePass;
  const waves = frequency / speed;
  const bump = pole_length ? bumpGain(pole_length * waves, pole_shape) : 1;
  return contactGain(today, waves) * boostGain(aligned, boost_db, waves) * bump;
}

/**
 * Mirrors tapecalc.calc.response.OnePass.gain.
 * @param {OnePass} onePass @param {number} frequency
 * @returns {Complex}
 */
export function passGain(onePass, frequency) {
  const { speed, aligned, boost_db, low_cut, phase } = onePass;
  const size = realGain(onePass, frequency);
  const turn = phase && boost_db ? phaseAt(boostPhase(aligned, boost_db), frequency / speed) : 0;
  const gain = /** @type {Complex} */ ([size * Math.cos(turn), size * Math.sin(turn)]);
  return low_cut ? complexTimes(gain, complexOver([0, frequency], [low_cut, frequency])) : gain;
}

/**
 * Mirrors tapecalc.calc.response.OnePass.level_db.
 * @param {OnePass} onePass @param {number} frequency
 */
export function passLevelDb(onePass, frequency) {
  const { low_cut } = onePass;
  const cut = low_cut ? frequency / Math.sqrt(frequency * frequency + low_cut * low_cut) : 1;
  return lossLevelDb(realGain(onePass, frequency) * cut);
}

/**
 * Mirrors tapecalc.calc.response.repeat_level_db.
 * @param {OnePass} onePass @param {number} frequency @param {number} passes
 */
export function repeatLevelDb(onePass, frequency, passes) {
  return Math.max(0 + passes * passLevelDb(onePass, frequency), LEAST_DB);
}

// ---- bands ----

/** @param {number} low @param {number} high @param {number} count @returns {Float64Array} ends exact */
export function spreadByLog(low, high, count) {
  const [from, step] = [Math.log10(low), Math.log10(high / low) / (count - 1)];
  const grid = Float64Array.from({ length: count }, (_, at) => 10 ** (from + step * at));
  [grid[0], grid[count - 1]] = [low, high];
  return grid;
}

/**
 * Where bands are looked for: from 80 dB below the low cut to the first null of today's gap or tilt.
 * @param {OnePass} onePass
 */
function searched(onePass) {
  const { speed, today, low_cut } = onePass;
  const slant = today.track_width * Math.abs(Math.tan(today.azimuth_angle));
  const longest = Math.max(today.gap * today.gap_factor, slant);
  const top = speed / Math.max(longest, speed / SEARCH_LIMIT_HZ);
  const bottom = low_cut ? low_cut * SEARCH_FROM : LOWEST_HZ;
  const grid = spreadByLog(bottom, top, 1 + Math.trunc(250 * (Math.log10(top) - Math.log10(bottom))));
  return { grid, levels: grid.map((frequency) => passLevelDb(onePass, frequency)) };
}

/** @param {Float64Array} levels */
function loudestPlace(levels) {
  return levels.reduce((best, level, at) => (level > levels[best] ? at : best), 0);
}

/** @param {OnePass} onePass @param {{grid: Float64Array, levels: Float64Array}} found @returns {Complex} */
function loudestOf(onePass, found) {
  let { grid, levels } = found;
  let peak = loudestPlace(levels);
  for (let turn = 0; turn < 6; turn += 1) {
    const [low, high] = [grid[Math.max(peak - 1, 0)], grid[Math.min(peak + 1, grid.length - 1)]];
    grid = Float64Array.from({ length: 65 }, (_, at) => low + ((high - low) * at) / 64);
    levels = grid.map((frequency) => passLevelDb(onePass, frequency));
    peak = loudestPlace(levels);
  }
  return [grid[peak], levels[peak]];
}

/**
 * Mirrors tapecalc.calc.response.loudest: frequency and level.
 * @param {OnePass} onePass
 * @returns {[number, number]}
 */
export function loudestTone(onePass) {
  return loudestOf(onePass, searched(onePass));
}

/**
 * Mirrors tapecalc.calc.response.bandwidth, for several numbers of passes in one search and drops of at
 * most 60 dB.
 * @param {OnePass} onePass @param {number} dropDb @param {number[]} counts
 * @returns {[number | null, number | null][]}
 */
export function bandsOf(onePass, dropDb, counts) {
  const found = searched(onePass);
  const [frequency, peakDb] = loudestOf(onePass, found);
  const { grid, levels } = found;
  const step = grid[1] / grid[0];
  const middle = grid.findIndex((one) => one >= frequency);
  return counts.map((count) => {
    const edgeDb = peakDb - dropDb / count;
    let below = middle - 1;
    while (below >= 0 && levels[below] >= edgeDb) below -= 1;
    let above = middle;
    while (above < grid.length && (grid[above] === frequency || levels[above] >= edgeDb)) above += 1;
    const edge = (/** @type {number} */ at, /** @type {number} */ inside) =>
      grid[at] ? crossing(onePass, grid[at], inside, edgeDb) : null;
    const low = edge(below, Math.min(grid[below] * step, frequency));
    return [low, edge(above, Math.max(grid[above] / step, frequency))];
  });
}

/** @param {OnePass} onePass @param {number} outside @param {number} inside @param {number} edgeDb */
function crossing(onePass, outside, inside, edgeDb) {
  for (let turn = 0; turn < 45; turn += 1) {
    const middle = Math.sqrt(outside * inside);
    if (passLevelDb(onePass, middle) >= edgeDb) inside = middle;
    else outside = middle;
  }
  return inside;
}
