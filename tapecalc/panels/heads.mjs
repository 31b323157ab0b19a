// Many heads: a rhythm on the tape, close heads, heads on the return, and two tracks that cross.

import { amplitudeToDb, beatMarks, dbToAmplitude, delayFromSpacing } from "../live/formulas.mjs";
import { nearestFit, speedFromIps, timingThreshold } from "../live/formulas.mjs";
import { fixedText, generalText, levelText, msText } from "../live/words.mjs";
import { combExtremesDb, notchFrequencies, sharedSends, stereoEchoes, tapsSize } from "./combs.mjs";
import { choice, slider } from "./control.mjs";
import { HEARD_RATE, heardSound, steadyHiss } from "./hearing.mjs";

const FARTHEST_HEAD_MM = 240;
const [TAPE_HEIGHT, RULER_HEIGHT] = [0.5, 0];
/** @type {Record<number, number>} */
const MARK_DEPTHS = { 1: 0.3, 2: 0.2, 4: 0.12 }; // of a beat, its half, its quarters
const HIGHEST_NOTCH_HZ = 1000;
const FAINTEST_COMB_DB = -40;
const ECHO_SECONDS = 6;
const [QUIET_ECHO_DB, LOUD_ECHO_DB] = [-36, 6]; // what is drawn
const ONE_MOMENT_S = 1e-5;
const COUNTED_DB = -30; // echoes above this are counted
/** @type {Record<string, boolean[]>} */
const RETURNING_HEADS = {
  "all three": [true, true, true],
  "the first alone": [true, false, false],
  "the first and the last": [true, false, true],
  "the last alone": [false, false, true],
};
/** @type {Record<string, [number, number]>} */
const RECORDED_ON = { "the left": [1, 0], both: [1, 1] };

/** @typedef {import("./control.mjs").PanelDefinition} PanelDefinition */

/** @param {number[]} speedsIps @param {number} firstIps */
function speedChoice(speedsIps, firstIps) {
  const named = /** @param {number} ips */ (ips) => `${generalText(ips, 4)} ips`;
  return choice("speed", "tape speed", speedsIps.map(named), named(firstIps));
}

/** @param {string[]} words @returns {string} as a sentence lists them */
function listedWords(words) {
  return `${words.slice(0, -1).join(", ")} and ${words[words.length - 1]}`;
}

// ---- a rhythm on the tape ----

/**
 * Three heads on the tape above a ruler of sixteenths. The heads stay where they are put; speed and tempo
 * stretch the ruler.
 * @param {any} facts `FACTS` of tapecalc/course/heads.py
 * @returns {PanelDefinition}
 */
export function rhythmPanel(facts) {
  const [first, second, third] = facts.rhythm_mm;
  const apart = { low: facts.closest_mm, high: 70, step: 1, unit: "mm" };
  return {
    name: "rhythm_on_tape",
    question: "Which three places give eighth triplet, quarter triplet and quarter at 100 beats a minute?",
    legend:
      "Squares: heads on the tape. Below, the ruler of this speed and tempo: long marks are beats, " +
      "short ones eighths and sixteenths. Dots: where the nearest note values lie; a dot right below " +
      "its head is in time.",
    alt:
      "Tape path in mm from the record head with three playback heads, above a ruler whose marks are " +
      "beats, eighths and sixteenths; dots on the ruler for the nearest note values.",
    controls: [
      slider("first_mm", "first head", first, { low: 30, high: 100, step: 1, unit: "mm" }),
      slider("second_mm", "second head, further by", second - first, apart),
      slider("third_mm", "third head, further by", third - second, apart),
      speedChoice(facts.many_speeds_ips, facts.speeds_ips[0]),
      slider("bpm", "tempo", facts.bpm, { low: 60, high: 160, step: 1, unit: "beats per minute" }),
    ],
    reckon: (values) => rhythmFound(facts.notes, values),
    draw: drawRhythm,
  };
}

/** @param {any[]} notes @param {any} values */
function rhythmFound(notes, { first_mm, second_mm, third_mm, speed, bpm }) {
  const places = [first_mm, first_mm + second_mm, first_mm + second_mm + third_mm];
  const runs = speedFromIps(parseFloat(speed));
  const fits = places.map((mm) => nearestFit(delayFromSpacing(mm / 1000, runs), bpm, notes, null));
  const names = fits.map((fit) => fit.note);
  const worst = fits.reduce((most, fit) => (Math.abs(fit.error) > Math.abs(most.error) ? fit : most));
  const rows = fits.map((fit, at) => /** @type {[string, string]} */ ([
    `head ${at + 1}, ${fixedText(places[at], 0)} mm, ${fit.note}`,
    `${msText(fit.delay)}, ${levelText(fit.error * 1000).replace("dB", "ms")} off`,
  ]));
  rows.push(["ears notice in a steady beat", msText(timingThreshold(worst.delay))]);
  return {
    sentence: `At ${speed} and ${generalText(bpm, 6)} beats a minute the heads at ` +
      `${listedWords(places.map((mm) => fixedText(mm, 0)))} mm play ${listedWords(names)}; ` +
      `the worst is ${msText(Math.abs(worst.error), 1)} off.`,
    rows,
    places,
    wanted: fits.map((fit) => Math.min(fit.wanted * runs * 1000, FARTHEST_HEAD_MM)),
    names,
    marks: beatMarks(runs, bpm, FARTHEST_HEAD_MM),
  };
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawRhythm(picture, { places, wanted, names, marks }) {
  const axes = picture.axes({
    x: { name: "distance from the record head (mm)", low: 0, high: FARTHEST_HEAD_MM, grid: false },
    y: { low: -0.85, high: 0.8, ticks: [RULER_HEIGHT, TAPE_HEIGHT], words: ["notes", "tape"], grid: false },
  });
  axes.rule({ y: TAPE_HEIGHT }, "tape");
  axes.rule({ y: RULER_HEIGHT }, "context");
  const at = marks.map((/** @type {any} */ mark) => mark.at_mm);
  const depths = marks.map((/** @type {any} */ mark) => RULER_HEIGHT - MARK_DEPTHS[mark.part]);
  axes.strokes([0, ...at], RULER_HEIGHT, [RULER_HEIGHT - MARK_DEPTHS[1], ...depths], "context thin");
  axes.strokes(places, TAPE_HEIGHT, places.map(() => RULER_HEIGHT), "tape thin dashed");
  axes.marks([0], [TAPE_HEIGHT], "square", "dry");
  axes.label(0, TAPE_HEIGHT + 0.08, "record head", "dry", "above");
  axes.marks(places, places.map(() => TAPE_HEIGHT), "square", "tape");
  axes.marks(wanted, wanted.map(() => RULER_HEIGHT), "dot", "echo");
  // Each name in a line of its own: heads may stand close.
  names.forEach((/** @type {string} */ name, /** @type {number} */ head) =>
    axes.label(wanted[head], -0.45 - 0.16 * head, name, "echo", "middle"));
}

// ---- close heads ----

/**
 * Two heads that answer nearly at once, and the comb that they make.
 * @param {any} facts `FACTS` of tapecalc/course/heads.py
 * @returns {PanelDefinition}
 */
export function combPanel(facts) {
  return {
    name: "comb_of_close_heads",
    question: "How much quieter must the second head be until the notches are no deeper than 3 dB?",
    legend:
      "Line: both heads together, a plain field where its notches are too many to draw. Dots: the " +
      "notches.",
    alt:
      "Chart of level in dB over frequency from 0 to 1000 Hz, even steps. The line for two heads " +
      "together goes up and down like a comb around the level line of one head alone.",
    controls: [
      slider("apart_mm", "the two are apart by", 1, { low: 0.5, high: 12, step: 0.1, unit: "mm" }),
      speedChoice(facts.many_speeds_ips, facts.speeds_ips[0]),
      slider("second_db", "second against first", 0, { low: -20, high: 0, step: 0.1, unit: "dB" }),
    ],
    reckon: (values) => combFound(facts, values),
    draw: drawComb,
    sound: combSound,
    heard: "A soft hiss from the first head alone; halfway the second head joins it.",
  };
}

/** @param {any} facts @param {any} values */
function combFound(facts, { apart_mm, speed, second_db }) {
  const apart = delayFromSpacing(apart_mm / 1000, speedFromIps(parseFloat(speed)));
  const second = dbToAmplitude(second_db);
  const [peakDb, notchDb] = combExtremesDb(1, second);
  const notches = notchFrequencies(apart, HIGHEST_NOTCH_HZ);
  const fused = apart < facts.click_fusion_limit ? "the ear hears one sound"
    : apart < facts.fusion_limit ? "speech is heard as one sound, a click as two"
      : "the ear may hear two sounds";
  return {
    sentence: `${generalText(apart_mm, 6)} mm at ${speed} are ${msText(apart, 1)}: ${fused}, with peaks of ` +
      `${levelText(peakDb)} and its first notch at ${fixedText(0.5 / apart, 0)} Hz.`,
    rows: /** @type {[string, string][]} */ ([
      ["peaks", levelText(peakDb)],
      ["notches", notchDb > FAINTEST_COMB_DB ? `${fixedText(notchDb, 1)} dB` : "silence"],
      ["from notch to notch", `${fixedText(1 / apart, 0)} Hz`],
      [`notches up to ${HIGHEST_NOTCH_HZ} Hz`, `${notches.length}`],
    ]),
    apart,
    second,
    notches,
    notchDb,
  };
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawComb(picture, { apart, second, notches, notchDb }) {
  const axes = picture.axes({
    x: { name: "frequency (Hz)", low: 0, high: HIGHEST_NOTCH_HZ },
    y: { name: "level against one head (dB)", low: FAINTEST_COMB_DB - 2, high: 15 },
  });
  const floor = dbToAmplitude(FAINTEST_COMB_DB);
  const tooth = axes.px(1 / apart) - axes.px(0); // px
  // As many points to each tooth, so that every notch is one of them.
  const points = 2 * Math.max(8, Math.ceil(150 / (apart * HIGHEST_NOTCH_HZ)));
  const frequencies = Array.from({ length: Math.ceil(points * apart * HIGHEST_NOTCH_HZ) + 1 }, (_, at) =>
    at / (points * apart));
  const levels = frequencies.map((f) => amplitudeToDb(Math.max(tapsSize(f, [0, apart], [1, second]), floor)));
  const deepest = Math.max(notchDb, FAINTEST_COMB_DB);
  if (tooth < 4) axes.area([0, HIGHEST_NOTCH_HZ], [deepest, deepest], [levels[0], levels[0]], "echo faint");
  else axes.line(frequencies, levels, tooth < 16 ? "echo thin" : "echo");
  axes.rule({ y: 0 }, "context");
  axes.label(0, 9, "one head alone", "context", "above");
  axes.label(HIGHEST_NOTCH_HZ, 9, "both heads", "echo", "above");
  if (tooth > 16) axes.marks(notches, notches.map(() => deepest), "dot", "text");
}

/** @param {any} found */
function combSound({ apart, second }) {
  const late = Math.round(apart * HEARD_RATE);
  return heardSound((time, at) => {
    const joined = Math.min(Math.max((time - 1.5) / 0.02, 0), 1);
    return softHiss(at) + joined * second * softHiss(at - late);
  });
}

/** @param {number} at @returns {number} hiss without its treble, which would hide the comb */
function softHiss(at) {
  let sum = 0;
  for (let before = 0; before < 8; before += 1) sum += steadyHiss(at - before);
  return sum;
}

// ---- heads on the return ----

/**
 * Echoes over time when chosen heads feed the return; tape without losses.
 * @param {any} facts `FACTS` of tapecalc/course/heads.py
 * @returns {PanelDefinition}
 */
export function returnPanel(facts) {
  return {
    name: "heads_on_the_return",
    question: "Which heads may return so that the figure of three comes back as a figure, not as a crowd?",
    legend:
      "Each stroke: one echo of a click; with a dot the first time round, without one all later " +
      "rounds. Later echoes of one moment are added up, as if in phase. The loop gain is that at the " +
      "largest bump of the heads.",
    alt:
      "Chart of level in dB over time in s. Three strong strokes are the first answers of three " +
      "heads; the thinner strokes after them are the echoes of the return, fading where the loop is " +
      "safe.",
    controls: [
      choice("feeds", "heads on the return", Object.keys(RETURNING_HEADS), "all three"),
      slider("return_send_db", "return send", -12, { low: -24, high: 0, step: 0.5, unit: "dB" }),
      slider("step_db", "each head below the last by", 3, { low: 0, high: 9, step: 0.5, unit: "dB" }),
      speedChoice(facts.speeds_ips, facts.speeds_ips[0]),
    ],
    reckon: (values) => returnFound(facts, values),
    draw: drawReturn,
  };
}

/** @param {any} facts @param {any} values */
function returnFound({ rhythm_mm, speeds_ips, worst_db }, { feeds, return_send_db, step_db, speed }) {
  const runs = speedFromIps(parseFloat(speed));
  const [send, chosen] = [dbToAmplitude(return_send_db), RETURNING_HEADS[feeds]];
  const delays = chosen.map((_, head) => delayFromSpacing(rhythm_mm[head] / 1000, runs));
  const gains = chosen.map((_, head) => dbToAmplitude(-step_db * head));
  const fed = gains.reduce((sum, gain, head) => sum + (chosen[head] ? gain : 0), 0);
  const worstDb = worst_db[speeds_ips.indexOf(parseFloat(speed))];
  const pastDb = return_send_db + worstDb + amplitudeToDb(fed); // at most: all heads in phase
  const silent = { delays: [], gains: [], feeds: [] };
  const rounds = stereoEchoes([{ delays, gains, feeds: chosen }, silent], [[send, 0], [0, 0]], [1, 0], 1,
    { longest: ECHO_SECONDS, faintestDb: QUIET_ECHO_DB, later: true });
  const first = delays.map((time, head) => ({ time, level: gains[head] }));
  /** @type {{time: number, level: number}[]} */
  const later = [];
  for (const { time, sides } of rounds) {
    // Each round is told to a microsecond: what went other ways to one moment may differ by some of them.
    const last = later[later.length - 1];
    if (last && time - last.time < ONE_MOMENT_S) last.level += sides[0];
    else later.push({ time, level: sides[0] });
  }
  const least = dbToAmplitude(COUNTED_DB) * (1 + 1e-9);
  const count = [...first, ...later].filter(({ level }) => level > least).length;
  const state = pastDb < 0 ? "is safe by" : "may run away, too loud by";
  return {
    sentence: `With ${feeds} on the return at ${generalText(return_send_db, 6)} dB the loop ${state} ` +
      `${fixedText(Math.abs(pastDb), 1)} dB, and a click has ${count} echoes above ${COUNTED_DB} dB.`,
    rows: /** @type {[string, string][]} */ ([
      ["loop gain at most", levelText(pastDb)],
      [`echoes above ${COUNTED_DB} dB`, `${count}`],
    ]),
    first,
    later,
  };
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawReturn(picture, { first, later }) {
  const axes = picture.axes({
    x: { name: "time after the click (s)", low: 0, high: ECHO_SECONDS },
    y: { name: "level (dB)", low: QUIET_ECHO_DB, high: LOUD_ECHO_DB },
  });
  const [times, levels] = ["time", "level"].map((key) => [later, first].map((echoes) =>
    echoes.map((/** @type {any} */ echo) => (key === "time" ? echo.time : amplitudeToDb(echo.level)))));
  axes.strokes(times[0], QUIET_ECHO_DB, levels[0], "echo thin");
  axes.strokes(times[1], QUIET_ECHO_DB, levels[1], "echo thick");
  axes.marks(times[1], levels[1], "dot", "echo");
}

// ---- two tracks ----

/**
 * Two tracks whose returns cross; the left is up, the right down.
 * @param {any} facts `FACTS` of tapecalc/course/heads.py
 * @returns {PanelDefinition}
 */
export function crossedPanel(facts) {
  return {
    name: "crossed_returns",
    question: "Which share makes the echo mono from its second answer on?",
    legend: "Each stroke: one answer of a track to a click; left up, round ends, right down, square ends.",
    alt:
      "Chart of level in dB over time in s, from a line in the middle: strokes up are answers on the " +
      "left, strokes down answers on the right, shorter from time to time.",
    controls: [
      slider("crossed_percent", "crossing over", 100, { low: 0, high: 100, step: 5, unit: "%" }),
      slider("return_send_db", "all sends together", -6, { low: -24, high: 0, step: 0.5, unit: "dB" }),
      choice("sent", "recorded on", Object.keys(RECORDED_ON), "the left"),
      speedChoice(facts.speeds_ips, facts.speeds_ips[0]),
    ],
    reckon: (values) => crossedFound(facts, values),
    draw: drawCrossed,
  };
}

/** @param {any} facts @param {any} values */
function crossedFound(facts, { crossed_percent, return_send_db, sent, speed }) {
  const at = facts.speeds_ips.indexOf(parseFloat(speed));
  const share = crossed_percent / 100;
  const track = { delays: [facts.delays[at]], gains: [1], feeds: [true] };
  const sends = sharedSends(dbToAmplitude(return_send_db), share);
  const passed = dbToAmplitude(facts.passed_db[at]);
  const until = { longest: ECHO_SECONDS / 2, faintestDb: QUIET_ECHO_DB };
  const echoes = stereoEchoes([track, track], sends, RECORDED_ON[sent], passed, until);
  const pastDb = return_send_db + facts.worst_db[at];
  const heard = echoes.filter(({ sides }) => Math.abs(sides[1]) >= dbToAmplitude(COUNTED_DB)).length;
  const apartDb = return_send_db + amplitudeToDb(Math.abs(1 - 2 * share));
  const difference = share === 0.5 ? "not at all" : levelText(apartDb);
  return {
    sentence: `With ${crossed_percent} % crossed at ${generalText(return_send_db, 6)} dB the echo ` +
      `${crossedStory(share, sent)}: ${heard} answers on the right are heard, and the loop ` +
      `${pastDb < 0 ? "is safe by" : "may run away, too loud by"} ${fixedText(Math.abs(pastDb), 1)} dB.`,
    rows: /** @type {[string, string][]} */ ([
      ["the sum of both sides comes back at", levelText(return_send_db)],
      ["their difference", share > 0.5 ? `${difference}, inverted` : difference],
    ]),
    echoes,
  };
}

/** @param {number} share @param {string} sent */
function crossedStory(share, sent) {
  if (sent === "both") return "is alike on both sides";
  if (share === 0.5) return "becomes mono";
  const most = share === 0 || share === 1 ? "" : "mostly ";
  return share < 0.5 ? `${most}stays on its side` : `${most}changes sides${most ? "" : " each time"}`;
}

/** @param {import("./chart.mjs").Picture} picture @param {any} found */
function drawCrossed(picture, { echoes }) {
  const span = -QUIET_ECHO_DB;
  const ticks = [-span, -span / 2, 0, span / 2, span];
  const axes = picture.axes({
    x: { name: "time after the click (s)", low: 0, high: ECHO_SECONDS / 2 },
    y: {
      name: "level (dB)", low: -span - 9, high: span + 9, ticks,
      words: ticks.map((height) => String(Math.abs(height) - span).replace("-", "\u2212")),
    },
  });
  [["left", "dot", 1], ["right", "square", -1]].forEach(([name, mark, way], side) => {
    const least = dbToAmplitude(QUIET_ECHO_DB);
    const loud = echoes.filter((/** @type {any} */ echo) => Math.abs(echo.sides[side]) > least);
    const times = loud.map((/** @type {any} */ echo) => echo.time);
    const heights = loud.map((/** @type {any} */ echo) =>
      Number(way) * (Math.min(amplitudeToDb(Math.abs(echo.sides[side])), LOUD_ECHO_DB / 2) + span));
    axes.strokes(times, 0, heights, "echo");
    axes.marks(times, heights, /** @type {any} */ (mark), "echo");
    axes.label(ECHO_SECONDS / 2, Number(way) * (span + 2), String(name), "text", side ? "below" : "above");
  });
  axes.rule({ y: 0 }, "text");
}
