// All that a person moves, as one small object: checked, in the page's address, with steps back, two to
// switch between, and as a machine file. setting.py checks the same.

import { dbToAmplitude, keepsResponse } from "./formulas.mjs";
import { generalText } from "./words.mjs";

/**
 * @typedef {object} Head
 * @property {number} spacing_mm
 * @property {number} level_db
 * @property {boolean} inverted
 * @property {boolean} feeds_return
 * @property {boolean} on
 */

/**
 * @typedef {object} Setting
 * @property {number} speed_ips
 * @property {number} bpm
 * @property {string} note a note value or "any"
 * @property {number} input_send_db
 * @property {number} return_send_db
 * @property {Head[]} heads each keeps its place in the list wherever it is moved
 * @property {boolean} response
 * @property {boolean} limit
 * @property {boolean} hiss
 * @property {boolean} wobble
 * @property {boolean} dry
 * @property {string} input "phrase", "clicks", "file" or "line"
 */

/** @typedef {{name: string, beats: number, plain: boolean}} Note */
/** @typedef {{speed_ips: number, label: string}} Speed */

/**
 * How loud a pass is at most at one speed: without bumps in the bass, as measured, by the length of poles.
 * @typedef {object} Worst
 * @property {number} speed_ips
 * @property {number} flat_db
 * @property {number | null} measured_db
 * @property {[number, number][]} by_pole mm and dB
 */

/**
 * What a page needs of the machine file.
 * @typedef {object} FileParts
 * @property {string} before TOML of what stays as it is
 * @property {string[]} song lines that stay
 * @property {string[][]} heads lines that stay, of each
 * @property {string[]} said dotted keys of what is moved that the file has
 * @property {{head: number, speed: number, text: string}[]} measured delays
 * @property {string} responses TOML of those measured
 * @property {number | null} pole_length_mm null where it follows the first head
 * @property {Worst[]} worst by rising speed
 */

/**
 * One speed, or one of a free range; taps are base64 of little-endian 32-bit floats.
 * @typedef {object} Design
 * @property {number} speed_ips
 * @property {string} record
 * @property {string} passed
 * @property {string} noise
 * @property {string} bumps
 * @property {number} hop
 * @property {{a: number, b: number} | null} low_cut
 * @property {number} hiss
 * @property {number} saturation
 * @property {number} loudest_db
 * @property {{depth: number, rate_hz: number}[]} wobbles
 */

/**
 * What a page knows of a machine, from facts.py.
 * @typedef {object} Facts
 * @property {number} version
 * @property {string} name
 * @property {string} units "us" or "metric"
 * @property {number} sample_rate
 * @property {number} most_heads
 * @property {Speed[]} speeds
 * @property {[number, number] | null} speed_range_ips
 * @property {number} ramp_s
 * @property {number} least_mm
 * @property {number} most_mm
 * @property {number} head_width_mm
 * @property {number} hub_radius_mm
 * @property {number} pack_radius_mm
 * @property {number} capstan_mm
 * @property {number} roller_mm
 * @property {number | null} loop_length_m
 * @property {boolean} erases
 * @property {number[]} spacing_plus_minus_mm
 * @property {number} speed_plus_minus_percent
 * @property {(number | null)[][]} measured_plus_minus_ms by speed and head, null where no delay was measured
 * @property {Note[]} notes
 * @property {number | null} threshold_s null: that of an even pulse
 * @property {number} faded_db
 * @property {string} limit
 * @property {Design[]} designs
 * @property {number} random_rms
 * @property {number[][]} deviations_mm by speed and head
 * @property {Setting} setting of the file
 * @property {FileParts} file
 * @property {string[]} plan sentences
 */

const SEND_LIMITS_DB = [-90, 20];
const LEVEL_LIMITS_DB = [-90, 20];
export const BPM_LIMITS = [20, 400];
/** A head that a page adds, but for its place. */
export const USUAL_HEAD = { level_db: 0, inverted: false, feeds_return: true, on: true };
const SETTING_INPUTS = ["phrase", "clicks", "file", "line"];
const SWITCHES = /** @type {const} */ (["response", "limit", "hiss", "wobble", "dry"]);
const HEAD_SWITCHES = /** @type {const} */ (["inverted", "feeds_return", "on"]);
const SETTING_KEYS = [
  "speed_ips", "bpm", "note", "input_send_db", "return_send_db", "heads", ...SWITCHES, "input",
];
const HEAD_KEYS = ["spacing_mm", "level_db", ...HEAD_SWITCHES];
const LONGEST_ADDRESS = 2000;
const MOST_STEPS = 200;

// ---- what is allowed ----

/**
 * A clean copy of a setting; one that cannot be is refused in one sentence. As checked_setting of setting.py.
 * @param {Facts} facts @param {unknown} given
 * @returns {Setting}
 */
export function checkedSetting(facts, given) {
  const setting = checkedKeys("a setting", given, SETTING_KEYS);
  const names = ["any", ...facts.notes.map((note) => note.name)];
  const inputs = SETTING_INPUTS.map((name) => `"${name}"`).join(", ");
  return {
    speed_ips: checkedSpeed(facts, setting.speed_ips),
    bpm: checkedNumber("bpm", setting.bpm, BPM_LIMITS),
    note: checkedName("note", setting.note, names, "\"any\" or a note value such as \"dotted eighth\""),
    input_send_db: checkedNumber("input_send_db", setting.input_send_db, SEND_LIMITS_DB),
    return_send_db: checkedNumber("return_send_db", setting.return_send_db, SEND_LIMITS_DB),
    heads: checkedHeads(facts, setting.heads),
    response: checkedSwitch("response", setting.response),
    limit: checkedSwitch("limit", setting.limit),
    hiss: checkedSwitch("hiss", setting.hiss),
    wobble: checkedSwitch("wobble", setting.wobble),
    dry: checkedSwitch("dry", setting.dry),
    input: checkedName("input", setting.input, SETTING_INPUTS, inputs),
  };
}

/** @param {Facts} facts @param {unknown} given @returns {Head[]} */
function checkedHeads(facts, given) {
  const [fewest, most] = [facts.setting.heads.length, facts.most_heads];
  if (!Array.isArray(given) || given.length < fewest || given.length > most) {
    const got = Array.isArray(given) ? given.length : shown(given);
    throw new RangeError(`heads must be a list of ${fewest} to ${most}, got ${got}`);
  }
  return given.map((one, place) => {
    const name = `heads[${place + 1}]`;
    const head = checkedKeys(name, one, HEAD_KEYS);
    const asFiled = place < fewest && head.spacing_mm === facts.setting.heads[place].spacing_mm;
    const limits = asFiled ? [-Infinity, Infinity] : [facts.least_mm, facts.most_mm];
    return {
      spacing_mm: checkedNumber(`${name}.spacing_mm`, head.spacing_mm, limits),
      level_db: checkedNumber(`${name}.level_db`, head.level_db, LEVEL_LIMITS_DB),
      inverted: checkedSwitch(`${name}.inverted`, head.inverted),
      feeds_return: checkedSwitch(`${name}.feeds_return`, head.feeds_return),
      on: checkedSwitch(`${name}.on`, head.on),
    };
  });
}

/** @param {Facts} facts @param {unknown} given @returns {number} */
function checkedSpeed(facts, given) {
  if (facts.speed_range_ips !== null) return checkedNumber("speed_ips", given, facts.speed_range_ips);
  const speeds = facts.speeds.map((speed) => speed.speed_ips);
  const found = speeds.find((ips) => typeof given === "number" && Math.abs(given - ips) <= 1e-9 * ips);
  if (found !== undefined) return found;
  const allowed = speeds.map((ips) => generalText(ips, 6)).join(" or ");
  throw new RangeError(`speed_ips must be ${allowed}, got ${shown(given)}`);
}

/** @param {string} name @param {unknown} given @param {string[]} keys @returns {Record<string, unknown>} */
function checkedKeys(name, given, keys) {
  if (typeof given !== "object" || given === null || Array.isArray(given)) {
    throw new RangeError(`${name} must have the keys ${keys.join(", ")}, got ${shown(given)}`);
  }
  for (const key of keys) {
    if (!Object.hasOwn(given, key)) throw new RangeError(`${name} must have the key ${key}`);
  }
  for (const key of Object.keys(given)) {
    if (!keys.includes(key)) throw new RangeError(`${name} must have no key ${shown(key)}`);
  }
  return /** @type {Record<string, unknown>} */ (given);
}

/** @param {string} name @param {unknown} given @param {number[]} limits @returns {number} */
function checkedNumber(name, given, [least, most]) {
  if (typeof given === "number" && given >= least && given <= most) return given + 0;
  const allowed = `a number from ${generalText(least, 6)} to ${generalText(most, 6)}`;
  throw new RangeError(`${name} must be ${allowed}, got ${shown(given)}`);
}

/** @param {string} name @param {unknown} given @param {string[]} known @param {string} allowed */
function checkedName(name, given, known, allowed) {
  if (typeof given === "string" && known.includes(given)) return given;
  throw new RangeError(`${name} must be ${allowed}, got ${shown(given)}`);
}

/** @param {string} name @param {unknown} given @returns {boolean} */
function checkedSwitch(name, given) {
  if (typeof given === "boolean") return given;
  throw new RangeError(`${name} must be true or false, got ${shown(given)}`);
}

/**
 * What was given, in a few letters.
 * @param {unknown} given
 * @returns {string}
 */
function shown(given) {
  if (typeof given === "number") return Number.isFinite(given) ? generalText(given, 6) : "no finite number";
  if (typeof given === "boolean") return String(given);
  if (typeof given === "string") {
    const letters = [...given].map((letter) => (/[ -~]/.test(letter) ? letter : "?"));
    return `"${letters.length > 40 ? `${letters.slice(0, 37).join("")}...` : letters.join("")}"`;
  }
  if (given === null || given === undefined) return "nothing";
  return Array.isArray(given) ? "a list" : "keys";
}

// ---- the page's address ----

const ADDRESS_NUMBERS = /** @type {const} */ ([
  ["speed", "speed_ips"], ["bpm", "bpm"], ["send", "input_send_db"], ["return", "return_send_db"],
]);

/**
 * A setting as the last part of an address: what differs from the file's, e.g.
 * `#speed=3.75&head1=52.4,-6,off`.
 * @param {Facts} facts @param {Setting} setting
 * @returns {string} "#" alone where nothing differs
 */
export function settingToAddress(facts, setting) {
  const there = facts.setting;
  const parts = [];
  for (const [word, key] of ADDRESS_NUMBERS) {
    if (setting[key] !== there[key]) parts.push(`${word}=${setting[key]}`);
  }
  if (setting.note !== there.note) parts.push(`note=${setting.note.replaceAll(" ", "_")}`);
  setting.heads.forEach((head, place) => {
    const before = there.heads[place];
    if (!before || headToWords(head) !== headToWords(before)) {
      parts.push(`head${place + 1}=${headToWords(head)}`);
    }
  });
  for (const key of SWITCHES) {
    if (setting[key] !== there[key]) parts.push(`${key}=${setting[key] ? "on" : "off"}`);
  }
  if (setting.input !== there.input) parts.push(`input=${setting.input}`);
  return `#${parts.join("&")}`;
}

/** @param {Head} head */
function headToWords(head) {
  const words = [String(head.spacing_mm)];
  if (head.level_db !== 0) words.push(String(head.level_db));
  if (head.inverted) words.push("inverted");
  if (!head.feeds_return) words.push("aside");
  if (!head.on) words.push("off");
  return words.join(",");
}

/**
 * The setting of an address, and null; or the file's, and one sentence that says what is wrong with the
 * address. What holds no "=" is a place on the page, and says nothing of a setting.
 * @param {Facts} facts @param {string} text
 * @returns {{setting: Setting, problem: string | null}}
 */
export function settingFromAddress(facts, text) {
  try {
    return { setting: checkedSetting(facts, addressParts(facts, text)), problem: null };
  } catch (error) {
    const reason = error instanceof Error ? error.message : String(error);
    return {
      setting: checkedSetting(facts, facts.setting),
      problem: `The address holds no setting of this machine (${reason}), so the file's is shown.`,
    };
  }
}

/** @param {Facts} facts @param {string} text @returns {Setting} */
function addressParts(facts, text) {
  if (text.length > LONGEST_ADDRESS) throw new RangeError(`it is longer than ${LONGEST_ADDRESS} letters`);
  const plain = decodedText(text).replace(/^#/, "");
  const setting = checkedSetting(facts, facts.setting);
  const seen = new Set();
  for (const part of plain.includes("=") ? plain.split("&") : []) {
    const [word, ...rest] = part.split("=");
    if (rest.length !== 1) throw new RangeError(`${shown(part)} is not a word and a value`);
    if (seen.has(word)) throw new RangeError(`${word} stands there twice`);
    seen.add(word);
    putAddressPart(facts, setting, word, rest[0]);
  }
  return setting;
}

/** @param {string} text */
function decodedText(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    throw new RangeError("its letters are damaged");
  }
}

/** @param {Facts} facts @param {Setting} setting @param {string} word @param {string} value */
function putAddressPart(facts, setting, word, value) {
  const number = ADDRESS_NUMBERS.find((pair) => pair[0] === word);
  const flag = SWITCHES.find((key) => key === word);
  const head = /^head([1-9])$/.exec(word);
  if (number) setting[number[1]] = numberFromText(word, value);
  else if (flag) setting[flag] = onFromText(word, value);
  else if (word === "note") setting.note = value.replaceAll("_", " ");
  else if (word === "input") setting.input = value;
  else if (head && Number(head[1]) <= Math.min(setting.heads.length + 1, facts.most_heads)) {
    setting.heads[Number(head[1]) - 1] = headFromWords(word, value);
  } else throw new RangeError(`${shown(word)} is no part of a setting`);
}

/** @param {string} word @param {string} value @returns {Head} */
function headFromWords(word, value) {
  const [spacing, ...rest] = value.split(",");
  const level = rest.length && /^[-\d]/.test(rest[0]) ? numberFromText(word, String(rest.shift())) : 0;
  const known = ["inverted", "aside", "off"];
  if (rest.join() !== known.filter((one) => rest.includes(one)).join()) {
    throw new RangeError(`${word} must be a spacing, a level and ${known.join(", ")}, got ${shown(value)}`);
  }
  return {
    spacing_mm: numberFromText(word, spacing),
    level_db: level,
    inverted: rest.includes("inverted"),
    feeds_return: !rest.includes("aside"),
    on: !rest.includes("off"),
  };
}

/** @param {string} word @param {string} text */
function numberFromText(word, text) {
  if (!/^-?\d{1,20}(\.\d{1,20})?(e[-+]?\d{1,3})?$/.test(text)) {
    throw new RangeError(`${word} must have a number, got ${shown(text)}`);
  }
  return Number(text);
}

/** @param {string} word @param {string} text */
function onFromText(word, text) {
  if (text !== "on" && text !== "off") throw new RangeError(`${word} must be on or off, got ${shown(text)}`);
  return text === "on";
}

/**
 * Whether two settings are the same.
 * @param {Setting} one @param {Setting} other
 */
export function sameSetting(one, other) {
  return JSON.stringify(one) === JSON.stringify(other);
}

// ---- steps back, and two to switch between ----

/** Settings that were, to go back to and forth again; a drag of many moves is one step. */
export class History {
  /** @param {Setting} setting the first */
  constructor(setting) {
    this.steps = [setting];
    this.place = 0;
    this.dragFrom = /** @type {number | null} */ (null);
  }

  /** @returns {Setting} */
  get now() {
    return this.steps[this.place];
  }

  /** @returns {boolean} */
  get canUndo() {
    return this.place > 0;
  }

  /** @returns {boolean} */
  get canRedo() {
    return this.place < this.steps.length - 1;
  }

  /**
   * Adds a setting. While a drag lasts each takes the place of the one before; the call without `dragging`
   * that follows ends the drag and belongs to it.
   * @param {Setting} setting @param {boolean} [dragging]
   */
  push(setting, dragging = false) {
    const from = this.dragFrom === null ? this.place : this.dragFrom;
    const moved = !sameSetting(setting, this.now);
    if (moved) {
      const kept = this.steps.slice(0, from + 1);
      // A drag that ends where it began is no step.
      if (!sameSetting(setting, kept[from])) kept.push(setting);
      this.steps = kept;
      this.place = kept.length - 1;
    }
    this.dragFrom = dragging ? from : null;
    if (!dragging && this.steps.length > MOST_STEPS) {
      this.steps = this.steps.slice(-MOST_STEPS);
      this.place = MOST_STEPS - 1;
    }
  }

  /** @returns {Setting} the setting before, the first again where there is none */
  undo() {
    this.dragFrom = null;
    this.place = Math.max(0, this.place - 1);
    return this.now;
  }

  /** @returns {Setting} */
  redo() {
    this.dragFrom = null;
    this.place = Math.min(this.steps.length - 1, this.place + 1);
    return this.now;
  }
}

/** Two settings, A and B, of which one is in use; both start as the same. */
export class TwoSettings {
  /** @param {Setting} setting */
  constructor(setting) {
    this.kept = { A: setting, B: setting };
    this.using = /** @type {"A" | "B"} */ ("A");
  }

  /** @returns {Setting} */
  get now() {
    return this.kept[this.using];
  }

  /** @param {Setting} setting of the one in use */
  set(setting) {
    this.kept[this.using] = setting;
  }

  /** @returns {Setting} the other, now in use */
  switch() {
    this.using = this.using === "A" ? "B" : "A";
    return this.now;
  }
}

// ---- a machine file ----

/**
 * A setting as a machine file; as machine_of_setting of setting.py. Heads that are off are left out, those
 * that passed each other stand in tape order, and what was measured stays where its head stays.
 * @param {Facts} facts @param {Setting} setting
 * @returns {string} TOML
 */
export function machineFile(facts, setting) {
  const { file } = facts;
  const used = usedHeads(setting);
  const parts = [file.before];
  const song = movedLines(facts, setting, "song", ["bpm", "note"]).concat(file.song);
  if (song.length) parts.push(["[song]", ...song].join("\n"));
  const mixer = movedLines(facts, setting, "mixer", ["input_send_db", "return_send_db"]);
  if (mixer.length) parts.push(["[mixer]", ...mixer].join("\n"));
  for (const place of used) parts.push(headSection(facts, setting, place));
  for (const { head, speed, text } of file.measured) {
    const before = facts.setting.heads[head - 1].spacing_mm;
    const number = used.indexOf(head - 1) + 1;
    if (number && setting.heads[head - 1].spacing_mm === before) {
      parts.push(`[[measured_delays]]\nhead = ${number}\nspeed = ${speed}\n${text}`);
    }
  }
  if (file.responses && keepsResponse(facts, setting)) parts.push(file.responses);
  return `${parts.map((part) => part.trim()).join("\n\n")}\n`;
}

/**
 * The places of the heads that are on, in tape order.
 * @param {Setting} setting
 * @returns {number[]}
 */
function usedHeads(setting) {
  const used = setting.heads.map((_, place) => place).filter((place) => setting.heads[place].on);
  if (!used.length) throw new RangeError("heads must have one that is on for a machine file, all are off");
  /** @type {Map<number, number>} */
  const sums = new Map();
  for (const place of used) {
    const { spacing_mm: at, level_db: db, inverted } = setting.heads[place];
    sums.set(at, (sums.get(at) || 0) + dbToAmplitude(db) * (inverted ? -1 : 1));
  }
  if ([...sums.values()].every((sum) => sum === 0)) {
    throw new RangeError("heads must not cancel each other for a machine file, nothing would be heard");
  }
  return used.sort((a, b) => setting.heads[a].spacing_mm - setting.heads[b].spacing_mm);
}

/**
 * The lines of a section for keys that a page moves: those that the file has, and those that differ from it.
 * @param {Facts} facts @param {Setting} setting @param {string} section
 * @param {("bpm" | "note" | "input_send_db" | "return_send_db")[]} keys
 */
function movedLines(facts, setting, section, keys) {
  const written = keys.filter(
    (key) => facts.file.said.includes(`${section}.${key}`) || setting[key] !== facts.setting[key],
  );
  const lines = written.map((key) => `${key} = ${JSON.stringify(setting[key])}`);
  return lines.filter((line) => line !== "note = \"any\"");
}

/** @param {Facts} facts @param {Setting} setting @param {number} place */
function headSection(facts, setting, place) {
  const head = setting.heads[place];
  const before = facts.setting.heads[place] || USUAL_HEAD;
  const lines = [`spacing_mm = ${head.spacing_mm}`];
  for (const key of /** @type {const} */ (["level_db", "feeds_return", "inverted"])) {
    const said = facts.file.said.includes(`playback_heads.${place + 1}.${key}`);
    if (said || head[key] !== before[key]) lines.push(`${key} = ${head[key]}`);
  }
  return ["[[playback_heads]]", ...lines, ...(facts.file.heads[place] || [])].join("\n");
}
