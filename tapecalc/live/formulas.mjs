// What the page reckons while something moves. Each function mirrors one of the library and says which; a
// test compares the two at random places. SI inside, as there: seconds, meters, meters per second.

const MINUTE_S = 60;
const INCH_M = 0.0254;
const TIMING_FLOOR_S = 0.006;
const TIMING_FRACTION = 0.025;
const ODD_NOTE_PENALTY = 1;
const TIE = 1 + 1e-9;
const NULL_LEVEL_DB = -300;
const USUAL_POLE_MM = 5;
const USUAL_PLUS_MINUS_MM = 1;

/**
 * @typedef {import("./setting.mjs").Facts} Facts
 * @typedef {import("./setting.mjs").Setting} Setting
 * @typedef {import("./setting.mjs").Note} Note
 * @typedef {{note: string, plain: boolean, bpm: number, delay: number, wanted: number, error: number,
 *   errorPercent: number, errorCents: number, threshold: number, audible: boolean, audibility: number,
 *   rank: number}} NoteFit
 */

// ---- units ----

/**
 * Mirrors tapecalc.calc.units.db_to_amplitude.
 * @param {number} db @returns {number}
 */
export function dbToAmplitude(db) {
  return 10 ** (db / 20);
}

/**
 * Mirrors tapecalc.calc.units.amplitude_to_db.
 * @param {number} amplitude @returns {number}
 */
export function amplitudeToDb(amplitude) {
  return 20 * Math.log10(amplitude);
}

/**
 * Mirrors tapecalc.calc.units.to_si of "ips".
 * @param {number} ips @returns {number} m/s
 */
export function speedFromIps(ips) {
  return ips * INCH_M;
}

// ---- delay, beats, tempo ----

/**
 * Mirrors tapecalc.calc.transport.delay_from_spacing.
 * @param {number} spacing @param {number} speed
 */
export function delayFromSpacing(spacing, speed) {
  return spacing / speed;
}

/**
 * Mirrors tapecalc.calc.transport.spacing_from_delay.
 * @param {number} delay @param {number} speed
 */
export function spacingFromDelay(delay, speed) {
  return delay * speed;
}

/**
 * Mirrors tapecalc.calc.tempo.delay_from_tempo.
 * @param {number} bpm @param {number} beats
 */
export function delayFromTempo(bpm, beats) {
  return (beats * MINUTE_S) / bpm;
}

/**
 * Mirrors tapecalc.calc.tempo.timing_threshold.
 * @param {number} interval @returns {number} s
 */
export function timingThreshold(interval) {
  return Math.max(TIMING_FLOOR_S, TIMING_FRACTION * interval);
}

/**
 * Mirrors tapecalc.calc.tempo.fit: how well one delay fits one note.
 * @param {number} delay @param {number} bpm @param {Note} note
 * @param {number | null} threshold null: that of an even pulse
 * @returns {NoteFit}
 */
export function fitNote(delay, bpm, note, threshold) {
  const wanted = delayFromTempo(bpm, note.beats);
  const error = delay - wanted;
  const heard = threshold === null ? timingThreshold(wanted) : threshold;
  const audibility = Math.abs(error) / heard;
  return {
    note: note.name,
    plain: note.plain,
    bpm,
    delay,
    wanted,
    error,
    errorPercent: (100 * error) / wanted,
    errorCents: 1200 * Math.log2(delay / wanted),
    threshold: heard,
    audible: Math.abs(error) > heard * TIE,
    audibility,
    rank: audibility + (note.plain ? 0 : ODD_NOTE_PENALTY),
  };
}

/**
 * Mirrors tapecalc.calc.tempo.nearest_fits, the best of them: an odd note is named instead of a plain one
 * only where it fits better by a whole threshold.
 * @param {number} delay @param {number} bpm @param {Note[]} notes @param {number | null} threshold
 * @returns {NoteFit}
 */
export function nearestFit(delay, bpm, notes, threshold) {
  const fits = notes.map((note) => fitNote(delay, bpm, note, threshold));
  const ranks = fits.map((fit) => Math.round(fit.rank * 1e9));
  return fits[ranks.indexOf(Math.min(...ranks))];
}

/**
 * Mirrors the fit of tapecalc.plan.TempoPlan: of the wanted note, or of the nearest where any will do.
 * @param {Facts} facts @param {Setting} setting @param {number} delay
 * @returns {NoteFit}
 */
export function fitOfSetting(facts, setting, delay) {
  const wanted = facts.notes.filter((note) => note.name === setting.note);
  return nearestFit(delay, setting.bpm, wanted.length ? wanted : facts.notes, facts.threshold_s);
}

/**
 * Mirrors tapecalc.calc.tempo.delay_from_tempo times speed: where the beats lie on a ruler that starts at the
 * record head, in sixteenths of a whole note; `part` is 1 on a beat, 2 on its half, 4 on its quarters.
 * @param {number} speed @param {number} bpm @param {number} upToMm
 * @returns {{at_mm: number, beats: number, part: number}[]}
 */
export function beatMarks(speed, bpm, upToMm) {
  const stepMm = 1000 * spacingFromDelay(delayFromTempo(bpm, 0.25), speed);
  const count = Math.floor((upToMm / stepMm) * TIE);
  return Array.from({ length: count }, (_, place) => {
    const number = place + 1;
    const part = number % 4 === 0 ? 1 : number % 2 === 0 ? 2 : 4;
    return { at_mm: number * stepMm, beats: number / 4, part };
  });
}

// ---- repeats ----

/**
 * Mirrors tapecalc.calc.loop.repeats_heard.
 * @param {number} loopGainDb below 0 @param {number} levelDb
 */
export function repeatsHeard(loopGainDb, levelDb) {
  return 1 + Math.floor((levelDb / loopGainDb) * (1 + 1e-12));
}

/**
 * Mirrors tapecalc.calc.loop.decay_time.
 * @param {number} delay @param {number} loopGainDb below 0 @param {number} levelDb
 */
export function decayTime(delay, loopGainDb, levelDb) {
  return delay * (levelDb / loopGainDb);
}

/**
 * Mirrors tapecalc.calc.loop.growth_db_per_s, of one head.
 * @param {number} delay @param {number} loopGainDb
 */
export function growthDbPerS(delay, loopGainDb) {
  return loopGainDb / delay;
}

// ---- one setting of one machine ----

/**
 * Mirrors the gains of tapecalc.machine.Machine.heads_at: below 0 where inverted, 0 where off.
 * @param {Setting} setting
 * @returns {number[]}
 */
export function headGains(setting) {
  return setting.heads.map((head) => (head.on ? dbToAmplitude(head.level_db) * (head.inverted ? -1 : 1) : 0));
}

/**
 * Mirrors tapecalc.calc.heads.Heads.return_gains: those of `headGains` that go back to the tape.
 * @param {Setting} setting
 * @returns {number[]}
 */
export function returnGains(setting) {
  return headGains(setting).map((gain, place) => (setting.heads[place].feeds_return ? gain : 0));
}

/**
 * Mirrors tapecalc.machine.Machine.spacings_at: where each head seems to stand, m. A head that stands where
 * the file says has the delay that was measured there.
 * @param {Facts} facts @param {Setting} setting @param {number} [speedIps]
 * @returns {number[]}
 */
export function headSpacings(facts, setting, speedIps = setting.speed_ips) {
  const off = facts.deviations_mm[facts.speeds.findIndex((one) => one.speed_ips === speedIps)] || [];
  return setting.heads.map((head, place) => {
    const there = facts.setting.heads[place];
    const stays = there !== undefined && there.spacing_mm === head.spacing_mm;
    return (head.spacing_mm + ((stays && off[place]) || 0)) / 1000;
  });
}

/**
 * Mirrors tapecalc.machine.Machine.delays, of all heads, on or off.
 * @param {Facts} facts @param {Setting} setting @param {number} [speedIps]
 * @returns {number[]} s
 */
export function headDelays(facts, setting, speedIps = setting.speed_ips) {
  const speed = speedFromIps(speedIps);
  return headSpacings(facts, setting, speedIps).map((spacing) => delayFromSpacing(spacing, speed));
}

/**
 * Mirrors twice tapecalc.machine.Machine.u_delays: how far each delay may be off, in 95 of 100 cases.
 * @param {Facts} facts @param {Setting} setting
 * @returns {number[]} s
 */
export function delaysPlusMinus(facts, setting) {
  const at = facts.speeds.findIndex((one) => one.speed_ips === setting.speed_ips);
  const speedShare = facts.speed_plus_minus_percent / 100;
  return headDelays(facts, setting).map((delay, place) => {
    const measured = facts.measured_plus_minus_ms[at]?.[place] ?? null;
    const { spacing_mm } = setting.heads[place];
    if (measured !== null && facts.setting.heads[place].spacing_mm === spacing_mm) return measured / 1000;
    const off = facts.spacing_plus_minus_mm[place] ?? USUAL_PLUS_MINUS_MM;
    return delay * Math.hypot(off / spacing_mm, speedShare);
  });
}

/**
 * Mirrors tapecalc.machine.Machine.pole_length, mm: no longer than half the way to the nearest head.
 * @param {Facts} facts @param {Setting} setting
 * @returns {number}
 */
export function poleLengthMm(facts, setting) {
  if (facts.file.pole_length_mm !== null) return facts.file.pole_length_mm;
  const used = setting.heads.filter((head) => head.on).map((head) => head.spacing_mm);
  return Math.min(USUAL_POLE_MM, ...used.map((spacing) => spacing / 2));
}

/**
 * Mirrors tapecalc.machine.responses_kept: whether what is reckoned of the response is as in the file, so
 * that one that was measured still holds.
 * @param {Facts} facts @param {Setting} setting
 * @returns {boolean}
 */
export function keepsResponse(facts, setting) {
  return poleLengthMm(facts, setting) === poleLengthMm(facts, facts.setting);
}

/**
 * Mirrors the level of tapecalc.calc.response.loudest of tapecalc.machine.Machine.worst_loop, or more:
 * between the speeds and lengths of poles that were reckoned it takes the louder of the two neighbors.
 * @param {Facts} facts @param {Setting} setting @param {number} [speedIps]
 * @returns {number}
 */
export function worstResponseDb(facts, setting, speedIps = setting.speed_ips) {
  if (!setting.response) return 0;
  const [poleMm, kept] = [poleLengthMm(facts, setting), keepsResponse(facts, setting)];
  const levels = neighbors(facts.file.worst, (row) => row.speed_ips, speedIps).map((row) => {
    if (row.measured_db !== null && kept && row.speed_ips === speedIps) return row.measured_db;
    return Math.max(...neighbors(row.by_pole, (pair) => pair[0], poleMm).map((pair) => pair[1]));
  });
  return Math.max(...levels);
}

/**
 * The one item at a place, or those on either side of it; items rise.
 * @template T
 * @param {T[]} items @param {(item: T) => number} at @param {number} place
 * @returns {T[]}
 */
export function neighbors(items, at, place) {
  const above = items.findIndex((item) => at(item) >= place);
  if (above < 0) return items.slice(-1);
  return above === 0 || at(items[above]) === place ? [items[above]] : items.slice(above - 1, above + 1);
}

/**
 * Mirrors the bound of tapecalc.calc.loop.stability: how far the return send may go up until a tone might
 * stay, dB, if all heads were in phase at the loudest frequency. It is never above the margin of the plan.
 * @param {Facts} facts @param {Setting} setting @param {number} [speedIps]
 * @returns {number}
 */
export function marginDb(facts, setting, speedIps = setting.speed_ips) {
  return -onceDb(setting, worstResponseDb(facts, setting, speedIps));
}

/**
 * Mirrors gain_db of tapecalc.plan.LoopPlan: the level once round, all heads in phase, without bumps.
 * @param {Facts} facts @param {Setting} setting @param {number} [speedIps]
 * @returns {number}
 */
export function loopGainDb(facts, setting, speedIps = setting.speed_ips) {
  return onceDb(setting, passedDb(facts, setting, speedIps));
}

/**
 * The level once round, where a pass has this one.
 * @param {Setting} setting @param {number} levelDb
 */
function onceDb(setting, levelDb) {
  const fed = returnGains(setting).reduce((sum, gain) => sum + Math.abs(gain), 0);
  return fed ? Math.max(amplitudeToDb(fed) + setting.return_send_db + levelDb, NULL_LEVEL_DB) : NULL_LEVEL_DB;
}

/**
 * Mirrors the level of tapecalc.calc.response.loudest without bumps in the bass, by which repeats are
 * counted; between two speeds straight over the logarithm of the speed.
 * @param {Facts} facts @param {Setting} setting @param {number} [speedIps]
 * @returns {number}
 */
export function passedDb(facts, setting, speedIps = setting.speed_ips) {
  if (!setting.response) return 0;
  const rows = neighbors(facts.file.worst, (row) => row.speed_ips, speedIps);
  const [low, high] = [rows[0], rows[rows.length - 1]];
  if (low === high) {
    return low.measured_db !== null && keepsResponse(facts, setting) ? low.measured_db : low.flat_db;
  }
  const share = Math.log(speedIps / low.speed_ips) / Math.log(high.speed_ips / low.speed_ips);
  return low.flat_db + share * (high.flat_db - low.flat_db);
}
