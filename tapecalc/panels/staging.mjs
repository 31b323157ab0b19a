// What panels reckon about levels. Each function mirrors one of the library and says which; a test compares
// the two at random places.

import { dbToAmplitude } from "../live/formulas.mjs";

const DBU_VOLTS = Math.sqrt(0.6);

/**
 * @typedef {{name: string, gain_db: number, max_dbu: number, noise_dbu: number | null}} LevelStage
 * @typedef {{name: string, dbu: number, headroomDb: number, noiseDbu: number | null}} LevelNode
 */

/**
 * Mirrors tapecalc.calc.levels.dbu_to_volts.
 * @param {number} dbu
 */
export function dbuToVolts(dbu) {
  return DBU_VOLTS * dbToAmplitude(dbu);
}

/**
 * Mirrors tapecalc.calc.levels.sum_power_db.
 * @param {number[]} levelsDb
 */
export function sumPowerDb(levelsDb) {
  const most = Math.max(...levelsDb);
  return most + 10 * Math.log10(levelsDb.reduce((sum, db) => sum + 10 ** ((db - most) / 10), 0));
}

/**
 * Mirrors tapecalc.calc.levels.level_diagram.
 * @param {LevelStage[]} stages @param {number} sourceDbu
 * @returns {LevelNode[]}
 */
export function levelNodes(stages, sourceDbu) {
  let dbu = sourceDbu;
  /** @type {number | null} */
  let noiseDbu = null;
  return stages.map(({ name, gain_db, max_dbu, noise_dbu }) => {
    dbu += gain_db;
    const noises = [noiseDbu ?? -Infinity, noise_dbu ?? -Infinity];
    noises[0] += gain_db;
    noiseDbu = Math.max(...noises) === -Infinity ? null : sumPowerDb(noises);
    return { name, dbu, headroomDb: max_dbu - dbu, noiseDbu };
  });
}

/**
 * Mirrors tapecalc.calc.levels.pad_db.
 * @param {number} levelDb @param {number} maxDb @param {number} wantedHeadroomDb
 */
export function padDb(levelDb, maxDb, wantedHeadroomDb) {
  return Math.max(0, levelDb - maxDb + wantedHeadroomDb);
}

/**
 * Mirrors tapecalc.calc.levels.leak_ripple_db, by how much the level rises.
 * @param {number} leakDb
 */
export function leakRiseDb(leakDb) {
  return (20 / Math.LN10) * Math.log1p(dbToAmplitude(leakDb));
}

/**
 * Mirrors tapecalc.course.patching.patch_gains: how loud the first repeat is heard, and how much goes round.
 * @param {string} patch @param {number} fader @param {number} returnSend @param {number} pan 0 to 1
 * @returns {[number, number]}
 */
export function patchGains(patch, fader, returnSend, pan) {
  if (patch === "sends") return [fader, returnSend];
  if (patch === "one bus") return [fader, fader];
  return [fader * Math.cos((Math.PI / 2) * pan), fader * Math.sin((Math.PI / 2) * pan)];
}
