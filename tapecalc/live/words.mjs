// Numbers with units as text, as tapecalc/words.py writes them. Each function says which it mirrors.

const METERS_AN_INCH = 0.0254;

/**
 * A number with so many decimals, as Python writes it: a tie goes to the even digit.
 * @param {number} value @param {number} digits
 * @returns {string}
 */
export function fixedText(value, digits) {
  const text = value.toFixed(digits);
  const exact = Math.abs(value).toFixed(Math.min(100, digits + 60));
  const tail = exact.slice(exact.indexOf(".") + 1 + digits);
  if (!/^50*$/.test(tail)) return text;
  const size = BigInt(exact.slice(0, exact.indexOf(".") + 1 + digits).replace(".", ""));
  const even = String(size % 2n === 0n ? size : size + 1n).padStart(digits + 1, "0");
  const whole = even.slice(0, even.length - digits);
  return (value < 0 ? "-" : "") + whole + (digits ? `.${even.slice(-digits)}` : "");
}

/**
 * A number with so many significant digits and no zeros behind, as Python writes it.
 * @param {number} value @param {number} digits
 * @returns {string}
 */
export function generalText(value, digits) {
  const [mantissa, exponent] = value.toExponential(digits - 1).split("e");
  const size = Number(exponent);
  if (size >= -4 && size < digits) return withoutZeros(fixedText(value, digits - 1 - size));
  return `${withoutZeros(mantissa)}e${size < 0 ? "-" : "+"}${String(Math.abs(size)).padStart(2, "0")}`;
}

/** @param {string} text */
function withoutZeros(text) {
  return text.includes(".") ? text.replace(/\.?0+$/, "") : text;
}

/**
 * Mirrors tapecalc.words.amount in ms.
 * @param {number} seconds @param {number} [digits]
 */
export function msText(seconds, digits = 0) {
  return `${fixedText(seconds / 1e-3, digits)} ms`;
}

/**
 * Mirrors tapecalc.words.amount in mm.
 * @param {number} meters @param {number} [digits]
 */
export function mmText(meters, digits = 1) {
  return `${fixedText(meters / 1e-3, digits)} mm`;
}

/**
 * Mirrors tapecalc.words.speed.
 * @param {number} speed m/s @param {string} units "metric" or "us"
 */
export function speedText(speed, units) {
  if (units === "metric") return `${generalText(speed / 1e-2, 4)} cm/s`;
  return `${generalText(speed / METERS_AN_INCH, 4)} ips`;
}

/**
 * Mirrors tapecalc.words.level.
 * @param {number} db
 */
export function levelText(db) {
  const text = fixedText(db, 1);
  return `${text === "-0.0" ? "+0.0" : db > 0 || text === "0.0" ? `+${text}` : text} dB`;
}

/**
 * Mirrors tapecalc.words.with_uncertainty: the plus/minus rounded up.
 * @param {number} value @param {number} plusMinus @param {string} [unit]
 */
export function uncertainText(value, plusMinus, unit = "") {
  const named = unit && ` ${unit}`;
  if (plusMinus === 0) return `${generalText(value, 4)}${named}`;
  const first = Math.floor(Math.log10(plusMinus));
  const last = plusMinus < 3.5000001 * 10 ** first ? first - 1 : first;
  const rounded = Math.ceil(plusMinus / 10 ** last - 1e-6) * 10 ** last;
  const places = Math.max(0, -last);
  const step = 10 ** Math.max(0, last);
  const shown = step * Number(fixedText(value / step, places)) + 0;
  return `${fixedText(shown, places)}${named} +/- ${fixedText(rounded, places)}${named}`;
}

/**
 * Mirrors tapecalc.words.with_article.
 * @param {string} noun
 */
export function withArticle(noun) {
  return `${"aeio".includes(noun[0]) ? "an" : "a"} ${noun}`;
}

