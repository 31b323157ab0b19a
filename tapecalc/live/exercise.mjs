// Judges a reader's answer to an exercise as `Exercise.check` in tapecalc/course/exercise.py does, and says it
// in the same words. What is right, likely slips and their hints come from there, as data.

import { generalText } from "./words.mjs";

/** @typedef {number | [number | null, number | null] | string} Wrong a number, a range, or "not whole" */
/**
 * @typedef {Object} ExerciseData
 * @property {number} expected
 * @property {string} unit
 * @property {Record<string, number>} units how a unit may be written, and what one is, counted in `unit`
 * @property {number} tolerance_percent
 * @property {number | null} rounded to two digits; null where the number must be met
 * @property {string} hint
 * @property {[Wrong, string][]} slips
 * @property {boolean} guess
 * @property {string} truth the number as it is told after a guess
 */
/** @typedef {{unit_slips: [number, string][], decibel_slip: string, sign_slip: string}} CommonSlips */
/** @typedef {{state: "open" | "right" | "not yet" | "guess", sentence: string}} Judged */

const SPACES = /[ \t\u00a0\u2009\u202f]+/g;
const ANSWER = new RegExp(
  "^([+-]?) ?([.,]?[0-9][0-9.,]*(?: [0-9.,]+)*)" + // -1 234,5
    "(?:e([+-]?[0-9]{1,3}))?(?:/([0-9]+))? ?(.*)$", // e3, or /6, and a unit
);
const ONE_MARK = /^(?:[0-9]*[.,]?[0-9]+|[0-9]+[.,])$/;
const BY_SPACES = /^[1-9][0-9]{0,2}(?: [0-9]{3})+(?:[.,][0-9]+)?$/; // 1 234,5
const BY_COMMAS = /^[1-9][0-9]{0,2}(?:,[0-9]{3})+(?:\.[0-9]+)?$/; // 1,234.5
const BY_POINTS = /^[1-9][0-9]{0,2}(?:\.[0-9]{3})+,[0-9]+$/; // 1.234,5

/**
 * What to say to an answer as it was typed.
 * @param {ExerciseData} exercise
 * @param {CommonSlips} common
 * @param {string} text
 * @returns {Judged}
 */
export function judge(exercise, common, text) {
  const numbers = readAnswer(text, exercise.units);
  if (numbers === null) {
    const counted = exercise.unit ? `counted in ${exercise.unit}` : "a plain number";
    return { state: "open", sentence: `That unit does not fit: the answer is ${counted}.` };
  }
  if (numbers.length === 0) {
    return { state: "open", sentence: `Put in one number, such as ${withUnit(exercise, "12.5")}.` };
  }
  const replies = numbers.map((number) => judgeNumber(exercise, common, number));
  return replies.find((reply) => reply.state === "right") ?? replies[0];
}

/**
 * A typed number with its unit, as it was understood; the text itself if it was not.
 * @param {ExerciseData} exercise
 * @param {string} text
 */
export function understood(exercise, text) {
  const number = readAnswer(text, exercise.units)?.[0];
  return number === undefined ? text : saidNumber(exercise, number);
}

/**
 * The numbers that an answer may mean, counted in the exercise's unit; null if its unit is another.
 * @param {string} text
 * @param {Record<string, number>} units
 * @returns {number[] | null}
 */
export function readAnswer(text, units) {
  const plain = text.replaceAll("\u2212", "-").replace(SPACES, " ").replace(/^ +| +$/g, "").toLowerCase();
  const found = ANSWER.exec(plain);
  if (!found) return [];
  const [, sign, digits, exponent, divisor, unit] = found;
  if (unit && !Object.hasOwn(units, unit)) return null;
  const scale = unit ? units[unit] : 1;
  const parts = Number(divisor ?? 1) || NaN;
  return pointsOf(digits)
    .map((point) => (Number(`${sign}${point}e${exponent ?? 0}`) * scale) / parts)
    .filter(Number.isFinite)
    .map((number) => number + 0); // without the minus of 0
}

/**
 * Digits as they may be meant, with a point or none: a comma may be a point or stand between thousands.
 * @param {string} digits
 * @returns {string[]}
 */
function pointsOf(digits) {
  const meant = ONE_MARK.test(digits) ? [digits.replace(",", ".")] : [];
  if (BY_SPACES.test(digits)) meant.push(digits.replaceAll(" ", "").replace(",", "."));
  if (BY_COMMAS.test(digits)) meant.push(digits.replaceAll(",", ""));
  if (BY_POINTS.test(digits)) meant.push(digits.replaceAll(".", "").replace(",", "."));
  return meant;
}

/**
 * @param {ExerciseData} exercise
 * @param {CommonSlips} common
 * @param {number} number
 * @returns {Judged}
 */
function judgeNumber(exercise, common, number) {
  if (exercise.guess) return { state: "guess", sentence: besideTruth(exercise, number) };
  const said = `Right: ${saidNumber(exercise, number)}`;
  if (isNear(exercise, number, exercise.expected)) {
    const percent = `is within ${exercise.tolerance_percent} % of the exact number`;
    const near = exercise.rounded === null ? ", exactly" : ` ${percent}`;
    return { state: "right", sentence: `${said}${near}.` };
  }
  if (isRounded(exercise, number)) {
    return { state: "right", sentence: `${said} is the exact number, rounded.` };
  }
  return { state: "not yet", sentence: `Not yet. ${hintFor(exercise, common, number)}` };
}

/**
 * A guess beside the truth, how the two compare, and what may have led astray.
 * @param {ExerciseData} exercise
 * @param {number} number
 */
function besideTruth(exercise, number) {
  const both = `You guessed ${saidNumber(exercise, number)}; it is ${exercise.truth}`;
  if (isNear(exercise, number, exercise.expected)) return `${both}: well guessed.`;
  const why = slipOf(exercise, number) ?? exercise.hint;
  return `${both}${compared(number === 0 ? 0 : exercise.expected / number)}. ${why}`.trimEnd();
}

/**
 * How many times the guess the truth is, where that can be said.
 * @param {number} times
 */
function compared(times) {
  if (times >= 1.5) return `, ${timesInWords(times)} as much`;
  if (times >= 1) return `, ${wholePercent(times - 1)} more`;
  if (times > 2 / 3) return `, ${wholePercent(1 - times)} less`;
  return times > 0 ? `: you guessed ${timesInWords(1 / times)} as much` : "";
}

/** @param {number} factor */
function timesInWords(factor) {
  if (factor >= 100) return "more than a hundred times";
  const tenths = Math.floor(10 * factor + 0.5);
  return `${tenths >= 100 ? Math.floor(tenths / 10) : tenths / 10} times`;
}

/** @param {number} share */
function wholePercent(share) {
  return `${Math.floor(100 * share + 0.5)} %`;
}

/**
 * The hint of the first slip that fits, else the general one.
 * @param {ExerciseData} exercise
 * @param {CommonSlips} common
 * @param {number} number
 */
function hintFor(exercise, common, number) {
  const { expected, unit } = exercise;
  const slip = slipOf(exercise, number);
  if (slip !== undefined) return slip;
  if (isNear(exercise, -number, expected)) return common.sign_slip;
  for (const [factor, words] of common.unit_slips) {
    if (isNear(exercise, number, expected * factor) || isNear(exercise, number, expected / factor)) {
      return factor === 2 && unit.startsWith("dB") ? common.decibel_slip : words;
    }
  }
  const size = Math.abs(number) > Math.abs(expected) ? "large" : "small";
  return `${exercise.hint} Your number is too ${size}.`.trimStart();
}

/**
 * The words of the first slip that fits.
 * @param {ExerciseData} exercise
 * @param {number} number
 */
function slipOf(exercise, number) {
  return exercise.slips.find(([wrong]) => fitsWrong(exercise, number, wrong))?.[1];
}

/**
 * @param {ExerciseData} exercise
 * @param {number} number
 * @param {Wrong} wrong
 */
function fitsWrong(exercise, number, wrong) {
  if (typeof wrong === "string") return number !== Math.floor(number);
  if (typeof wrong === "number") return isNear(exercise, number, wrong);
  const [low, high] = wrong;
  return (low === null || low <= number) && (high === null || number <= high);
}

/**
 * Whether a number is close enough to another, rounding forgiven.
 * @param {ExerciseData} exercise
 * @param {number} number
 * @param {number} wanted
 */
function isNear(exercise, number, wanted) {
  const share = exercise.tolerance_percent / 100 + 1e-12;
  return Math.abs(number - wanted) <= share * Math.abs(wanted);
}

/**
 * Whether it is what the number is to two digits, and no slip.
 * @param {ExerciseData} exercise
 * @param {number} number
 */
function isRounded(exercise, number) {
  const { rounded } = exercise;
  if (rounded === null || slipOf(exercise, number) !== undefined) return false;
  return Math.abs(number - rounded) <= 1e-9 * Math.max(Math.abs(number), Math.abs(rounded));
}

/**
 * @param {ExerciseData} exercise
 * @param {string} digits
 */
function withUnit(exercise, digits) {
  return `${digits} ${exercise.unit}`.trimEnd();
}

/**
 * @param {ExerciseData} exercise
 * @param {number} number
 */
function saidNumber(exercise, number) {
  return withUnit(exercise, generalText(number, 6));
}
