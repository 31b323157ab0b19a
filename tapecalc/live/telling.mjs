/** What a setting means, in numbers and in words: delays, notes, repeats, and how near a runaway is. */

import { amplitudeToDb, beatMarks, decayTime, delayFromTempo, delaysPlusMinus } from "./formulas.mjs";
import { fitOfSetting, growthDbPerS, headDelays, loopGainDb, marginDb, neighbors } from "./formulas.mjs";
import { repeatsHeard, returnGains, spacingFromDelay, speedFromIps } from "./formulas.mjs";
import { fixedText, levelText, mmText, msText, speedText, uncertainText, withArticle } from "./words.mjs";

const MINUS = "\u2212";
const SPACE = "\u00a0";
/** A margin of a loop to which nothing returns. */
const NO_LOOP_DB = 200;
/** Within this of the note nothing is said to be off, s. */
const EXACT_S = 0.0005;
/** What is added for those who listen, by whether a delay that is off is heard as off.
 * @type {Record<string, string>} */
const NOT_HEARD = { no: ", not heard as off", perhaps: ", probably not heard as off", yes: "" };
/** With less than this to go a loop is near its limit, dB. */
const NEAR_DB = 2;

/**
 * Print a text of the library: a true minus and plus/minus, and no break before a unit.
 * @param {string} text
 * @returns {string}
 */
export function printed(text) {
  return text.replace(/^-/, MINUS).replace(/\+\/- ?/g, `\u00b1${SPACE}`).replaceAll(" ", SPACE);
}

/**
 * Write a number with so many decimals and a true minus.
 * @param {number} value
 * @param {number} [digits]
 * @returns {string}
 */
export function figure(value, digits = 0) {
  const text = fixedText(Math.abs(value), digits);
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
}

/** @param {number} db @returns {string} a level with its sign */
export function levelWords(db) {
  return printed(levelText(db));
}

/** @param {number} seconds @returns {string} a time, in ms up to ten seconds */
export function timeWords(seconds) {
  return seconds < 10 ? printed(msText(seconds)) : `${figure(seconds, 1)}${SPACE}s`;
}

/** @param {number} mm @returns {string} */
export function lengthWords(mm) {
  return printed(mmText(mm / 1000));
}

/** @param {{units: string}} facts @param {number} ips @returns {string} a speed in the machine's unit */
export function speedWords(facts, ips) {
  return printed(speedText(speedFromIps(ips), facts.units));
}

/**
 * @typedef {object} HeadSaid
 * @property {number} delay s
 * @property {string} time the delay in words
 * @property {string} note the nearest note
 * @property {string} off how far from it, or that it is in time
 * @property {string} long the note and how far off it is
 * @property {string} offShort how far from it
 * @property {boolean} inTime whether it is more likely not heard as off
 * @property {string} sure the delay in ms and how far it may be off
 * @property {string} within how far it may be off, empty where it is exact
 * @property {string} heard whether it is heard as off: "yes", "no", or "perhaps", as the delay is not exact
 * @property {string} whole all of it in one line, for those who listen
 */

/**
 * Say of every head when it answers, and which note that is nearest to.
 * @param {any} facts
 * @param {any} setting
 * @returns {HeadSaid[]}
 */
export function headsSaid(facts, setting) {
  const plusMinus = delaysPlusMinus(facts, setting);
  return headDelays(facts, setting).map((delay, k) => {
    const head = setting.heads[k];
    const fit = fitOfSetting(facts, setting, delay);
    const off = Math.abs(fit.error) < EXACT_S ? ""
      : `${timeWords(Math.abs(fit.error))} ${fit.error > 0 ? "late" : "early"}`;
    const inTime = !fit.audible;
    const heard = heardWords(Math.abs(fit.error), fit.threshold, plusMinus[k]);
    const said = off ? (inTime ? `in time (${off})` : off) : "in time";
    const sure = printed(uncertainText(1000 * delay, 1000 * plusMinus[k], "ms"));
    const more = head.on ? (head.inverted ? ", inverted" : "") : ", off";
    return {
      delay,
      time: timeWords(delay),
      note: fit.note,
      off: said,
      offShort: off || "exact",
      long: `${withArticle(fit.note)}, ${longWords(said, inTime, heard)}`,
      inTime,
      sure,
      within: plusMinus[k] ? sure.slice(sure.indexOf("\u00b1")) : "",
      heard,
      whole: `${lengthWords(head.spacing_mm)}, ${timeWords(delay)}, ${withArticle(fit.note)}, `
        + `${off || "exact"}${inTime && off ? NOT_HEARD[heard] : ""}${more}`,
    };
  });
}

/**
 * Say how near a note an echo is, and how surely.
 * @param {string} said @param {boolean} inTime @param {string} heard
 */
function longWords(said, inTime, heard) {
  if (inTime) return heard === "no" ? said : `probably ${said}`;
  return `${said}, ${heard === "yes" ? "heard as off" : "probably heard"}`;
}

/**
 * @param {number} error s @param {number} threshold s @param {number} plusMinus s
 */
function heardWords(error, threshold, plusMinus) {
  if (error + plusMinus <= threshold) return "no";
  return error - plusMinus > threshold ? "yes" : "perhaps";
}

/**
 * How loud likely bumps make the loudest tone at a speed, dB; of two neighbors the louder.
 * @param {any} facts
 * @param {any} setting
 */
function likelyDb(facts, setting) {
  if (!setting.response) return 0;
  const designs = [...facts.designs].sort((a, b) => a.speed_ips - b.speed_ips);
  const near = neighbors(designs, (one) => one.speed_ips, setting.speed_ips);
  return Math.max(...near.map((one) => one.loudest_db));
}

/**
 * @typedef {object} LoopSaid
 * @property {"open" | "safe" | "near" | "may" | "runs"} state
 * @property {string} words
 * @property {string} short the same for little room
 * @property {number} limitDb of the return send, from where on the loop may run away
 * @property {string} repeats
 * @property {string} gone time until it has faded
 * @property {string} warning a sentence, empty while nothing threatens
 */

/**
 * The heads, by their numbers, that are on; those in the return; those outside of it.
 * @param {import("./setting.mjs").Setting} setting
 */
export function headsOn(setting) {
  const on = setting.heads.map((_, k) => k).filter((k) => setting.heads[k].on);
  const fed = on.filter((k) => setting.heads[k].feeds_return);
  return { on, fed, outside: on.filter((k) => !fed.includes(k)) };
}

/**
 * Say how often a sound is heard, and how far the return send may still go up.
 * @param {any} facts
 * @param {any} setting
 * @returns {LoopSaid}
 */
export function loopSaid(facts, setting) {
  const margin = marginDb(facts, setting);
  const send = setting.return_send_db;
  const open = margin > NO_LOOP_DB;
  const gains = returnGains(setting);
  const sum = gains.reduce((all, gain) => all + Math.abs(gain), 0);
  const likely = open ? -NO_LOOP_DB : amplitudeToDb(sum) + send + likelyDb(facts, setting);
  // Several heads may answer out of phase: only what the loudest has more than all others surely comes back.
  const sure = 2 * Math.max(...gains.map(Math.abs)) - sum;
  const runs = sure > 0 && likely + amplitudeToDb(sure / sum) > 0;
  const state = open ? "open" : runs ? "runs" : margin < 0 ? "may" : margin < NEAR_DB ? "near" : "safe";
  const bound = Math.abs(margin + likely) > 0.05 ? "at least " : "";
  const left = `${bound}${figure(Math.floor(Math.max(margin, 0) * 10 + 1e-6) / 10, 1)}${SPACE}dB`;
  const words = { open: "nothing comes back", may: "may run away", runs: "runs away",
    safe: `${left} before it runs away`, near: `${left} before it runs away` }[state];
  const short = state === "safe" || state === "near" ? `${left} left` : words;
  const once = loopGainDb(facts, setting);
  const delays = headDelays(facts, setting);
  const shortest = Math.min(...delays.filter((_, k) => gains[k] !== 0));
  const down = `turn the return send down by ${figure(Math.ceil(-margin * 10 - 1e-6) / 10, 1)}${SPACE}dB`;
  const why = gains.filter(Boolean).length > 1 ? "where its heads answer in phase"
    : "if this head's bass bumps are large";
  const growth = state === "runs" ? `${figure(growthDbPerS(shortest, likely), 0)}${SPACE}dB a second` : "";
  const warning = state === "runs"
    ? `The loop runs away: it grows by itself, by up to ${growth}. `
      + `To end it ${down}, or press Escape.`
    : state === "may" ? `The loop may run away, ${why}. To be safe ${down}.`
      : "";
  return { state, words, short, limitDb: send + margin, warning,
    ...faded(facts, setting, once, delays) };
}

/**
 * Say how many repeats are heard and when they are gone; several heads answer between each other.
 * @param {any} facts
 * @param {any} setting
 * @param {number} once
 * @param {any} delays
 */
function faded(facts, setting, once, delays) {
  const { on, fed } = headsOn(setting);
  if (!on.length) return { repeats: "none", gone: "at once" };
  const last = Math.max(...on.map((k) => delays[k]));
  if (!fed.length) return { repeats: "1 of each head", gone: `after ${timeWords(last)}` };
  if (once >= -0.05) return { repeats: "without end", gone: "never" };
  const longest = Math.max(...fed.map((k) => delays[k]));
  const time = last + decayTime(longest, once, facts.faded_db);
  const about = on.length > 1 ? "within about " : "after about ";
  const count = on.length > 1 ? "several at once" : String(repeatsHeard(once, facts.faded_db));
  return { repeats: count, gone: `${about}${figure(time, 1)}${SPACE}s` };
}

/**
 * List the marks of the song on the ruler: sixteenths, and the notes that the heads are nearest to.
 * @param {any} facts
 * @param {any} setting
 * @param {number} upToMm
 * @param {{note: string}[]} heads
 * @returns {{mm: number, name: string, weight: number}[]} weight 1 for a beat, 2 for a half, 3 for all else
 */
export function songMarks(facts, setting, upToMm, heads) {
  const speed = speedFromIps(setting.speed_ips);
  const marks = beatMarks(speed, setting.bpm, upToMm).map(({ at_mm, beats, part }) => ({
    mm: at_mm,
    name: nameOf(facts, beats),
    weight: part === 1 ? 1 : part === 2 ? 2 : 3,
  }));
  for (const name of new Set(heads.map((one) => one.note))) {
    const note = facts.notes.find((/** @type {any} */ one) => one.name === name);
    const mm = 1000 * spacingFromDelay(delayFromTempo(setting.bpm, note.beats), speed);
    if (mm <= upToMm && !marks.some((mark) => Math.abs(mark.mm - mm) < 1e-6 * mm)) marks.push({ mm, name,
      weight: 3 });
  }
  return marks.sort((a, b) => a.mm - b.mm);
}

/**
 * The name of so many beats: a note, or a count.
 * @param {any} facts
 * @param {number} beats
 */
function nameOf(facts, beats) {
  const note = facts.notes.find((/** @type {any} */ one) => one.plain && Math.abs(one.beats - beats) < 1e-9);
  return note ? note.name : Number.isInteger(beats) ? `${beats} beats` : "";
}
